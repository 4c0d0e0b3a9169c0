"""Are the markers on a board those of this board? Asked once more at the end, of every marker that should be in the photo."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.boardmap import BoardMap, inside_photo
from vision.boards import Board
from vision.corners import HALF_MAX_PX, fit_points, window_half_px
from vision.frames import Array
from vision.template import Photograph

CELL_SAMPLES = 3
"""Across a cell, over its middle half."""
WHOLE = 0.9
"""Share of a marker that must lie in the photo."""


def confirmed_markers(
    picture: Photograph, board: Board, board_map: BoardMap, blur_cov: Array, likeness: float
) -> tuple[int, int]:
    """How many markers look as they should (correlation over `likeness`), and how many lie in the photo by the map.

    A marker that is small in the photo is compared pixel by pixel with the drawn and blurred one, a large one cell by cell: of
    that the pixels' window would hold only the middle, and a few cells look alike by chance.
    """
    centres = board.marker_corners_mm().mean(axis=1)
    inside = np.flatnonzero(inside_photo(board_map.project(centres), picture.shape[1], picture.shape[0]))
    if len(inside) == 0:
        return 0, 0
    cells = board.marker_bits()[0].shape[0]
    bits_only = board.marker_mm / board.square_mm / 2 * (cells - 2) / cells
    if window_half_px(board, board_map, centres[inside], bits_only, 2 * HALF_MAX_PX) > HALF_MAX_PX:
        alike = _cell_likeness(picture, board, board_map, inside) > likeness
        return int(alike.sum()), len(inside)
    fits = fit_points(picture, board, board_map, centres[inside], blur_cov, window_squares=bits_only, steps=0, reach_px=1.0)
    return int(((fits.correlation > likeness) & (fits.inside > WHOLE)).sum()), len(inside)


def _cell_likeness(picture: Photograph, board: Board, board_map: BoardMap, markers: NDArray[np.int64]) -> Array:
    """Correlation of the grey of each marker's inner cells with what they should be, shape (markers,); -1 for one cut off."""
    bits = np.array([board.marker_bits()[i][1:-1, 1:-1] for i in markers], dtype=float)
    n, c = len(bits), bits.shape[1]
    ticks = (1.0 + np.arange(c)[:, None] + 0.5 + np.linspace(-0.25, 0.25, CELL_SAMPLES)[None, :]).ravel() / (c + 2)
    right, down = np.meshgrid(ticks, ticks)
    first, along, _, across = np.moveaxis(board.marker_corners_mm()[markers], 1, 0)
    points = first[:, None] + right.reshape(-1, 1) * (along - first)[:, None] + down.reshape(-1, 1) * (across - first)[:, None]
    px = board_map.project(points.reshape(-1, 3))
    seen = inside_photo(px, picture.shape[1], picture.shape[0]).reshape(n, -1).mean(axis=1) > WHOLE
    x, y = np.nan_to_num(px, nan=-1.0).astype(np.float32).T
    side = c * CELL_SAMPLES
    grey = cv2.remap(picture, x.reshape(-1, side), y.reshape(-1, side), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    cell = np.asarray(grey, dtype=float).reshape(n, c, CELL_SAMPLES, c, CELL_SAMPLES).mean(axis=(2, 4)).reshape(n, -1)
    return np.where(seen, _correlation(cell, bits.reshape(n, -1)), -1.0)


def _correlation(a: Array, b: Array) -> Array:
    """Of rows with rows."""
    a, b = (rows - rows.mean(axis=1, keepdims=True) for rows in (a, b))
    scale = np.linalg.norm(a, axis=1) * np.linalg.norm(b, axis=1)
    return np.asarray((a * b).sum(axis=1) / np.maximum(scale, 1e-9))
