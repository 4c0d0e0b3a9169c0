"""The last look at a board: the whole pattern, shared out among its corners, every pixel to one corner only.

The windows of the guided look reach a little over half a square: they overlap, which ties the errors of neighbours, and leave
the board's outer squares out, whose edges hold much of what is to be known about its turn. Cells share the pattern out: half a
square to each side, up to the printed edge at the outermost corners. Independent noise makes independent corners then.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vision.boardmap import refit_map
from vision.boards import Board
from vision.corners import Fits, fit_points
from vision.frames import Array
from vision.judging import SMOOTH_CORNERS, Settings, State, likely_corners, printed_cov_px, side_px
from vision.template import Photograph

RIM_SQUARES = 0.08
"""How far outermost cells reach over the pattern's edge into the white rim, which is 5 mm wide; words follow."""
HALF_MAX_PX = 32
REACH_PX = 1.5
STEPS = 1
MOST_LOOKS = 4
SETTLED_BLUR = 0.02
"""Relative change of the blur below which the last look has settled: a tone curve makes the windows' blur wrong by a third."""
MOST_STEP = (0.5, 2.0)
"""Of the blur's variance, after a step over before."""
CLEARLY = 4.0
"""Variance ratio from which a smooth misfit is believed: the 99.9 % point of F with 12 and 20 degrees of freedom is near 5."""


def shared_out(picture: Photograph, board: Board, state: State, noise: float, settings: Settings) -> State:
    """The settled state with its good corners measured by their cells; a corner whose cell does not look as it should, because
    something lies on the rim or the photo ends there, keeps its window."""
    ids, good = state.ids[state.good], np.flatnonzero(state.good)
    d_xy = state.board_map.jacobian(board.corners_mm()[ids])[0] * board.square_mm
    middle, half = corner_cells(board, ids, HALF_MAX_PX / float(np.abs(d_xy).sum(axis=2).max()))
    side = side_px(board, state.board_map, middle)
    blur = state.blur
    for _ in range(MOST_LOOKS):
        cells = fit_points(
            picture,
            board,
            state.board_map,
            middle,
            blur,
            window_squares=half,
            steps=STEPS,
            reach_px=REACH_PX,
            half_max_px=HALF_MAX_PX,
            exact=True,
        )
        before, blur = blur, stepped_blur(blur, cells, side)
        if np.abs(blur - before).max() < SETTLED_BLUR * np.trace(before):
            break
    corners, old = board.corners_mm()[ids], state.fits
    at_middle, at_corner = state.board_map.project(middle), state.board_map.project(corners)
    shift, shift_before = cells.px - at_middle, old.px[good] - at_corner
    allowed = 3.0 * np.sqrt(np.trace(cells.cov_px + old.cov_px[good], axis1=1, axis2=2)) + settings.residual_px / 3
    whole = likely_corners(cells, noise, settings) & (np.linalg.norm(shift - shift_before, axis=1) < allowed)
    shift, cov = np.where(whole[:, None], shift, shift_before), np.where(whole[:, None, None], cells.cov_px, old.cov_px[good])
    # A shift belongs to its cell's middle: the map takes it there, only what no map explains is carried over to the corner.
    points = np.where(whole[:, None], middle, corners)
    start = np.where(whole[:, None], at_middle, at_corner)
    # The map shall follow the board, not every corner that was printed beside its place.
    beside = printed_cov_px(board, state.board_map, points)
    refitted = refit_map(state.board_map, points, start + shift, cov + beside + np.eye(2) * settings.floor_px**2)
    if refitted is None:
        return state
    rest = start + shift - refitted.project(points)
    px = refitted.project(corners) + rest + _smooth_change(points, corners, rest)
    return replace(state, board_map=refitted, blur=blur, fits=_with(old, good, px, cov))


def corner_cells(board: Board, ids: NDArray[np.int64], largest: float = np.inf) -> tuple[Array, Array]:
    """Middles (n, 3), mm, and half-sizes (n, 2), squares, of the cells of these corners.

    `largest` is the largest half-size, squares: cells of near boards reach less far over the rim, and keep their corner inside.
    """
    columns, rows = board.corner_columns, board.corner_rows
    place = np.column_stack([ids % columns, ids // columns])
    last = np.array([columns - 1, rows - 1])
    inner = min(0.5, largest)
    outer = min(1.0 + RIM_SQUARES, 2.0 * largest - inner)
    low, high = np.where(place == 0, -outer, -inner), np.where(place == last, outer, inner)
    square = board.square_mm * np.array([board.scale.x, board.scale.y])
    middle = board.corners_mm()[ids].copy()
    middle[:, :2] += (low + high) / 2 * square
    return middle, (high - low) / 2


def stepped_blur(blur: Array, fits: Fits, side: float) -> Array:
    """Blur covariance after one step, kept positive and below a third of a square of this side (px).

    A step is right for little changes only: on small squares one from too wide a blur ends far below the true one, where the
    pattern looks wrong. So in no direction does the variance change by more than half its size or twice.
    """
    root = np.linalg.cholesky(blur)
    back = np.linalg.inv(root)
    ratios, axes = np.linalg.eigh(np.eye(2) + back @ fits.blur_step() @ back.T)
    values, axes = np.linalg.eigh(root @ axes @ np.diag(np.clip(ratios, *MOST_STEP)) @ axes.T @ root.T)
    values = np.clip(values, 0.3**2, np.clip(0.35 * side, 1.0, 12.0) ** 2)
    return np.asarray(axes @ np.diag(values) @ axes.T)


def _smooth_change(measured_mm: Array, wanted_mm: Array, rest_px: Array) -> Array:
    """How a smooth misfit (a face a little bent, a lens not quite the profile's) changes from cell middles to corners.

    A quadratic, when there are twelve corners or more and it explains clearly more than noise would.
    """
    if len(rest_px) < SMOOTH_CORNERS:
        return np.zeros_like(rest_px)
    middle, reach = measured_mm[:, :2].mean(axis=0), float(np.ptp(measured_mm[:, :2], axis=0).max()) / 2

    def terms(points_mm: Array) -> Array:
        x, y = ((points_mm[:, :2] - middle) / reach).T
        return np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])

    smooth = np.linalg.lstsq(terms(measured_mm), rest_px, rcond=None)[0]
    explained = terms(measured_mm) @ smooth
    left = float(((rest_px - explained) ** 2).sum()) / (2 * len(rest_px) - 12)
    if float((explained**2).sum()) / 12 < CLEARLY * left:
        return np.zeros_like(rest_px)
    return np.asarray((terms(wanted_mm) - terms(measured_mm)) @ smooth)


def _with(fits: Fits, at: NDArray[np.int64], px: Array, cov: Array) -> Fits:
    new_px, new_cov = fits.px.copy(), fits.cov_px.copy()
    new_px[at], new_cov[at] = px, cov
    return replace(fits, px=new_px, cov_px=new_cov)
