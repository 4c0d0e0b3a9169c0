"""Solving the lens adjustment: Levenberg–Marquardt, robust weights, outliers, covariance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.frames import Array
from vision.lens_bundle import (
    Normal,
    cost_of,
    normal_equations,
    residuals_px,
    stepped,
    warp_of_corners,
    whitened,
)
from vision.lens_state import Freedom, LensState, Views

HUBER_SIGMAS = 2.5
"""Corners farther off than this many σ (two-dimensional) lose weight."""
OUTLIER_SIGMAS = 4.5
"""Corners farther off are dropped: exp(-4.5² / 2) = 4e-5 of good ones."""
LOST_VIEW_SHARE = 0.4
"""A view that loses a larger share of its corners is dropped whole."""


def solve(
    views: Views,
    state: LensState,
    freedom: Freedom,
    *,
    noise: float = 1.0,
    weights: Array | None = None,
    iterations: int = 60,
    tolerance: float = 1e-12,
) -> LensState:
    """Levenberg–Marquardt from `state` until the relative gain of a step falls below `tolerance`.

    Damping multiplies the diagonal (Marquardt 1963), so no unit of an unknown matters.
    """
    damping = 1e-6
    cost = cost_of(views, state, freedom, noise, weights)
    for _ in range(iterations):
        normal = normal_equations(views, state, freedom, noise=noise, weights=weights, damping=damping)
        try:
            step = np.asarray(np.linalg.solve(normal.matrix, normal.gradient), dtype=float)
        except np.linalg.LinAlgError:
            damping = max(damping, 1e-6) * 100.0
            continue
        moved = stepped(state, freedom, normal, step)
        new_cost = cost_of(views, moved, freedom, noise, weights) if moved.parameters[:2].min() > 0 else float("inf")
        if new_cost <= cost:
            done = cost - new_cost <= tolerance * cost
            state, cost, damping = moved, new_cost, max(damping * 0.1, 1e-14)
            if done:
                return state
        else:
            damping = max(damping, 1e-9) * 10.0
            if damping > 1e8 or np.isclose(new_cost, cost, rtol=1e-14, atol=0.0):
                return state
    return state


def redundancy(views: Views, freedom: Freedom) -> int:
    """Observations minus unknowns; unknowns with a prior count once on either side."""
    return int(2 * len(views.px) - 6 * views.view_count - freedom.basis.shape[1])


def distances(views: Views, state: LensState) -> Array:
    """Two-dimensional distance of each corner from its prediction, in units of the corner's σ, shape (n,)."""
    return np.asarray(np.linalg.norm(whitened(views, residuals_px(views, state) - warp_of_corners(views, state)), axis=1))


def robust_noise(views: Views, state: LensState, freedom: Freedom) -> float:
    """Factor on the corners' σ from the median distance: half of all corners may be wrong without harm.

    The median of a two-dimensional normal distance is sqrt(2 ln 2) σ.
    """
    spread = float(np.median(distances(views, state))) / np.sqrt(2.0 * np.log(2.0))
    return float(spread * np.sqrt(2 * len(views.px) / max(1, redundancy(views, freedom))))


def solve_robust(views: Views, state: LensState, freedom: Freedom, *, rounds: int = 5) -> LensState:
    """Huber's weights by reweighting, with the noise level taken from the median."""
    for _ in range(rounds):
        noise = max(robust_noise(views, state, freedom), 1e-9)
        far = distances(views, state) / noise
        weights = np.minimum(1.0, HUBER_SIGMAS / np.maximum(far, 1e-12))
        state = solve(views, state, freedom, noise=noise, weights=weights, iterations=8, tolerance=1e-6)
    return state


@dataclass(frozen=True, slots=True, eq=False)
class Kept:
    """Which corners and views remain, with the state fitted to them (all views keep their place in it).

    Attributes
    ----------
    corners : ndarray of bool, shape (n,)
    views : ndarray of bool, shape (views,)
    """

    state: LensState
    corners: NDArray[np.bool_]
    views: NDArray[np.bool_]


def weed(views: Views, state: LensState, freedom: Freedom, fewest: int) -> Kept:
    """Robust fit; drop corners beyond `OUTLIER_SIGMAS` and views that lose too many or keep fewer than `fewest`."""
    alive = np.ones(views.view_count, dtype=bool)
    count = np.bincount(views.view, minlength=views.view_count)
    while True:
        part = views.of_views(alive)
        here = solve_robust(part, state.of_views(alive, views.photo_of_view), freedom)
        state = _written_back(views, state, alive, here)
        noise = max(robust_noise(part, here, freedom), 1e-9)
        near = np.zeros(len(views.px), dtype=bool)
        near[alive[views.view]] = distances(part, here) <= OUTLIER_SIGMAS * noise
        left = np.bincount(views.view[near], minlength=views.view_count)
        lost = alive & ((left < (1.0 - LOST_VIEW_SHARE) * count) | (left < fewest))
        if not lost.any() or alive.sum() == 1:
            return Kept(state, near, alive)
        # Only the worst goes at a time: one wrong view bends the others' residuals.
        alive[int(np.argmin(np.where(lost, left / count, np.inf)))] = False


def _written_back(views: Views, state: LensState, alive: NDArray[np.bool_], part: LensState) -> LensState:
    photos = np.unique(views.photo_of_view[alive])
    wobble, turns, shifts, warp = state.wobble.copy(), state.turns.copy(), state.shifts_mm.copy(), state.warp_px.copy()
    wobble[photos], turns[alive], shifts[alive], warp[alive] = part.wobble, part.turns, part.shifts_mm, part.warp_px
    return LensState(part.parameters, part.board, part.print_mm, wobble, turns, shifts, warp)


@dataclass(frozen=True, slots=True, eq=False)
class Adjusted:
    """A finished adjustment: state, factor on the corners' σ, σ̂₀, covariances of the camera and (joint) of all views' poses."""

    state: LensState
    noise: float
    sigma0: float
    cov: Array
    pose_cov: Array


def adjust(views: Views, state: LensState, freedom: Freedom) -> Adjusted:
    """Least squares on the corners given, no robust weights; σ of the corners multiplied by max(1, σ̂₀).

    Raises
    ------
    numpy.linalg.LinAlgError
        The normal equations are singular: the photos do not determine the camera.
    """
    noise = 1.0
    for _ in range(3):
        state = solve(views, state, freedom, noise=noise)
        spread = _noise_level(views, state, freedom, noise)
        new = max(1.0, spread)
        if abs(new - noise) < 1e-3 * noise:
            break
        noise = new
    return Adjusted(state, noise, spread, *covariance(views, state, freedom, noise))


def _noise_level(views: Views, state: LensState, freedom: Freedom, noise: float) -> float:
    cost = cost_of(views, state, freedom, noise) * noise**2
    return float(np.sqrt(cost / max(1, redundancy(views, freedom))))


def covariance(views: Views, state: LensState, freedom: Freedom, noise: float) -> tuple[Array, Array]:
    """Covariances (k = 1): of the camera parameters, shape (12, 12), zero where one is held; of all poses, (6 views, 6 views).

    Raises
    ------
    numpy.linalg.LinAlgError
    """
    k = freedom.basis.shape[1]
    normal = normal_equations(views, state, freedom, noise=noise)
    matrix = normal.matrix
    scale = 1.0 / np.sqrt(np.diag(matrix))  # unit diagonal: the unknowns have very different units
    if not np.all(np.isfinite(scale)):
        raise np.linalg.LinAlgError("an unknown is not observed at all")
    scaled = matrix * np.outer(scale, scale)
    np.linalg.cholesky(scaled)
    inverse = np.linalg.inv(scaled) * np.outer(scale, scale)
    return freedom.basis @ inverse[:k, :k] @ freedom.basis.T, _of_poses(normal, inverse)


def _of_poses(normal: Normal, inverse: Array) -> Array:
    """Joint covariance of all poses from that of the global unknowns, which they follow by ``-own_solve``."""
    views = len(normal.columns)
    follow = np.zeros((views, 6, len(inverse)))
    np.put_along_axis(follow, normal.columns[:, None, :].repeat(6, axis=1), -normal.own_solve[:, :6], axis=2)
    flat = follow.reshape(6 * views, -1)
    cov = flat @ inverse @ flat.T
    place = 6 * np.arange(views)[:, None] + np.arange(6)
    cov[place[:, :, None], place[:, None, :]] += normal.own_cov[:, :6, :6]
    return np.asarray((cov + cov.T) / 2)
