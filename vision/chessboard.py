"""Plain chessboards in lens photos: they have no ids, so all inner corners must be in the picture.

Photos of chessboards that people already own are often of hand-held paper in uneven light: a saddle-point fit in a small
window at each corner copes with that, where a model of the whole printed pattern drops corners.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.boards import Board
from vision.frames import Array
from vision.sightings import Refusal, Sighting

SEARCH_SIDE_PX = 1600
"""The search runs in a picture no larger than this; corners are refined in the full one."""
WINDOW_SHARE = 0.22
"""Half window of the refinement over the shortest side of a square: a window that reaches the next corner is a fault."""
WINDOW_PX = (2, 20)
MOST_MOVE = 0.35
"""A corner that the refinement moves by more than this part of a square went to something else."""
LEAST_SIDE_PX = 8.0
FLOOR_PX = 0.03
SMOOTH_DEGREE = 4


def find_chessboard(gray: NDArray[np.uint8], board: Board) -> Sighting | Refusal:
    """All inner corners of a plain chessboard, or why there is none.

    The covariance comes from how far the corners scatter about a smooth surface through them.
    """
    rough = _search(gray, (board.columns, board.rows))
    if rough is None:
        return Refusal(board.name, f"no chessboard with {board.columns} x {board.rows} inner corners seen whole")
    grid = _seen_from_the_front(rough.reshape(board.rows, board.columns, 2))
    side = _shortest_side(grid)
    if side < LEAST_SIDE_PX:
        return Refusal(board.name, f"too small: squares are {side:.0f} px wide, {LEAST_SIDE_PX:.0f} needed")
    px = _refined(gray, grid.reshape(-1, 2), side)
    if float(np.linalg.norm(px - grid.reshape(-1, 2), axis=1).max()) > MOST_MOVE * side:
        return Refusal(board.name, "corners are not clear: too blurred, or hidden in part")
    sigma = max(_scatter(board, px), FLOOR_PX)
    cov = np.tile(np.eye(2) * sigma**2, (len(px), 1, 1))
    return Sighting(board.name, np.arange(len(px)), px, cov)


def _search(gray: NDArray[np.uint8], size: tuple[int, int]) -> Array | None:
    shrink = min(1.0, SEARCH_SIDE_PX / max(gray.shape))
    small = cv2.resize(gray, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA) if shrink < 1.0 else gray
    flags = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE
    found, corners = cv2.findChessboardCorners(small, size, flags=flags | cv2.CALIB_CB_FAST_CHECK)
    if not found:
        found, corners = cv2.findChessboardCornersSB(small, size, flags=cv2.CALIB_CB_NORMALIZE_IMAGE)
    if not found:
        return None
    # Pixel (0, 0) is the centre of the first pixel in both pictures.
    return np.asarray((np.asarray(corners, dtype=float).reshape(-1, 2) + 0.5) / shrink - 0.5)


def _seen_from_the_front(grid: Array) -> Array:
    """Rows and columns such that x to y turns clockwise in the picture: a printed face has no other side."""
    along, down = grid[0, -1] - grid[0, 0], grid[-1, 0] - grid[0, 0]
    turns = along[0] * down[1] - along[1] * down[0]
    return grid if turns > 0 else grid[:, ::-1]


def _shortest_side(grid: Array) -> float:
    sides = (np.linalg.norm(np.diff(grid, axis=axis), axis=2) for axis in (0, 1))
    return float(min(side.min() for side in sides))


def _refined(gray: NDArray[np.uint8], px: Array, side: float) -> Array:
    half = int(np.clip(round(WINDOW_SHARE * side), *WINDOW_PX))
    criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 60, 1e-4)
    start = px.astype(np.float32).reshape(-1, 1, 2)
    out = cv2.cornerSubPix(gray, start, (half, half), (-1, -1), criteria)
    return np.asarray(out, dtype=float).reshape(-1, 2)


def _scatter(board: Board, px: Array) -> float:
    """Standard deviation of the corners about a smooth surface: perspective as a homography, the lens as a polynomial."""
    flat = board.corners_mm()[:, :2]
    h = np.asarray(cv2.findHomography(flat, px, 0)[0], dtype=float)
    mapped = np.column_stack([flat, np.ones(len(flat))]) @ h.T
    left = px - mapped[:, :2] / mapped[:, 2:]
    u, v = (2.0 * flat / flat.max(axis=0) - 1.0).T
    degree = SMOOTH_DEGREE if len(px) >= 40 else 2
    shapes = np.column_stack([u**i * v**j for i in range(degree + 1) for j in range(degree + 1 - i)])
    rest = left - shapes @ np.linalg.lstsq(shapes, left, rcond=None)[0]
    return float(np.sqrt(np.sum(rest**2) / max(1, 2 * (len(px) - shapes.shape[1]))))
