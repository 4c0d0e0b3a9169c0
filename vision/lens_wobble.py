"""Per-photo wobble of a lens: does focal length or principal point change from photo to photo, and by how much?

Every photo gets its own small change of focal length and principal point, drawn from normal distributions whose two σ are
estimated by restricted maximum likelihood (Patterson and Thompson 1971), the noise level profiled out. Photos that do not
show a wobble give exactly zero.
"""

from __future__ import annotations

import numpy as np
from scipy.optimize import minimize

from vision.camera import Wobble
from vision.frames import Array
from vision.lens_bundle import WOBBLE_UNKNOWNS, Freedom, LensState, Views, normal_equations
from vision.lens_solve import redundancy

AUTO_DEFAULT = Wobble(focal_percent=0.5, centre_px=5.0)
"""Assumed of a camera with autofocus, at least."""
LIKELIHOOD_GAIN = 6.63
"""Twice the log-likelihood a component must win: one-sided p = 0.005 (half a chi-square of one degree, at the boundary)."""
FOCAL_RANGE = (1e-5, 3e-2)
CENTRE_RANGE_PX = (0.02, 60.0)


def sigma_of(wobble: Wobble) -> Array:
    """σ of the three per-photo unknowns: relative focal length, centre x and y in px."""
    return np.array([wobble.focal_percent / 100.0, wobble.centre_px, wobble.centre_px])


def estimate_wobble(views: Views, state: LensState, freedom: Freedom, noise: float) -> Wobble:
    """Wobble of the photos; zero where the likelihood does not ask for it.

    Parameters
    ----------
    state : LensState
        Fitted with `freedom` (with or without wobble).
    noise : float
        Factor on the corners' σ that `state` was fitted with.
    """
    matrix, slope, cost, degrees = _wobble_alone(views, state, freedom, noise)

    def loss(focal: float, centre: float) -> tuple[float, float]:
        return _minus_two_log_likelihood(matrix, slope, cost, degrees, np.array([focal, centre, centre]))

    grid_f = np.concatenate([[0.0], np.geomspace(*FOCAL_RANGE, 12)])
    grid_c = np.concatenate([[0.0], np.geomspace(*CENTRE_RANGE_PX, 12)])
    both = _best(loss, grid_f, grid_c)
    no_focal, no_centre = _best(loss, grid_f[:1], grid_c), _best(loss, grid_f, grid_c[:1])
    none = (loss(0.0, 0.0)[0], 0.0, 0.0)
    # From the simplest: a richer one must win its likelihood against the one before.
    single = min(no_focal, no_centre)
    chosen = none if none[0] - single[0] < LIKELIHOOD_GAIN else single
    chosen = chosen if chosen[0] - both[0] < LIKELIHOOD_GAIN else both
    scale = np.sqrt(loss(chosen[1], chosen[2])[1])
    return Wobble(focal_percent=100.0 * chosen[1] * scale, centre_px=chosen[2] * scale)


def _wobble_alone(views: Views, state: LensState, freedom: Freedom, noise: float) -> tuple[Array, Array, float, int]:
    """Quadratic cost of the wobble with everything else at its best: matrix, slope at zero, cost at zero, redundancy."""
    open_ = Freedom(freedom.basis, freedom.boards, np.full(WOBBLE_UNKNOWNS, 1e9))
    normal = normal_equations(views, state, open_, noise=noise)
    first = len(normal.matrix) - WOBBLE_UNKNOWNS * views.photo_count
    common, mixed = normal.matrix[:first, :first], normal.matrix[:first, first:]
    solved = np.linalg.lstsq(common, np.column_stack([mixed, normal.gradient[:first]]), rcond=1e-14)[0]
    matrix = normal.matrix[first:, first:] - mixed.T @ solved[:, :-1]
    slope = normal.gradient[first:] - mixed.T @ solved[:, -1]
    cost = normal.cost - float(normal.gradient[:first] @ solved[:, -1])
    at = state.wobble.ravel()
    cost += 2.0 * float(slope @ at) + float(at @ matrix @ at)
    return matrix, slope + matrix @ at, cost, redundancy(views, freedom)


def _minus_two_log_likelihood(matrix: Array, slope: Array, cost: float, degrees: int, sigma: Array) -> tuple[float, float]:
    """−2 log of the restricted likelihood (up to a constant) at σ in units of the noise level, and the noise variance."""
    root = np.tile(sigma, len(slope) // WOBBLE_UNKNOWNS)
    inner = np.eye(len(root)) + root[:, None] * matrix * root
    chol = np.linalg.cholesky(0.5 * (inner + inner.T))
    half = np.linalg.solve(chol, root * slope)
    left = max(cost - float(half @ half), 1e-12)
    return degrees * float(np.log(left)) + 2.0 * float(np.sum(np.log(np.diag(chol)))), left / degrees


def _best(loss: object, grid_f: Array, grid_c: Array) -> tuple[float, float, float]:
    """Smallest loss over the grid, then refined between the grid points; (loss, σ focal, σ centre)."""
    assert callable(loss)
    value, focal, centre = min((loss(f, c)[0], float(f), float(c)) for f in grid_f for c in grid_c)
    free = [i for i, v in enumerate((focal, centre)) if v > 0]
    if not free:
        return value, focal, centre
    start = np.array([focal, centre])

    def along(logs: Array) -> float:
        here = start.copy()
        here[free] = np.exp(logs)
        return float(loss(here[0], here[1])[0])

    found = minimize(along, np.log(start[free]), method="Nelder-Mead", options={"xatol": 1e-3, "fatol": 1e-4, "maxiter": 200})
    here = start.copy()
    here[free] = np.exp(found.x)
    return min((value, focal, centre), (float(found.fun), float(here[0]), float(here[1])))
