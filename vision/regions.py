"""Where boards may be: places crowded with saddle points, as where checker squares and marker cells meet."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

SADDLE_STRENGTH = 2.0
"""Root of minus the Hessian's determinant after 1 px of blur, grey levels per px²: a checker corner of contrast 20 has 4."""
CROWD_PX = 48
CROWD_COUNT = 5
MARGIN_PX = 24
WHOLE_SHARE = 0.6

Box = tuple[int, int, int, int]


def busy_boxes(gray: NDArray[np.uint8]) -> list[Box]:
    """Boxes (x0, y0, x1, y1) that together hold all crowds of saddle points of the photo, uint8 (height, width)."""
    count = cv2.boxFilter(_saddles(gray), cv2.CV_32F, (CROWD_PX, CROWD_PX), normalize=False, borderType=cv2.BORDER_CONSTANT)
    # coarse grid: the boxes need no pixel's precision
    step = 8
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


def _saddles(gray: NDArray[np.uint8]) -> NDArray[np.float32]:
    """1 at local maxima of the saddle measure, 0 elsewhere."""
    smooth = cv2.GaussianBlur(gray.astype(np.float32), (0, 0), 1.0)
    xx, yy = (cv2.Sobel(smooth, cv2.CV_32F, dx, dy, scale=0.25) for dx, dy in ((2, 0), (0, 2)))
    xy = cv2.Sobel(smooth, cv2.CV_32F, 1, 1, scale=0.25)
    measure = xy * xy - xx * yy
    peak = measure >= cv2.dilate(measure, np.ones((3, 3), dtype=np.uint8))
    return np.asarray(peak & (measure > SADDLE_STRENGTH**2), dtype=np.float32)


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
