"""A predicted board is looked for a few pixels around: all its corners vote for one common shift."""

from __future__ import annotations

import cv2
import numpy as np

from vision.boardmap import BoardMap, refit_map
from vision.boards import Board
from vision.corners import WINDOW_SQUARES, sampled_patches, window_half_px
from vision.frames import Array
from vision.template import Photograph, draw_patches

LEAST_VOTE = 0.45
"""Mean correlation of all corners' windows at the common shift."""
AFTER_SIGMA_PX = 0.7
"""How well the shifted map predicts corners (k = 1)."""
NEED_CORNERS = 6


def shifted_to_photo(
    picture: Photograph, board: Board, board_map: BoardMap, points_mm: Array, blur_cov: Array, sigma_px: float
) -> BoardMap | None:
    """The map, moved by the common shift within 3 sigma at which the corners' windows look most like the pattern.

    Parameters
    ----------
    picture : ndarray of uint8 or float32, shape (height, width)
    points_mm : ndarray, shape (n, 2 or 3)
        Corners predicted in the photo.

    Returns
    -------
    BoardMap or None
        None when nothing there looks like the board.
    """
    half = window_half_px(board, board_map, points_mm, WINDOW_SQUARES)
    drawn = draw_patches(board, board_map, points_mm, half, blur_cov, margin_px=1)
    templates = sampled_patches(drawn)
    reach = int(np.ceil(3.0 * sigma_px))
    votes = np.zeros((2 * reach + 1, 2 * reach + 1))
    voters = 0
    for (x, y), template in zip(drawn.origin_px, templates, strict=True):
        far = half + reach
        window = picture[max(y - far, 0) : y + far + 1, max(x - far, 0) : x + far + 1]
        if window.shape != (2 * far + 1, 2 * far + 1):
            continue  # too near the photo's rim
        votes += np.nan_to_num(
            cv2.matchTemplate(np.ascontiguousarray(window, dtype=np.float32), template, cv2.TM_CCOEFF_NORMED),
            posinf=0,
            neginf=0,
        )
        voters += 1
    if voters < NEED_CORNERS or votes.max() / voters < LEAST_VOTE:
        return None
    row, column = np.unravel_index(int(np.argmax(votes)), votes.shape)
    shift = np.array([column - reach, row - reach], dtype=float)
    px = board_map.project(points_mm) + shift
    return refit_map(board_map, points_mm, px, np.tile(np.eye(2) * AFTER_SIGMA_PX**2, (len(px), 1, 1)))
