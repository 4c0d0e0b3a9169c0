"""What is not as assumed: the lens from photo to photo (wobble), a board's corners in one photo (warp) and as printed.

Wobble: every photo has its own small change of focal length and principal point. Warp: the corners of one board in one photo
share smooth errors (paper that gives way, blur, rolling shutter). Print: corners are not exactly where they should be on the
board, the same in all photos, because printers feed paper unevenly; some 0.05 mm are common (seen on real photos: see the
benchmark stereo_rig; Strobl and Hirzinger 2011 tell the same of imperfect targets). Without warp and print such errors would
pass for wobble, and would make the camera look better known than it is.

The σ of each come from restricted maximum likelihood (Patterson and Thompson
1971) with the noise level profiled out. Photos that do not show an effect give exactly zero.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.optimize import minimize, minimize_scalar

from vision.camera import Wobble
from vision.frames import Array
from vision.lens_bundle import normal_equations
from vision.lens_solve import redundancy, solve
from vision.lens_state import WARP_UNKNOWNS, WOBBLE_UNKNOWNS, Freedom, LensState, Views

AUTO_DEFAULT = Wobble(focal_percent=0.5, centre_px=5.0)
"""Assumed of a camera with autofocus, at least."""
LIKELIHOOD_GAIN = 6.63
"""Twice the log-likelihood an effect must win: one-sided p = 0.005 (half a chi-square of one degree, at the boundary)."""
FOCAL_RANGE = (1e-5, 3e-2)
CENTRE_RANGE_PX = (0.02, 60.0)
WARP_RANGE_PX = (0.01, 3.0)
PRINT_RANGE_MM = (0.003, 1.0)
ROUNDS = 3


@dataclass(frozen=True, slots=True)
class Unsteady:
    """What the photos show of wobble, warp and print errors; zero where the likelihood does not ask for it."""

    wobble: Wobble = field(default_factory=Wobble)
    warp_px: float = 0.0
    print_mm: float = 0.0

    def freed(self, freedom: Freedom) -> Freedom:
        """`freedom` with these σ."""
        return replace(freedom, wobble_sigma=sigma_of(self.wobble), warp_sigma_px=self.warp_px, print_sigma_mm=self.print_mm)


def sigma_of(wobble: Wobble) -> Array:
    """σ of the three per-photo unknowns: relative focal length, centre x and y in px."""
    return np.array([wobble.focal_percent / 100.0, wobble.centre_px, wobble.centre_px])


def estimate_unsteady(
    views: Views, state: LensState, freedom: Freedom, noise: float, *, print_errors: bool = True
) -> tuple[Unsteady, LensState]:
    """σ of print errors, warp and wobble, in turns: each is estimated where the others have moved the photos.

    Parameters
    ----------
    state : LensState
        Fitted without any of them.
    freedom : Freedom
        Of that fit.
    noise : float
        Factor on the corners' σ of that fit.

    Returns
    -------
    Unsteady, and the state that moved by it.
    """
    found, printed = Unsteady(), 0.0
    for _ in range(ROUNDS):
        before = found
        if print_errors:
            printed, noise = _print(views, state, found.freed(freedom), noise)
        if printed:  # the largest by far on paper, and its misfit would hide the rest: the photos move by it first
            state = _moved(views, state, replace(found, print_mm=printed).freed(freedom), noise)
        found = replace(found, print_mm=printed)
        found = replace(found, warp_px=_warp(views, state, found.freed(freedom), noise))
        found = replace(found, wobble=_wobble(views, state, found.freed(freedom), noise))
        if found in (Unsteady(), before):
            break
        state = _moved(views, state, found.freed(freedom), noise)
    return found, state


def _moved(views: Views, state: LensState, freedom: Freedom, noise: float) -> LensState:
    return solve(views, state, freedom, noise=noise, iterations=15, tolerance=1e-8)


@dataclass(frozen=True, slots=True, eq=False)
class _Reduced:
    """Quadratic cost of the wobble alone, everything else at its best, and what the likelihood needs beside it."""

    matrix: Array
    slope: Array
    cost: float
    degrees: int
    logdet: float

    def loss(self, sigma: Array) -> tuple[float, float]:
        """−2 log of the restricted likelihood (up to a constant), and the noise variance in units of the stated one."""
        root = np.tile(sigma, len(self.slope) // WOBBLE_UNKNOWNS)
        inner = np.eye(len(root)) + root[:, None] * self.matrix * root
        chol = np.linalg.cholesky(0.5 * (inner + inner.T))
        half = np.linalg.solve(chol, root * self.slope)
        left = max(self.cost - float(half @ half), 1e-12)
        return self.degrees * float(np.log(left)) + 2.0 * float(np.log(np.diag(chol)).sum()) + self.logdet, left / self.degrees


def _reduced(views: Views, state: LensState, freedom: Freedom, noise: float) -> _Reduced:
    everything = replace(freedom, wobble_sigma=np.full(WOBBLE_UNKNOWNS, 1e9))
    if not freedom.warp_sigma_px:
        state = replace(state, warp_px=np.zeros_like(state.warp_px))
    if not freedom.print_sigma_mm:
        state = replace(state, print_mm=np.zeros_like(state.print_mm))
    normal = normal_equations(views, state, everything, noise=noise)
    first = len(normal.matrix) - WOBBLE_UNKNOWNS * views.photo_count
    common, mixed = normal.matrix[:first, :first], normal.matrix[:first, first:]
    solved = _solved(common, np.column_stack([mixed, normal.gradient[:first]]))
    matrix = normal.matrix[first:, first:] - mixed.T @ solved[:, :-1]
    slope = normal.gradient[first:] - mixed.T @ solved[:, -1]
    cost = normal.cost - normal.own_gain - float(normal.gradient[:first] @ solved[:, -1])
    at = state.wobble.ravel()
    cost += 2.0 * float(slope @ at) + float(at @ matrix @ at)
    logdet = normal.own_logdet + float(np.linalg.slogdet(common)[1])
    if freedom.warp_sigma_px:
        logdet += 2.0 * WARP_UNKNOWNS * views.view_count * float(np.log(freedom.warp_sigma_px))
    if freedom.print_sigma_mm:
        logdet += 2.0 * state.print_mm.size * float(np.log(freedom.print_sigma_mm))
    return _Reduced(matrix, slope + matrix @ at, cost, redundancy(views, freedom), logdet)


def _solved(matrix: Array, right: Array) -> Array:
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    try:
        return np.asarray(scale[:, None] * np.linalg.solve(matrix * np.outer(scale, scale), scale[:, None] * right))
    except np.linalg.LinAlgError:  # a term of the rich model that these photos do not show at all
        return np.asarray(np.linalg.lstsq(matrix, right, rcond=1e-14)[0])


def _warp(views: Views, state: LensState, freedom: Freedom, noise: float) -> float:
    """σ of the warp, px, with the rest as `freedom` has it."""

    def loss(warp_px: float) -> float:
        warp = replace(freedom, warp_sigma_px=warp_px)
        return _reduced(views, state, warp, noise).loss(freedom.wobble_sigma)[0]

    return _likely(loss, WARP_RANGE_PX)


def _print(views: Views, state: LensState, freedom: Freedom, noise: float) -> tuple[float, float]:
    """σ of the corners' printed places, mm, with the rest as `freedom` has it; and the noise factor that is left with it."""

    def both(print_mm: float) -> tuple[float, float]:
        printed = replace(freedom, print_sigma_mm=print_mm)
        return _reduced(views, state, printed, noise).loss(freedom.wobble_sigma)

    sigma = _likely(lambda print_mm: both(print_mm)[0], PRINT_RANGE_MM)
    scale = float(np.sqrt(both(sigma)[1]))
    return sigma * scale, max(1.0, noise * scale)


def _likely(loss: Callable[[float], float], within: tuple[float, float]) -> float:
    """The σ of least loss; zero unless it gains `LIKELIHOOD_GAIN` over none."""
    grid = np.log(np.geomspace(*within, 7))
    step = float(grid[1] - grid[0])
    start = float(min(grid, key=lambda at: loss(float(np.exp(at)))))
    best = minimize_scalar(
        lambda at: loss(float(np.exp(at))), bounds=(start - step, start + step), method="bounded", options={"xatol": 0.02}
    )
    return float(np.exp(best.x)) if loss(0.0) - float(best.fun) > LIKELIHOOD_GAIN else 0.0


def _wobble(views: Views, state: LensState, freedom: Freedom, noise: float) -> Wobble:
    """σ of the wobble with the warp as `freedom` has it."""
    reduced = _reduced(views, state, freedom, noise)

    def loss(focal: float, centre: float) -> float:
        return reduced.loss(np.array([focal, centre, centre]))[0]

    grid_f = np.concatenate([[0.0], np.geomspace(*FOCAL_RANGE, 10)])
    grid_c = np.concatenate([[0.0], np.geomspace(*CENTRE_RANGE_PX, 10)])
    table = {(float(f), float(c)): loss(f, c) for f in grid_f for c in grid_c}
    # From the simplest: a richer one must win its likelihood against the one before.
    chosen = (loss(0.0, 0.0), 0.0, 0.0)
    single = min(_best(loss, {at: v for at, v in table.items() if at[i] == 0.0 and at[1 - i] > 0.0}) for i in (0, 1))
    if chosen[0] - single[0] > LIKELIHOOD_GAIN:
        chosen = single
    both = _best(loss, {at: v for at, v in table.items() if at[0] > 0.0 and at[1] > 0.0})
    if chosen[0] - both[0] > LIKELIHOOD_GAIN * (1 if chosen is single else 2):
        chosen = both
    scale = float(np.sqrt(reduced.loss(np.array([chosen[1], chosen[2], chosen[2]]))[1]))
    return Wobble(focal_percent=100.0 * chosen[1] * scale, centre_px=chosen[2] * scale)


def _best(loss: Callable[[float, float], float], table: dict[tuple[float, float], float]) -> tuple[float, float, float]:
    """Smallest loss over the grid, then refined between the grid points; (loss, σ focal, σ centre)."""
    start = min(table, key=lambda at: table[at])
    free = [i for i in (0, 1) if start[i] > 0]

    def along(logs: Array) -> float:
        here = list(start)
        for i, value in zip(free, np.exp(logs), strict=True):
            here[i] = float(value)
        return loss(here[0], here[1])

    found = minimize(
        along, np.log([start[i] for i in free]), method="Nelder-Mead", options={"xatol": 1e-2, "fatol": 1e-3, "maxiter": 100}
    )
    here = list(start)
    for i, value in zip(free, np.exp(found.x), strict=True):
        here[i] = float(value)
    return min((table[start], *start), (float(found.fun), here[0], here[1]))
