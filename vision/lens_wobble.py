"""What changes from photo to photo: the lens (wobble), and smooth errors of a board's corners (warp).

Wobble: every photo has its own small change of focal length and principal point. Warp: the corners of one board in one photo
share smooth errors (paper that gives way, blur, rolling shutter); without it such errors would pass for wobble, and would
make the camera look better known than it is. The σ of each come from restricted maximum likelihood (Patterson and Thompson
1971) with the noise level profiled out. Photos that do not show an effect give exactly zero.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize, minimize_scalar

from vision.camera import Wobble
from vision.frames import Array
from vision.lens_bundle import WARP_UNKNOWNS, WOBBLE_UNKNOWNS, Freedom, LensState, Views, normal_equations
from vision.lens_solve import redundancy, solve

AUTO_DEFAULT = Wobble(focal_percent=0.5, centre_px=5.0)
"""Assumed of a camera with autofocus, at least."""
LIKELIHOOD_GAIN = 6.63
"""Twice the log-likelihood an effect must win: one-sided p = 0.005 (half a chi-square of one degree, at the boundary)."""
FOCAL_RANGE = (1e-5, 3e-2)
CENTRE_RANGE_PX = (0.02, 60.0)
WARP_RANGE_PX = (0.01, 3.0)
ROUNDS = 3


@dataclass(frozen=True, slots=True)
class Unsteady:
    """What the photos show of wobble and warp; zero where the likelihood does not ask for it."""

    wobble: Wobble
    warp_px: float


def sigma_of(wobble: Wobble) -> Array:
    """σ of the three per-photo unknowns: relative focal length, centre x and y in px."""
    return np.array([wobble.focal_percent / 100.0, wobble.centre_px, wobble.centre_px])


def estimate_unsteady(views: Views, state: LensState, freedom: Freedom, noise: float) -> Unsteady:
    """σ of wobble and warp, alternating: each is estimated where the other has moved the photos.

    Parameters
    ----------
    state : LensState
        Fitted without wobble and warp.
    freedom : Freedom
        Of that fit.
    noise : float
        Factor on the corners' σ of that fit.
    """
    found = Unsteady(Wobble(), 0.0)
    for _ in range(ROUNDS):
        before = found
        warp = _warp(views, state, replace(freedom, wobble_sigma=sigma_of(found.wobble)), noise)
        wobble = _wobble(views, state, replace(freedom, warp_sigma_px=warp), noise)
        found = Unsteady(wobble, warp)
        if not (found.wobble.present or found.warp_px) or found == before:
            break
        moved = replace(freedom, wobble_sigma=sigma_of(wobble), warp_sigma_px=warp)
        state = solve(views, state, moved, noise=noise, iterations=15, tolerance=1e-8)
    return found


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
    normal = normal_equations(views, state, everything, noise=noise)
    first = len(normal.matrix) - WOBBLE_UNKNOWNS * views.photo_count
    common, mixed = normal.matrix[:first, :first], normal.matrix[:first, first:]
    solved = np.linalg.lstsq(common, np.column_stack([mixed, normal.gradient[:first]]), rcond=1e-14)[0]
    matrix = normal.matrix[first:, first:] - mixed.T @ solved[:, :-1]
    slope = normal.gradient[first:] - mixed.T @ solved[:, -1]
    cost = normal.cost - normal.own_gain - float(normal.gradient[:first] @ solved[:, -1])
    at = state.wobble.ravel()
    cost += 2.0 * float(slope @ at) + float(at @ matrix @ at)
    logdet = normal.own_logdet + float(np.linalg.slogdet(common)[1])
    if freedom.warp_sigma_px:
        logdet += 2.0 * WARP_UNKNOWNS * views.view_count * float(np.log(freedom.warp_sigma_px))
    return _Reduced(matrix, slope + matrix @ at, cost, redundancy(views, freedom), logdet)


def _warp(views: Views, state: LensState, freedom: Freedom, noise: float) -> float:
    """σ of the warp, px, with the wobble as `freedom` has it."""

    def loss(log_px: float) -> float:
        warp = replace(freedom, warp_sigma_px=float(np.exp(log_px)))
        return _reduced(views, state, warp, noise).loss(freedom.wobble_sigma)[0]

    none = _reduced(views, state, replace(freedom, warp_sigma_px=0.0), noise).loss(freedom.wobble_sigma)[0]
    grid = np.log(np.geomspace(*WARP_RANGE_PX, 7))
    step = float(grid[1] - grid[0])
    start = float(min(grid, key=loss))
    best = minimize_scalar(loss, bounds=(start - step, start + step), method="bounded", options={"xatol": 0.02})
    return float(np.exp(best.x)) if none - float(best.fun) > LIKELIHOOD_GAIN else 0.0


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
