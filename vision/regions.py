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
STEP_PX = 8
"""The boxes need no pixel's precision."""
STRIP_PX = 128
REACH_PX = 8
"""Beyond a strip, so that blur, derivatives and comparison see what they would in the whole photo."""
WHOLE_SHARE = 0.6

Box = tuple[int, int, int, int]
Picture = NDArray[np.float32]


def busy_boxes(gray: NDArray[np.uint8]) -> list[Box]:
    """Boxes (x0, y0, x1, y1) that together hold all crowds of saddle points of the photo, uint8 (height, width)."""
    across = CROWD_PX // STEP_PX
    count = cv2.boxFilter(_peaks_in_cells(gray), cv2.CV_32F, (across, across), normalize=False, borderType=cv2.BORDER_CONSTANT)
    busy = (count >= CROWD_COUNT).astype(np.uint8)
    busy = np.asarray(cv2.dilate(busy, np.ones((2 * (MARGIN_PX // STEP_PX) + 1,) * 2, dtype=np.uint8)), dtype=np.uint8)
    _, _, stats, _ = cv2.connectedComponentsWithStats(busy, connectivity=8)
    h, w = gray.shape
    boxes = [
        (int(x) * STEP_PX, int(y) * STEP_PX, min((int(x) + int(bw)) * STEP_PX, w), min((int(y) + int(bh)) * STEP_PX, h))
        for x, y, bw, bh, _ in stats[1:]
    ]
    boxes = _merged(boxes)
    area = sum((x1 - x0) * (y1 - y0) for x0, y0, x1, y1 in boxes)
    return [(0, 0, w, h)] if area > WHOLE_SHARE * w * h else boxes


def _peaks_in_cells(gray: NDArray[np.uint8]) -> Picture:
    """How many saddle points lie in every cell of `STEP_PX`; strip by strip, which stays in the processor's cache."""
    h, w = gray.shape
    cells = np.zeros((-(-h // STEP_PX), -(-w // STEP_PX)), dtype=np.float32)
    for first in range(0, h, STRIP_PX):
        top, end = max(first - REACH_PX, 0), min(first + STRIP_PX, h)
        found = saddle_peaks(gray[top : min(end + REACH_PX, h)])
        padded = np.zeros((-(-(end - first) // STEP_PX) * STEP_PX, cells.shape[1] * STEP_PX), dtype=np.uint8)
        padded[: end - first, :w] = found[first - top : end - top]
        rows = padded.reshape(-1, STEP_PX, padded.shape[1]).sum(axis=1, dtype=np.uint8)
        strip = rows.reshape(len(rows), -1, STEP_PX).sum(axis=2, dtype=np.float32)
        cells[first // STEP_PX : first // STEP_PX + len(strip)] = strip
    return cells


def saddle_peaks(gray: NDArray[np.uint8], blur_px: float = 1.0) -> NDArray[np.uint8]:
    """Local maxima of the saddle measure after a blur: 1, elsewhere 0."""
    smooth = cv2.GaussianBlur(gray.astype(np.float32), (0, 0), blur_px)
    xx, xy, yy = (
        np.asarray(cv2.Sobel(smooth, cv2.CV_32F, dx, dy, scale=0.25), dtype=np.float32) for dx, dy in ((2, 0), (1, 1), (0, 2))
    )
    measure = xy * xy - xx * yy
    peak = measure >= cv2.dilate(measure, np.ones((3, 3), dtype=np.uint8))
    return np.asarray(peak & (measure > SADDLE_STRENGTH**2), dtype=np.uint8)


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
