"""Sub-pixel corners by registration: the drawn pattern is shifted until it fits the photo, corner by corner, all at once.

OpenCV's `cornerSubPix` is off by 0.2 to 0.3 px where its window holds marker edges; here the marker is part of the model. Per
corner a Gauss-Newton step solves for shift, contrast, brightness and its slope (Baker and Matthews 2004).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.boardmap import BoardMap
from vision.boards import Board
from vision.frames import Array
from vision.template import Patches, draw_patches

WINDOW_SQUARES = 0.56
"""Half-width of the window on the board, in squares."""
HALF_MAX_PX = 22
HALF_MIN_PX = 5


@dataclass(frozen=True, slots=True, eq=False)
class Fits:
    """Fitted points of one board.

    Attributes
    ----------
    px : ndarray, shape (n, 2)
    cov_px : ndarray, shape (n, 2, 2)
        Covariance from image gradient and residual, px².
    contrast : ndarray, shape (n,)
        White minus black, grey levels; negative where the pattern is inverted.
    correlation : ndarray, shape (n,)
        Share of the window's variation that the model explains, as a correlation coefficient.
    worst_quarter : ndarray, shape (n,)
        Largest RMS misfit of a quarter of the window, over the contrast.
    inside : ndarray, shape (n,)
        Share of the window that lies in the photo.
    blur_step : ndarray, shape (3,)
        Change of the blur's covariance (xx, xy, yy), px², that would lessen the residual of all points together.
    """

    px: Array
    cov_px: Array
    contrast: Array
    correlation: Array
    worst_quarter: Array
    inside: Array
    blur_step: Array


def window_half_px(board: Board, board_map: BoardMap, points_mm: Array, squares: float) -> int:
    """Half-size of the square of pixels that holds the window of all points."""
    d_xy = board_map.jacobian(points_mm)[0] * board.square_mm * squares
    reach = np.abs(d_xy).sum(axis=2).max()
    return int(np.clip(np.ceil(reach), HALF_MIN_PX, HALF_MAX_PX))


def fit_points(
    gray: np.ndarray,
    board: Board,
    board_map: BoardMap,
    points_mm: Array,
    blur_cov: Array,
    *,
    window_squares: float = WINDOW_SQUARES,
    steps: int = 4,
    reach_px: float = 3.0,
) -> Fits:
    """Fit the drawn pattern around each board point to the photo.

    Parameters
    ----------
    gray : ndarray of float32, shape (height, width)
    points_mm : ndarray, shape (n, 2 or 3)
    blur_cov : ndarray, shape (2, 2)
    window_squares : float
        Half-width of the window in squares.
    steps : int
        Gauss-Newton steps; 0 only compares.
    reach_px : float
        Largest shift from the predicted place.
    """
    half = window_half_px(board, board_map, points_mm, window_squares)
    margin = int(np.ceil(reach_px)) + 1
    drawn = draw_patches(board, board_map, points_mm, half, blur_cov, margin_px=margin)
    image, inside = _cut(gray, drawn)
    weight = _window(drawn, window_squares) * inside
    shift = np.zeros((len(points_mm), 2))
    solution = _solve(image, weight, drawn, shift)
    for _ in range(steps):
        shift = shift + np.clip(solution.step, -1.5, 1.5)
        shift = np.clip(shift, -reach_px, reach_px)
        solution = _solve(image, weight, drawn, shift)
    return _judge(image, weight, drawn, solution, board_map.project(points_mm) + shift, inside)


@dataclass(frozen=True, slots=True, eq=False)
class _Solution:
    step: Array
    contrast: Array
    residual: Array
    model: Array
    inverse: Array
    gradient: Array
    basis: Array


def _window(drawn: Patches, squares: float) -> Array:
    """Weights (n, p, p): 1 inside the window on the board, falling to 0 over a tenth of a square."""
    far = np.abs(drawn.offset_squares).max(axis=3)
    return np.asarray(np.clip((squares + 0.05 - far) / 0.1, 0.0, 1.0))


def _cut(gray: np.ndarray, drawn: Patches) -> tuple[Array, Array]:
    """Photo patches (n, p, p) and whether each pixel lies in the photo."""
    span = np.arange(-drawn.half_px, drawn.half_px + 1)
    rows = drawn.origin_px[:, 1, None] + span
    columns = drawn.origin_px[:, 0, None] + span
    ok = ((rows >= 0) & (rows < gray.shape[0]))[:, :, None] & ((columns >= 0) & (columns < gray.shape[1]))[:, None, :]
    rows, columns = np.clip(rows, 0, gray.shape[0] - 1), np.clip(columns, 0, gray.shape[1] - 1)
    return gray[rows[:, :, None], columns[:, None, :]].astype(float), ok.astype(float)


def _sampled(picture: np.ndarray, drawn: Patches, shift: Array) -> Array:
    """The drawn patches, shifted by `shift` px, at the pixels of the patch; shape (n, p, p)."""
    n, m, _ = picture.shape
    p = 2 * drawn.half_px + 1
    base = (np.arange(p) + drawn.margin_px + 0.5) * drawn.fine - 0.5
    x = base[None, None, :] - shift[:, 0, None, None] * drawn.fine
    y = base[None, :, None] - shift[:, 1, None, None] * drawn.fine
    y = np.clip(y, 0, m - 1.001) + (np.arange(n) * m)[:, None, None]
    x, y = np.broadcast_to(x, (n, p, p)), np.broadcast_to(y, (n, p, p))
    out = cv2.remap(
        picture.reshape(n * m, m),
        np.ascontiguousarray(x, dtype=np.float32).reshape(n * p, p),
        np.ascontiguousarray(y, dtype=np.float32).reshape(n * p, p),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(out, dtype=float).reshape(n, p, p)


def _solve(image: Array, weight: Array, drawn: Patches, shift: Array) -> _Solution:
    """Contrast, brightness with slope, and the next step of the shift, by weighted least squares for every patch."""
    n, p, _ = image.shape
    eps = 0.5
    ex, ey = np.array([eps, 0.0]), np.array([0.0, eps])
    model = _sampled(drawn.picture, drawn, shift)
    gx = (_sampled(drawn.picture, drawn, shift - ex) - _sampled(drawn.picture, drawn, shift + ex)) / (2 * eps)
    gy = (_sampled(drawn.picture, drawn, shift - ey) - _sampled(drawn.picture, drawn, shift + ey)) / (2 * eps)
    ramp = np.linspace(-1.0, 1.0, p)
    flat = np.ones((n, p, p))
    rx, ry = flat * ramp[None, None, :], flat * ramp[None, :, None]
    basis = np.stack([model, flat, rx, ry, -gx, -gy], axis=-1).reshape(n, p * p, 6)
    weighted = basis * weight.reshape(n, -1, 1)
    normal = weighted.transpose(0, 2, 1) @ basis + np.eye(6) * 1e-9
    right = np.einsum("npk,np->nk", weighted, image.reshape(n, -1))
    inverse = np.asarray(np.linalg.inv(normal), dtype=float)
    x = np.einsum("nij,nj->ni", inverse, right)
    contrast = x[:, 0]
    safe = np.where(np.abs(contrast) < 1.0, np.copysign(1.0, contrast), contrast)
    residual = image - np.einsum("npk,nk->np", basis, x).reshape(n, p, p)
    return _Solution(x[:, 4:] / safe[:, None], contrast, residual, model, inverse, np.stack([gx, gy], axis=-1), basis)


def _judge(image: Array, weight: Array, drawn: Patches, s: _Solution, px: Array, inside: Array) -> Fits:
    total = np.maximum(weight.sum(axis=(1, 2)), 1e-9)
    square = (weight * s.residual**2).sum(axis=(1, 2))
    freedom = np.maximum(total - 6.0, 1.0)
    contrast = np.maximum(np.abs(s.contrast), 1e-6)
    cov = s.inverse[:, 4:, 4:] * (square / freedom / contrast**2)[:, None, None]
    mean = (weight * image).sum(axis=(1, 2)) / total
    variation = (weight * (image - mean[:, None, None]) ** 2).sum(axis=(1, 2))
    correlation = np.sqrt(np.clip(1.0 - square / np.maximum(variation, 1e-9), 0.0, 1.0)) * np.sign(s.contrast)
    share = (weight * inside).sum(axis=(1, 2)) / np.maximum(_window(drawn, WINDOW_SQUARES).sum(axis=(1, 2)), 1e-9)
    return Fits(px, cov, s.contrast, correlation, _worst_quarter(weight, drawn, s) / contrast, share, _blur_step(weight, s))


def _worst_quarter(weight: Array, drawn: Patches, s: _Solution) -> Array:
    """Largest RMS residual of the four quarters of each window, grey levels."""
    positive = drawn.offset_squares > 0
    worst = np.zeros(len(weight))
    for right in (False, True):
        for low in (False, True):
            part = weight * ((positive[..., 0] == right) & (positive[..., 1] == low))
            total = np.maximum(part.sum(axis=(1, 2)), 1e-9)
            worst = np.maximum(worst, np.sqrt((part * s.residual**2).sum(axis=(1, 2)) / total))
    return worst


def _blur_step(weight: Array, s: _Solution) -> Array:
    """Pooled least squares of the residual on the second derivatives of the drawn pattern (heat equation: dT/dC = T''/2)."""
    gx, gy = s.gradient[..., 0], s.gradient[..., 1]
    xx, xy = np.gradient(gx, axis=2), np.gradient(gx, axis=1)
    yy = np.gradient(gy, axis=1)
    n = len(weight)
    basis = (np.stack([xx / 2, xy, yy / 2], axis=-1) * s.contrast[:, None, None, None]).reshape(n, -1, 3)
    w = weight.reshape(n, -1)
    # what contrast, brightness, slope and shift can explain is taken out first (Frisch and Waugh)
    own = np.einsum("nij,npj,np,npk->nik", s.inverse, s.basis, w, basis)
    basis = basis - s.basis @ own
    good = (s.contrast > 5.0)[:, None] * w
    normal = np.einsum("npj,np,npk->jk", basis, good, basis)
    right = np.einsum("npj,np,np->j", basis, good, s.residual.reshape(n, -1))
    return np.asarray(np.linalg.solve(normal + np.eye(3) * 1e-6 * max(float(np.trace(normal)), 1e-6), right))
