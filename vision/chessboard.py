"""Plain chessboards (lens calibration only): OpenCV finds the grid, the guided look measures the corners."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.boardmap import fit_map
from vision.boards import Board
from vision.camera import Camera
from vision.frames import Array
from vision.guided import Start, look_at
from vision.judging import Settings
from vision.sightings import Refusal, Sighting
from vision.template import Picture

GRID_SIGMA_PX = 0.5


def look_for_chessboard(
    gray: NDArray[np.uint8], picture: Picture, board: Board, camera: Camera | None, noise: float, settings: Settings
) -> Sighting | Refusal | None:
    """The corners of a plain chessboard wholly in the photo; None when there is none.

    Notes
    -----
    The square outside the first corner is taken as black. That tells a board with an odd number of squares on one side and
    an even number on the other from its half turn; with any other, which end is first does not matter to a lens.
    """
    px = _grid(gray, board)
    if px is None:
        return None
    points = board.corners_mm()
    cov = np.tile(np.eye(2) * GRID_SIGMA_PX**2, (len(px), 1, 1))
    outcomes: list[Sighting | Refusal] = []
    for seen, shown in ((px, picture), (px[::-1], picture), (px, np.float32(255.0) - picture)):
        start = fit_map(board, points, seen, cov, camera, (gray.shape[1], gray.shape[0]))
        if start is None:
            continue
        outcome = look_at(shown, board, Start(start, points, seen, 0), noise, settings)
        if isinstance(outcome, Sighting):
            return outcome
        outcomes.append(outcome)
    return outcomes[0] if outcomes else Refusal(board.name, "the corners do not lie on one plane")


def _grid(gray: NDArray[np.uint8], board: Board) -> Array | None:
    """All corners in the board's order, shape (n, 2), px, to about half a pixel; None when the grid is not found."""
    size = (board.columns, board.rows)
    done, corners = cv2.findChessboardCornersSB(gray, size, flags=cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_EXHAUSTIVE)
    if not done:
        flags = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_FAST_CHECK
        done, corners = cv2.findChessboardCorners(gray, size, flags=flags)
    if not done:
        return None
    px = np.asarray(corners, dtype=float).reshape(board.rows, board.columns, 2)
    along, down = px[0, -1] - px[0, 0], px[-1, 0] - px[0, 0]
    if along[0] * down[1] - along[1] * down[0] < 0:  # numbered as in a mirror: a board seen from the front is not
        px = px[:, ::-1]
    return np.ascontiguousarray(px.reshape(-1, 2))
