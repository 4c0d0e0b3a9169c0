"""Sub-pixel corners by registration: the drawn pattern is shifted until it fits the photo, corner by corner, all at once.

OpenCV's `cornerSubPix` is off by 0.2 to 0.3 px where its window holds marker edges; here the marker is part of the model. Per
corner a Gauss-Newton step solves for shift, contrast, brightness with its slope and, at last, tone (Baker and Matthews 2004).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.boardmap import BoardMap
from vision.boards import Board
from vision.frames import Array
from vision.template import Patches, Photograph, Picture, draw_patches

WINDOW_SQUARES = 0.56
"""Half-width of a corner's window on the board, in squares."""
HALF_MAX_PX = 20
HALF_MIN_PX = 5
STEP_MAX_PX = 1.5
SHORT_PX = 0.3
LIGHT = 4
"""Unknowns of a window's light: contrast, brightness, two slopes."""
TONES = {False: 0, True: 2}
"""Unknowns of its tone, by `exact`: with them small windows are no longer judged well."""
CHUNK_ROWS = 30000
"""OpenCV's remap takes pictures of at most 32767 rows."""


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
        Correlation coefficient between photo and fitted pattern in the window.
    worst_quarter : ndarray, shape (n,)
        Largest RMS misfit of a quarter of the window, over the contrast.
    inside : ndarray, shape (n,)
        Share of the window that lies in the photo.
    blur_normal, blur_right : ndarray, shape (3, 3) and (3,)
        Normal equations, pooled over the points that fit, of the change of the blur's covariance (xx, xy, yy), px².
    """

    px: Array
    cov_px: Array
    contrast: Array
    correlation: Array
    worst_quarter: Array
    inside: Array
    blur_normal: Array
    blur_right: Array

    def blur_step(self) -> Array:
        """Change of the blur's covariance, shape (2, 2), px², that lessens the residual of all points together."""
        hold = np.eye(3) * (1e-6 * float(np.trace(self.blur_normal)) + 1e-9)
        xx, xy, yy = np.linalg.solve(self.blur_normal + hold, self.blur_right)
        return np.array([[xx, xy], [xy, yy]])


def fit_points(
    gray: Photograph,
    board: Board,
    board_map: BoardMap,
    points_mm: Array,
    blur_cov: Array,
    *,
    window_squares: float | Array = WINDOW_SQUARES,
    steps: int = 3,
    reach_px: float = 3.0,
    half_max_px: int = HALF_MAX_PX,
    exact: bool = False,
) -> Fits:
    """Fit the drawn pattern around each board point to the photo.

    Parameters
    ----------
    gray : ndarray of uint8 or float32, shape (height, width)
    points_mm : ndarray, shape (n, 2 or 3)
        Points that the map projects into the photo.
    blur_cov : ndarray, shape (2, 2)
    window_squares : float or ndarray, shape (n, 2)
        Half-width of the window in squares, of each along x and y.
    steps : int
        Gauss-Newton steps; 0 only compares.
    reach_px : float
        Largest shift from the predicted place.
    half_max_px : int
        Larger windows are cut to this half-width.
    exact : bool
        Draw finer and differentiate over a fraction of a pixel: for the last look. Over two pixels, sharp edges lose much of
        their slope, and with it weight.
    """
    squares = np.broadcast_to(np.asarray(window_squares, dtype=float), (len(points_mm), 2))
    half = window_half_px(board, board_map, points_mm, squares, half_max_px)
    margin = int(np.ceil(reach_px)) + 1
    chunk = max(1, CHUNK_ROWS // (4 * (2 * (half + margin) + 1)))
    parts = []
    for first in range(0, len(points_mm), chunk):
        points = points_mm[first : first + chunk]
        drawn = draw_patches(board, board_map, points, half, blur_cov, margin_px=margin, more_fine=int(exact))
        window = _window(drawn, squares[first : first + chunk])
        parts.append(_fit(gray, drawn, board_map.project(points), window, steps, reach_px, exact))
    columns = {
        name: np.concatenate([getattr(part, name) for part in parts])
        for name in ("px", "cov_px", "contrast", "correlation", "worst_quarter", "inside")
    }
    zero = np.zeros(3)
    normal = sum((part.blur_normal for part in parts), np.zeros((3, 3)))
    return Fits(**columns, blur_normal=normal, blur_right=sum((part.blur_right for part in parts), zero))


def window_half_px(
    board: Board, board_map: BoardMap, points_mm: Array, squares: float | Array, half_max_px: int = HALF_MAX_PX
) -> int:
    """Half-size of the square of pixels that holds the window of every point; `squares` a number or (n, 2)."""
    half = np.broadcast_to(np.asarray(squares, dtype=float), (len(points_mm), 2))
    d_xy = board_map.jacobian(points_mm)[0] * board.square_mm * half[:, None, :]
    reach = np.abs(d_xy).sum(axis=2).max()
    return int(np.clip(np.ceil(reach), HALF_MIN_PX, half_max_px))


def _fit(gray: Photograph, drawn: Patches, predicted: Array, full: Picture, steps: int, reach_px: float, exact: bool) -> Fits:
    image, inside = _cut(gray, drawn)
    weight = full * inside
    shift = np.zeros((len(image), 2))
    solution = _solve(image, weight, drawn, shift, exact)
    for _ in range(steps):
        shift = np.clip(shift + np.clip(solution.step, -STEP_MAX_PX, STEP_MAX_PX), -reach_px, reach_px)
        solution = _solve(image, weight, drawn, shift, exact)
    share = weight.sum(axis=(1, 2)) / np.maximum(full.sum(axis=(1, 2)), 1e-9)
    return _judge(image, weight, drawn, solution, predicted + shift, share)


@dataclass(frozen=True, slots=True, eq=False)
class _Solution:
    """`basis` (n, 7 or 8, p²): pattern, 1, two ramps, tone, minus its two derivatives; `inverse` of its normal matrix.

    Tone is ``T (1 - T)`` and ``T (1 - T) (1 - 2 T)`` of the pattern T: what a camera's tone curve, stray light and spreading
    ink do to blurred edges. Without it, every edge that has no opposite one near by moves towards black, by 0.1 px and more.
    """

    step: Array
    contrast: Array
    residual: Picture
    inverse: Array
    basis: Picture


def _window(drawn: Patches, squares: Array) -> Picture:
    """Weights (n, p, p): 1 inside the window on the board, falling to 0 over a tenth of a square; half-widths (n, 2)."""
    half_x, half_y = squares.T.astype(np.float32)[:, :, None, None]
    x, y = drawn.offset_squares
    beyond = np.maximum(np.abs(x) - half_x, np.abs(y) - half_y)
    return np.asarray(np.clip((0.05 - beyond) / 0.1, 0.0, 1.0), dtype=np.float32)


def _cut(gray: Photograph, drawn: Patches) -> tuple[Picture, Picture]:
    """Photo patches (n, p, p) and whether each pixel lies in the photo."""
    span = np.arange(-drawn.half_px, drawn.half_px + 1)
    rows, columns = (drawn.origin_px[:, k, None] + span for k in (1, 0))
    ok = ((rows >= 0) & (rows < gray.shape[0]))[:, :, None] & ((columns >= 0) & (columns < gray.shape[1]))[:, None, :]
    rows, columns = np.clip(rows, 0, gray.shape[0] - 1), np.clip(columns, 0, gray.shape[1] - 1)
    return np.asarray(gray[rows[:, :, None], columns[:, None, :]], dtype=np.float32), np.asarray(ok, dtype=np.float32)


def sampled_patches(drawn: Patches) -> Picture:
    """The drawn patches at the pixels of the photo, shape (n, p, p)."""
    return _sampled(drawn, np.zeros((len(drawn.picture), 2)), 0)


def _sampled(drawn: Patches, shift: Array, rim: int) -> Picture:
    """The drawn patches, shifted by `shift` px, at the pixels of the patch and `rim` more on every side."""
    n, m, _ = drawn.picture.shape
    p = 2 * (drawn.half_px + rim) + 1
    base = (np.arange(p) - rim + drawn.margin_px + 0.5) * drawn.fine - 0.5
    x = base[None, None, :] - shift[:, 0, None, None] * drawn.fine
    y = base[None, :, None] - shift[:, 1, None, None] * drawn.fine
    y = np.clip(y, 0, m - 1.001) + (np.arange(n) * m)[:, None, None]
    at = np.empty((2, n, p, p), dtype=np.float32)
    at[0], at[1] = x, y
    out = cv2.remap(
        drawn.picture.reshape(n * m, m),
        at[0].reshape(n * p, p),
        at[1].reshape(n * p, p),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(out, dtype=np.float32).reshape(n, p, p)


def _solve(image: Picture, weight: Picture, drawn: Patches, shift: Array, exact: bool) -> _Solution:
    """Contrast, brightness with slope, and the next step of the shift, by weighted least squares for every patch."""
    n, p, _ = image.shape
    wide = _sampled(drawn, shift, 1)
    light = LIGHT + TONES[exact]
    basis = np.empty((n, light + 2, p, p), dtype=np.float32)
    ramp = np.linspace(-1.0, 1.0, p, dtype=np.float32)
    basis[:, 0], basis[:, 1] = wide[:, 1:-1, 1:-1], 1.0
    basis[:, 2], basis[:, 3] = ramp[None, None, :], ramp[None, :, None]
    if exact:
        basis[:, 4] = basis[:, 0] * (1.0 - basis[:, 0])
        basis[:, 5] = basis[:, 4] * (1.0 - 2.0 * basis[:, 0])
        basis[:, 6], basis[:, 7] = (
            (_sampled(drawn, shift + e, 0) - _sampled(drawn, shift - e, 0)) / (2 * SHORT_PX) for e in np.eye(2) * SHORT_PX
        )
    else:
        basis[:, 4] = (wide[:, 1:-1, :-2] - wide[:, 1:-1, 2:]) / 2
        basis[:, 5] = (wide[:, :-2, 1:-1] - wide[:, 2:, 1:-1]) / 2
    flat = basis.reshape(n, light + 2, p * p)
    weighted = flat * weight.reshape(n, 1, -1)
    normal = (weighted @ flat.transpose(0, 2, 1)).astype(float) + np.eye(light + 2) * 1e-6
    right = (weighted @ image.reshape(n, -1, 1)).astype(float)
    inverse = np.asarray(np.linalg.inv(normal), dtype=float)
    x = inverse @ right
    contrast = x[:, 0, 0]
    safe = np.where(np.abs(contrast) < 1.0, np.copysign(1.0, contrast), contrast)
    residual = image - (x.astype(np.float32).transpose(0, 2, 1) @ flat).reshape(n, p, p)
    return _Solution(x[:, light:, 0] / safe[:, None], contrast, residual, inverse, flat)


def _judge(image: Picture, weight: Picture, drawn: Patches, s: _Solution, px: Array, inside: Array) -> Fits:
    total = np.maximum(weight.sum(axis=(1, 2), dtype=float), 1e-9)
    square = (weight * s.residual**2).sum(axis=(1, 2), dtype=float)
    freedom = np.maximum(total - s.basis.shape[1], 1.0)
    contrast = np.maximum(np.abs(s.contrast), 1e-6)
    cov = s.inverse[:, -2:, -2:] * (square / freedom / contrast**2)[:, None, None]
    mean = (weight * image).sum(axis=(1, 2), dtype=float) / total
    variation = (weight * (image - mean[:, None, None]) ** 2).sum(axis=(1, 2), dtype=float)
    correlation = np.sqrt(np.clip(1.0 - square / np.maximum(variation, 1e-9), 0.0, 1.0)) * np.sign(s.contrast)
    normal, right = _blur_equations(weight, s, correlation > 0.6)
    return Fits(px, cov, s.contrast, correlation, _worst_quarter(weight, drawn, s) / contrast, inside, normal, right)


def _worst_quarter(weight: Picture, drawn: Patches, s: _Solution) -> Array:
    """Largest RMS residual of the four quarters of each window, grey levels."""
    x, y = drawn.offset_squares
    quarter = (x > 0) * 2 + (y > 0)
    square = weight * s.residual**2
    worst = np.zeros(len(weight))
    for k in range(4):
        part = quarter == k
        total = np.maximum((weight * part).sum(axis=(1, 2), dtype=float), 1e-9)
        worst = np.maximum(worst, np.sqrt((square * part).sum(axis=(1, 2), dtype=float) / total))
    return worst


def _blur_equations(weight: Picture, s: _Solution, good: np.ndarray) -> tuple[Array, Array]:
    """Pooled normal equations of the residual on the pattern's second derivatives (heat equation: dT/dC = T''/2)."""
    n, p, _ = weight.shape
    gx, gy = (-s.basis[:, k].reshape(n, p, p) for k in (-2, -1))
    xx, xy, yy = (_derivative(g, axis) for g, axis in ((gx, 2), (gx, 1), (gy, 1)))
    basis = np.stack([xx / 2, xy, yy / 2], axis=1).reshape(n, 3, -1) * s.contrast.astype(np.float32)[:, None, None]
    w = (weight * good[:, None, None]).reshape(n, 1, -1)
    # what contrast, brightness, slope and shift can explain is taken out first (Frisch and Waugh 1933)
    own = s.inverse @ ((s.basis * w) @ basis.transpose(0, 2, 1)).astype(float)
    basis = basis - own.astype(np.float32).transpose(0, 2, 1) @ s.basis
    weighted = basis * w
    normal = (weighted @ basis.transpose(0, 2, 1)).astype(float).sum(axis=0)
    right = (weighted @ s.residual.reshape(n, -1, 1)).astype(float).sum(axis=0)[:, 0]
    return normal, right


def _derivative(picture: Picture, axis: int) -> Picture:
    return np.asarray(np.gradient(picture, axis=axis), dtype=np.float32)
