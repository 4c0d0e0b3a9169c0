"""What counts as seen: which corners look as they should, and when a board as a whole is refused."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from vision.bend import bending
from vision.boardmap import BoardMap
from vision.boards import Board
from vision.confirming import confirmed_markers
from vision.corners import Fits
from vision.frames import Array
from vision.sightings import Sighting
from vision.smear import MOST_PX, shear_sigma_px, smear_px
from vision.template import PIXEL_VARIANCE, Photograph

NEED_CORNERS = 6
NEED_MARKERS = 2
SMOOTH_CORNERS = 12
CUBIC_CORNERS = 30
"""Corners from which a smooth departure from the map (lens, bending) is told from single wrong corners."""
HELD_FREEDOM = 8.0
"""Degrees of freedom with which the stated covariance of the corners is believed against their scatter."""
PRINT_LEFT = 0.05
"""Share of a print error that a corner does not show, or shows otherwise from photo to photo: neighbours' edges reach into its
cell, and the map gives way a little. Measured on renders, 0.04 to 0.05 with and without a lens profile."""
LEAST_FACTOR, FACTOR_STEPS = float(np.log(0.05)), 16
"""Logarithm of the smallest variance factor, and steps in which the likeliest one is looked for."""


@dataclass(frozen=True, slots=True)
class Settings:
    """Limits of the guided look.

    Attributes
    ----------
    marker_sigma_px : float
        How well the corners of a decoded marker are known (k = 1).
    predicted_sigma_px : float
        How well a pose handed over from other photos predicts corners (k = 1).
    least_contrast : float
        Grey levels between white and black; also at least `least_contrast_share` of the board's median.
    least_correlation : float
    worst_quarter : float
        Largest RMS misfit of a quarter of a corner's window over the contrast, beside the noise.
    residual_px : float
        A corner may be off its map by 3 sigma and this.
    least_side_px : float
        Shortest projected side of a square.
    largest_tilt_deg : float
    largest_blur : float
        Blur (sigma) over the shortest projected side of a square.
    floor_px : float
        Smallest standard deviation claimed for a corner.
    marker_likeness : float
        Correlation from which a predicted marker counts as confirmed.
    """

    marker_sigma_px: float = 0.4
    predicted_sigma_px: float = 3.0
    least_contrast: float = 10.0
    least_contrast_share: float = 0.25
    least_correlation: float = 0.75
    worst_quarter: float = 0.17
    residual_px: float = 0.3
    least_side_px: float = 5.0
    largest_tilt_deg: float = 80.0
    largest_blur: float = 0.25
    floor_px: float = 0.002
    marker_likeness: float = 0.6


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """Where a look stands: map, blur covariance, corners tried, their fits, which are accepted and which were likely."""

    board_map: BoardMap
    blur: Array
    ids: NDArray[np.int64]
    fits: Fits
    good: NDArray[np.bool_]
    likely: NDArray[np.bool_]


class Refused(Exception):  # noqa: N818 - not an error: the look ends early with a reason
    """Why a board is not accepted, in words."""


def likely_corners(fits: Fits, noise: float, settings: Settings) -> NDArray[np.bool_]:
    """Corners that look as they should, shape (n,)."""
    alike = (fits.correlation > settings.least_correlation) & (fits.inside > 0.7)
    typical = float(np.median(fits.contrast[alike])) if alike.any() else 0.0
    enough = max(settings.least_contrast, settings.least_contrast_share * typical)
    calm = fits.worst_quarter < np.hypot(settings.worst_quarter, 1.3 * noise / np.maximum(fits.contrast, 1.0))
    return np.asarray(alike & calm & (fits.contrast > enough))


def isolated_gap(points_mm: Array, gap_px: Array, good: NDArray[np.bool_]) -> tuple[Array, int]:
    """Where every corner lies against where its neighbours put it, shape (n, 2), px, and how many numbers that took.

    A lens that is not quite the profile's, or a slightly bent face, moves all corners smoothly off their map and makes none of
    them wrong: with twelve good corners or more a quadratic of the position is taken out first, with thirty a cubic.
    """
    count = int(good.sum())
    if count < SMOOTH_CORNERS:
        return gap_px, 8
    xy = points_mm[:, :2] - points_mm[good, :2].mean(axis=0)
    x, y = (xy / max(float(np.abs(xy).max()), 1e-9)).T
    order = 3 if count >= CUBIC_CORNERS else 2
    terms = np.column_stack([x**i * y**j for i in range(order + 1) for j in range(order + 1 - i)])
    weight = good.astype(float)
    rest = gap_px
    for _ in range(5):
        root = np.sqrt(weight)[:, None]
        rest = gap_px - terms @ np.linalg.lstsq(terms * root, gap_px * root, rcond=None)[0]
        far = np.linalg.norm(rest, axis=1)
        scale = max(float(np.median(far[good])), 0.02)
        weight = good / np.maximum(1.0, (far / (2.0 * scale)) ** 2)
    return rest, 2 * terms.shape[1]


def sighting_of(picture: Photograph, board: Board, state: State, markers_read: int, settings: Settings) -> Sighting:
    """The sighting a settled look ends in.

    Raises
    ------
    Refused
        Too blurred, moved, too oblique, bent, too few corners, pattern not confirmed.
    """
    points = board.corners_mm()[state.ids]
    side = side_px(board, state.board_map, points)
    blur_px = float(np.sqrt(max(np.trace(state.blur) / 2 - PIXEL_VARIANCE, 0.0)))
    if blur_px > settings.largest_blur * side:
        raise Refused(f"too blurred: {blur_px:.1f} px, with squares {side:.0f} px wide")
    smear = smear_px(state.blur)
    if smear > MOST_PX:
        raise Refused(f"moved during the exposure: smeared over {smear:.0f} px; hold still or give more light")
    tilt = state.board_map.tilt_deg()
    if tilt > settings.largest_tilt_deg:
        raise Refused(f"too oblique: seen {tilt:.0f} degrees off its normal")
    cov = state.fits.cov_px + np.eye(2) * settings.floor_px**2
    good, kept = state.good, state.ids[state.good]
    _refuse_bent(board, state, points, cov, side)
    if good.sum() < NEED_CORNERS:
        raise Refused(too_few(int(good.sum()), "can be made out"))
    if len(set(kept % board.corner_columns)) < 2 or len(set(kept // board.corner_columns)) < 2:
        raise Refused("only one line of corners can be made out")
    if board.is_charuco:
        _refuse_unconfirmed(picture, board, state, markers_read, settings)
    gap = state.fits.px[good] - state.board_map.project(points[good])
    used = 8
    if not state.board_map.rigid:  # the few distortion terms of the map miss the lens by more than the corners scatter
        gap, used = isolated_gap(points[good], gap, np.ones(len(gap), dtype=bool))
    printed = printed_cov_px(board, state.board_map, points[good])
    as_noise = cov[good] * _variance_factor(gap, cov[good], np.zeros_like(printed), used)
    cov = cov[good] * _variance_factor(gap, cov[good], printed, used) + PRINT_LEFT**2 * printed
    excess = max(1.0, float(np.einsum("nii->", as_noise) / np.einsum("nii->", cov)))
    cov = cov + np.eye(2) * shear_sigma_px(smear, state.fits.px[good], len(picture)) ** 2
    return Sighting(board.name, kept, state.fits.px[good], cov, markers_read, blur_px, excess)


def printed_cov_px(board: Board, board_map: BoardMap, points_mm: Array) -> Array:
    """Covariance (n, 2, 2), px², of where corners were printed about the scaled pattern."""
    d_xy = board_map.jacobian(points_mm)[0]
    return np.asarray((board.print_pm_mm / 2) ** 2 * (d_xy @ np.swapaxes(d_xy, 1, 2)), dtype=float)


def side_px(board: Board, board_map: BoardMap, points_mm: Array) -> float:
    """Median of the shorter projected side of a square, px."""
    d_xy = board_map.jacobian(points_mm)[0] * board.square_mm
    return float(np.median(np.linalg.norm(d_xy, axis=1).min(axis=1)))


def _refuse_bent(board: Board, state: State, points: Array, cov: Array, side: float) -> None:
    good = state.good
    gap = np.linalg.norm(state.fits.px - state.board_map.project(points), axis=1)
    if state.board_map.rigid:
        found = bending(state.board_map, board, points[good], state.fits.px[good], cov[good])
        allowed = 2.0 * board.flatness_pm_mm
        if found.departure_mm - 3.0 * found.sigma_mm > allowed:
            raise Refused(f"bent: its face departs by {found.departure_mm:.1f} mm from a plane, {allowed:.1f} mm allowed")
    # without a lens profile the map's few distortion terms may miss a wide lens by some pixels
    most = max(0.6, 0.03 * side) if state.board_map.rigid else max(2.0, 0.06 * side)
    if good.sum() < 0.6 * state.likely.sum() or np.sqrt(np.mean(gap[good] ** 2)) > most:
        raise Refused("bent, or the lens is not the profile's: the corners do not lie on one plane")


def _refuse_unconfirmed(picture: Photograph, board: Board, state: State, markers_read: int, settings: Settings) -> None:
    """A board counts when two markers look as they should; one that was only predicted, when half of its markers do."""
    confirmed, visible = confirmed_markers(picture, board, state.board_map, state.blur, settings.marker_likeness)
    needed = NEED_MARKERS if markers_read > 0 else max(NEED_MARKERS, (visible + 1) // 2)
    if confirmed < needed:
        raise Refused(f"its pattern is not confirmed: {confirmed} markers alike, {needed} needed")


def too_few(seen: int, how: str) -> str:
    return f"too few corners: {seen} {how}, {NEED_CORNERS} needed"


def _variance_factor(gap: Array, cov: Array, printed: Array, used: int) -> float:
    """Scatter of the corners about their smooth map over the scatter their own covariance predicts.

    The window's misfit is partly pattern (mosaic, sharpening, compression), not noise that moves corners; lens and flatness
    move corners without a misfit. The corners' own scatter knows both; few know it badly, so it is held towards 1. Where
    a corner was printed (`printed`, its covariance) is the same in all photos: no noise, and not to be called so here. So the
    factor s is the likeliest one of gaps with covariance ``s cov + printed``; `used` numbers of the map were fitted to them.
    """
    freedom = max(2 * len(gap) - used, 0)
    root = np.linalg.cholesky(cov)
    white = np.linalg.solve(root, gap[..., None])
    beside, axes = np.linalg.eigh(np.linalg.solve(root, np.swapaxes(np.linalg.solve(root, printed), 1, 2)))
    beside, square = np.maximum(beside, 0.0).ravel(), ((np.swapaxes(axes, 1, 2) @ white) ** 2).ravel()

    def unlikely(log_s: float) -> float:
        s = np.exp(log_s)
        fit = freedom / len(square) * np.log(s + beside).sum() + (square / (s + beside)).sum()
        return float(fit + HELD_FREEDOM * (log_s + 1.0 / s))

    # Without print errors the minimum is (square sum + held) / (freedom + held); with them it lies below.
    highest = np.log((square.sum() + HELD_FREEDOM) / (freedom + HELD_FREEDOM))
    if not beside.any():
        return float(np.exp(highest))
    steps = np.linspace(LEAST_FACTOR, max(highest, LEAST_FACTOR + 1.0), FACTOR_STEPS)
    costs = np.array([unlikely(step) for step in steps])
    at, width = steps[int(np.argmin(costs))], steps[1] - steps[0]
    best = minimize_scalar(unlikely, bounds=(at - width, at + width), method="bounded", options={"xatol": 1e-4})
    return float(np.exp(best.x))
