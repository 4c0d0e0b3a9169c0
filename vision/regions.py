"""Saddle points of brightness, as where checker squares and marker cells meet, and where they crowd: places boards may be."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

SADDLE_STRENGTH = 1.5
"""Root of minus the Hessian's determinant after 1 px of blur, grey levels per px²: a checker corner of contrast 20 has 4."""
CROWD_PX = 48
CROWD_COUNT = 5
MARGIN_PX = 24
WHOLE_SHARE = 0.6

Box = tuple[int, int, int, int]
Picture = NDArray[np.float32]


def saddle_peaks(
    gray: NDArray[np.uint8], blur_px: float = 1.0
) -> tuple[NDArray[np.uint8], tuple[Picture, Picture], tuple[Picture, Picture, Picture]]:
    """Local maxima of the saddle measure (1, elsewhere 0), gradient (x, y) and Hessian (xx, xy, yy) after 1 px of blur."""
    smooth = cv2.GaussianBlur(gray.astype(np.float32), (0, 0), blur_px)

    def derivative(dx: int, dy: int, scale: float) -> Picture:
        return np.asarray(cv2.Sobel(smooth, cv2.CV_32F, dx, dy, scale=scale), dtype=np.float32)

    xx, xy, yy = derivative(2, 0, 0.25), derivative(1, 1, 0.25), derivative(0, 2, 0.25)
    measure = xy * xy - xx * yy
    peak = measure >= cv2.dilate(measure, np.ones((3, 3), dtype=np.uint8))
    found = np.asarray(peak & (measure > SADDLE_STRENGTH**2), dtype=np.uint8)
    return found, (derivative(1, 0, 0.125), derivative(0, 1, 0.125)), (xx, xy, yy)


def busy_boxes(gray: NDArray[np.uint8]) -> list[Box]:
    """Boxes (x0, y0, x1, y1) that together hold all crowds of saddle points of the photo, uint8 (height, width)."""
    peaks = saddle_peaks(gray)[0]
    count = cv2.boxFilter(peaks, cv2.CV_32F, (CROWD_PX, CROWD_PX), normalize=False, borderType=cv2.BORDER_CONSTANT)
    step = 8  # the boxes need no pixel's precision
    busy = (count[::step, ::step] >= CROWD_COUNT).astype(np.uint8)
    busy = np.asarray(cv2.dilate(busy, np.ones((2 * (MARGIN_PX // step) + 1,) * 2, dtype=np.uint8)), dtype=np.uint8)
    _, _, stats, _ = cv2.connectedComponentsWithStats(busy, connectivity=8)
    h, w = gray.shape
    boxes = [
        (int(x) * step, int(y) * step, min((int(x) + int(bw)) * step, w), min((int(y) + int(bh)) * step, h))
        for x, y, bw, bh, _ in stats[1:]
    ]
    boxes = _merged(boxes)
    area = sum((x1 - x0) * (y1 - y0) for x0, y0, x1, y1 in boxes)
    return [(0, 0, w, h)] if area > WHOLE_SHARE * w * h else boxes


def _merged(boxes: list[Box]) -> list[Box]:
    """Overlapping boxes joined, until none overlap."""
    boxes = sorted(boxes)
    joined = True
    while joined:
        joined = False
        out: list[Box] = []
        for box in boxes:
            for i, other in enumerate(out):
                if box[0] <= other[2] and other[0] <= box[2] and box[1] <= other[3] and other[1] <= box[3]:
                    out[i] = (min(box[0], other[0]), min(box[1], other[1]), max(box[2], other[2]), max(box[3], other[3]))
                    joined = True
                    break
            else:
                out.append(box)
        boxes = out
    return boxes
