"""One marker pass per photo and dictionary serves all boards: OpenCV finds the quadrilaterals, the bits are read here.

Measured on rendered bay photos with OpenCV 5.0: the default smallest perimeter, a share of the image side, throws readable
markers away in large photos; a twofold enlarged pass with more window sizes finds several times as many. Reading the bits as
grey values that must correlate with the marker, for all quadrilaterals at once, reads more of the small ones than thresholded
bits do, and costs a tenth of the time with a large dictionary.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.boards import Board, predefined_dictionary
from vision.frames import Array
from vision.regions import Box, busy_boxes

LARGE_PHOTO_PX = 4_500_000
CELL_SAMPLES = 3
LEAST_CONTRAST = 12.0
"""Grey levels between the white and the black cells of a marker."""
SAME_QUADRILATERAL = 0.015
"""Mean distance of the corners over the perimeter, below which two quadrilaterals count as one."""
LEAST_CORRELATION = 0.7
"""Of the bits; with fewer bits than 36 more, for chance correlates more."""
LEAST_MARGIN = 0.12
"""By how much the best marker's correlation must beat every other marker's and turn's."""
LEAST_WHOLE = 0.75
"""Correlation over all cells, the black border included."""


@dataclass(frozen=True, slots=True, eq=False)
class Markers:
    """Decoded markers of one dictionary.

    Attributes
    ----------
    ids : ndarray of int, shape (n,)
    corners_px : ndarray, shape (n, 4, 2)
        Clockwise from the marker's first corner, good to some 0.4 px.
    scores : ndarray, shape (n,)
        Correlation of the bits.
    """

    ids: NDArray[np.int64]
    corners_px: Array
    scores: Array

    def __len__(self) -> int:
        return len(self.ids)

    def only(self, wanted: range) -> Markers:
        keep = (self.ids >= wanted.start) & (self.ids < wanted.stop)
        return self.where(keep)

    def where(self, keep: NDArray[np.bool_]) -> Markers:
        return Markers(self.ids[keep], self.corners_px[keep], self.scores[keep])


@dataclass(frozen=True, slots=True)
class Pass:
    """One look at the picture, sharpened by `sharpen` times what a blur of 1 px takes away, scaled by `scale`, thresholded in
    windows of these sizes with this constant (grey levels). Contours run through the middles of the outermost dark pixels:
    quadrilaterals are moved outward by `outward_px` of the scaled picture (measured on renders)."""

    scale: float
    windows: tuple[int, int, int]
    constant: float
    smallest_side_px: float
    outward_px: float = 0.45
    sharpen: float = 0.0


FIRST = Pass(1.0, (5, 13, 21), 7.0, 9.0)
# sharpening opens the thin white gap between a small marker and the black squares beside it
ENLARGED = Pass(2.0, (7, 17, 27), 5.0, 12.0, outward_px=0.2, sharpen=3.0)
REDUCED = Pass(0.5, (5, 13, 21), 7.0, 12.0)


def read_markers(gray: NDArray[np.uint8], boards: Sequence[Board]) -> Markers:
    """All markers of these boards, which share a dictionary, that can be read in the photo."""
    return _all_looks(gray, _table(boards[0].dictionary, tuple(marker for board in boards for marker in board.marker_ids)))


def read_all(gray: NDArray[np.uint8], dictionary: str) -> Markers:
    """All markers of a dictionary that can be read in the photo, whoever's they are."""
    return _all_looks(gray, _table(dictionary, tuple(range(len(predefined_dictionary(dictionary).bytesList)))))


def _all_looks(gray: NDArray[np.uint8], table: _Table) -> Markers:
    whole: list[Box] = [(0, 0, gray.shape[1], gray.shape[0])]
    busy = busy_boxes(gray)
    looks = [(FIRST, whole), (ENLARGED, busy)]
    if gray.size > LARGE_PHOTO_PX:
        # what the reduced photo is too coarse for lies where saddle points crowd
        looks = [(REDUCED, whole), (FIRST, busy), (ENLARGED, busy)]
    ids, corners, scores = [], [], []
    for look, boxes in looks:
        for x0, y0, x1, y1 in boxes:
            part = _read(np.ascontiguousarray(gray[y0:y1, x0:x1]), look, table)
            ids.append(part[0])
            corners.append(part[1] + [x0, y0])
            scores.append(part[2])
    return _once(np.concatenate(ids), np.concatenate(corners), np.concatenate(scores))


@dataclass(frozen=True, slots=True, eq=False)
class _Table:
    """Cells of every wanted marker in four turns: `cells` (4 k, c, c) of 0 and 1, row ``4 i + t``: marker i turned t times."""

    ids: NDArray[np.int64]
    cells: NDArray[np.float32]
    inner: NDArray[np.float32]
    least: float


@functools.lru_cache(maxsize=8)
def _table(dictionary: str, ids: tuple[int, ...]) -> _Table:
    source = predefined_dictionary(dictionary)
    c = source.markerSize + 2
    pictures = [np.asarray(cv2.aruco.generateImageMarker(source, marker, c, borderBits=1)) > 127 for marker in ids]
    cells = np.array([np.rot90(picture, turn) for picture in pictures for turn in range(4)], dtype=np.float32)
    least = min(0.9, LEAST_CORRELATION + 0.012 * max(36 - source.markerSize**2, 0))
    return _Table(np.array(ids, dtype=np.int64), cells, _normalised(cells[:, 1:-1, 1:-1]), least)


def _normalised(cells: NDArray[np.float32]) -> NDArray[np.float32]:
    flat = cells.reshape(len(cells), -1)
    flat = flat - flat.mean(axis=1, keepdims=True)
    return np.asarray(flat / np.maximum(np.linalg.norm(flat, axis=1, keepdims=True), 1e-6), dtype=np.float32)


Reading = tuple[NDArray[np.int64], Array, Array]


def _read(gray: NDArray[np.uint8], look: Pass, table: _Table) -> Reading:
    """Ids, corners (n, 4, 2) and correlations of the markers one pass reads."""
    picture = _prepared(gray, look)
    quads = _outward(_quadrilaterals(picture, look), look.outward_px)
    ids, turns, scores = _decode(picture, quads, table)
    good = ids >= 0
    quads = np.array([np.roll(quad, -turn, axis=0) for quad, turn in zip(quads[good], turns[good], strict=True)]).reshape(
        -1, 4, 2
    )
    # pixel (0, 0) is the centre of the first pixel in both pictures: the half pixel before it scales too
    return ids[good], (quads + 0.5) / look.scale - 0.5, scores[good]


def _prepared(gray: NDArray[np.uint8], look: Pass) -> NDArray[np.uint8]:
    picture = gray
    if look.sharpen > 0.0:
        picture = np.asarray(cv2.addWeighted(gray, 1.0 + look.sharpen, cv2.GaussianBlur(gray, (0, 0), 1.0), -look.sharpen, 0.0))
    if look.scale != 1.0:
        how = cv2.INTER_CUBIC if look.scale > 1 else cv2.INTER_AREA
        picture = np.asarray(cv2.resize(picture, None, fx=look.scale, fy=look.scale, interpolation=how))
    return np.asarray(picture, dtype=np.uint8)


def _quadrilaterals(picture: NDArray[np.uint8], look: Pass) -> Array:
    """Quadrilaterals with a rim in the thresholded picture, shape (n, 4, 2), clockwise as seen."""
    p = cv2.aruco.DetectorParameters()
    low, middle, high = look.windows
    p.adaptiveThreshWinSizeMin, p.adaptiveThreshWinSizeMax, p.adaptiveThreshWinSizeStep = low, high, middle - low
    p.adaptiveThreshConstant = look.constant
    p.minMarkerPerimeterRate = 4.0 * look.smallest_side_px / max(picture.shape)
    p.perspectiveRemovePixelPerCell = 1
    p.minDistanceToBorder = 1
    # of quadrilaterals close together only the largest is handed back: that must not be the white square round a marker
    p.minMarkerDistanceRate = SAME_QUADRILATERAL
    p.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    # OpenCV would compare every quadrilateral with the whole dictionary: with a single marker it hands them back quickly
    found, _, rest = cv2.aruco.ArucoDetector(_one_marker(), p).detectMarkers(picture)
    quads = [np.asarray(quad, dtype=float).reshape(4, 2) for quad in (*found, *rest)]
    return np.array(quads).reshape(-1, 4, 2)


@functools.cache
def _one_marker() -> cv2.aruco.Dictionary:
    source = predefined_dictionary("DICT_4X4_50")
    return cv2.aruco.Dictionary(source.bytesList[:1], source.markerSize, 0)


def _outward(quads: Array, by_px: float) -> Array:
    """Quadrilaterals with their sides moved outward."""
    if len(quads) == 0:
        return quads
    middle = quads.mean(axis=1, keepdims=True)
    away = quads - middle
    reach = np.linalg.norm(away, axis=2, keepdims=True)
    return np.asarray(middle + away * (1.0 + by_px * np.sqrt(2.0) / np.maximum(reach, 1.0)))


def _decode(picture: NDArray[np.uint8], quads: Array, table: _Table) -> tuple[NDArray[np.int64], NDArray[np.int64], Array]:
    """Marker id (-1: none), how often its first corner is turned against the quadrilateral's, and correlation."""
    n, c = len(quads), table.cells.shape[1]
    if n == 0:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64), np.zeros(0)
    cells = _sampled_cells(picture, quads, c)
    inner = cells[:, 1:-1, 1:-1]
    scores = _normalised(inner) @ table.inner.T
    best = np.argmax(scores, axis=1)
    rows = np.arange(n)
    top = scores[rows, best]
    rest = scores.copy()
    rest[rows, best] = -1.0
    whole = (_normalised(cells) * _normalised(table.cells[best])).sum(axis=1)
    contrast = np.ptp(cells.reshape(n, -1), axis=1)
    good = (top > table.least) & (top - rest.max(axis=1) > LEAST_MARGIN) & (whole > LEAST_WHOLE) & (contrast > LEAST_CONTRAST)
    # np.rot90 turns counter-clockwise: the marker's first corner has gone t places back along the clockwise corners
    return np.where(good, table.ids[best // 4], -1), (-best) % 4, top.astype(float)


def _sampled_cells(picture: NDArray[np.uint8], quads: Array, c: int) -> NDArray[np.float32]:
    """Mean grey of every cell, shape (n, c, c), from 3 x 3 samples of its middle part."""
    n, s = len(quads), CELL_SAMPLES
    ticks = (np.arange(c)[:, None] + 0.5 + np.linspace(-0.25, 0.25, s)[None, :]).ravel() / c
    gx, gy = np.meshgrid(ticks, ticks)
    unit = np.stack([gx.ravel(), gy.ravel(), np.ones(gx.size)])
    h = np.array([cv2.getPerspectiveTransform(_UNIT, quad.astype(np.float32)) for quad in quads])
    xyw = h @ unit
    x, y = (xyw[:, k] / xyw[:, 2] for k in (0, 1))
    grey = cv2.remap(picture, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(np.asarray(grey, dtype=np.float32).reshape(n, c, s, c, s).mean(axis=(2, 4)), dtype=np.float32)


_UNIT = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=np.float32)


def _once(ids: NDArray[np.int64], corners: Array, scores: Array) -> Markers:
    """A marker read several times at one place counts once, the best reading; the same id elsewhere is kept."""
    keep: list[int] = []
    centre = corners.mean(axis=1)
    side = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).mean(axis=1)
    for i in np.argsort(-scores):
        near = [k for k in keep if ids[k] == ids[i] and np.linalg.norm(centre[k] - centre[i]) < 0.5 * side[i]]
        if not near:
            keep.append(int(i))
    return Markers(ids[keep], corners[keep], scores[keep])
