"""The Cramer-Rao bound of a board's pose and of its corners, from the pixels themselves.

Image model of a pixel: gain times the blurred pattern, plus brightness that slopes along x and y; white noise of known sigma
beside rounding. Unknown: what is asked for (a pose, or one corner's shift), gain, brightness, two slopes, and the blur's
covariance (xx, xy, yy; heat equation: dI/dC = half the second derivatives). The bound is the inverse of the Fisher information
with the nuisances eliminated (Kay 1993, "Estimation Theory", chapter 3).
"""

from __future__ import annotations

import numpy as np

from tests.support.fine_board import Drawn, View
from vision.frames import Array

ROUNDING_VARIANCE = 1.0 / 12.0


def pose_information(view: View, drawn: Drawn, contrast: float, noise: float, inside: Array | None = None) -> Array:
    """Information (6, 6) about the pose step of `View.project`, light and blur eliminated.

    Parameters
    ----------
    inside : ndarray of bool, shape (height, width), optional
        Pixels that may be used; default all.
    """
    y, x = np.nonzero(np.ones_like(drawn.light, dtype=bool) if inside is None else inside)
    board = np.column_stack([*view.board_mm(x.astype(float), y.astype(float)), np.zeros(len(x))])
    slope = np.column_stack([part[y, x] for part in drawn.first]) * contrast
    wanted = -np.einsum("ni,nik->nk", slope, view.d_px(board))
    return _information(wanted, drawn, contrast, noise, (y, x))


def corner_information(view: View, drawn: Drawn, corner_mm: Array, half_squares: float, contrast: float, noise: float) -> Array:
    """Information (2, 2) about the shift of one corner's window, light and blur of this window eliminated."""
    inside = window(view, drawn, corner_mm, half_squares)
    y, x = np.nonzero(inside)
    wanted = -np.column_stack([part[y, x] for part in drawn.first]) * contrast
    return _information(wanted, drawn, contrast, noise, (y, x))


def window(view: View, drawn: Drawn, corner_mm: Array, half_squares: float) -> Array:
    """Pixels of a square of the board about a corner, bool (height, width)."""
    h, w = drawn.light.shape
    gx, gy = np.meshgrid(np.arange(w, dtype=float), np.arange(h, dtype=float))
    x, y = view.board_mm(gx, gy)
    far = half_squares * view.board.square_mm
    return np.asarray((np.abs(x - corner_mm[0]) < far) & (np.abs(y - corner_mm[1]) < far))


def _information(wanted: Array, drawn: Drawn, contrast: float, noise: float, at: tuple[Array, Array]) -> Array:
    y, x = at
    xx, xy, yy = (part[y, x] * contrast for part in drawn.second)
    light = [drawn.light[y, x], np.ones(len(y)), x - x.mean(), y - y.mean()]
    nuisance = np.column_stack([*light, xx / 2, xy, yy / 2])
    nuisance = nuisance / np.maximum(np.linalg.norm(nuisance, axis=0), 1e-12)
    rest = wanted - nuisance @ np.linalg.lstsq(nuisance, wanted, rcond=None)[0]
    return np.asarray(rest.T @ rest / (noise**2 + ROUNDING_VARIANCE), dtype=float)
