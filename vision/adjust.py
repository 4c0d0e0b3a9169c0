"""Least-squares adjustment: all corners at once, analytic Jacobians (`linearise.py`), Schur complement over the photos.

Pseudo-observations for what is known beforehand (observed unknowns; Mikhail and Ackermann, "Observations and Least Squares",
unified adjustment, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from vision.errors import NetworkError
from vision.frames import Array
from vision.linearise import (
    OWN_COLUMNS,
    PHOTO_COLUMNS,
    Prediction,
    by_printed_place,
    design,
    joint_map,
    joint_places,
    own_columns,
    photo_map,
    predict,
    printed_places,
)
from vision.observations import Distance, Observations
from vision.print_products import print_products, scatter
from vision.unknowns import Known, Layout, Values, departure, moved, vector_of

HUBER_K = 2.0
MOST_STEPS = 60
ROBUST_GAIN = 1e-6
"""Share of the cost a robust step must still win."""


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """Everything the adjustment needs except the values it starts from.

    Attributes
    ----------
    obs : Observations
    layout : Layout
    known : tuple of Known
    distances : tuple of (body index a, body index b, Distance)
    centres : ndarray, shape (boards, 3)
        Printed centre marks in the board frames, mm.
    board_of_body : ndarray of int, shape (bodies,)
    wobble_sigma : ndarray, shape (photos, 5)
        σ of each photo's relative focal length, principal point (px) and drift (px over `ROWS`); 0 where the lens has none.
    row_drift_px : float
        σ of the drift as the survey's photos ask for it, beyond what the lens profiles say; it is in `wobble_sigma`.
    carried : Known, optional
        The part of an earlier network's estimate that these photos touch; it is not among `known`.
    """

    obs: Observations
    layout: Layout
    known: tuple[Known, ...]
    distances: tuple[tuple[int, int, Distance], ...]
    centres: Array
    board_of_body: NDArray[np.int64]
    wobble_sigma: Array
    carried: Known | None = None
    row_drift_px: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Normal:
    """Normal equations with the photos eliminated, and what is needed to recover their step."""

    cost: float
    matrix: Array
    right: Array
    photo_inverse: Array
    photo_joint: Array
    photo_right: Array


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Adjusted values with the reduced normal matrix (information of the joint vector) at the solution."""

    values: Values
    normal: Normal
    steps: int


def residuals(problem: Problem, values: Values) -> tuple[Array, NDArray[np.bool_]]:
    """Whitened residuals (prediction − observation), shape (s, m, 2), and which corners lie in front of their camera."""
    at = predict(problem.obs, problem.centres, values)
    return at.residual, at.ahead


def linearised(problem: Problem, values: Values) -> tuple[Array, Array, Array, NDArray[np.int64]]:
    """Whitened residuals (s, m, 2), their derivatives by the photo (s, m, 2, 11) and by the joint unknowns a sighting touches
    (s, m, 2, k; the printed places of its corners last), and these unknowns' places (s, k), `layout.size` for held ones."""
    obs = problem.obs
    at = predict(obs, problem.centres, values)
    rows = design(obs, values, at, OWN_COLUMNS)
    by_photo = rows @ photo_map(obs, values, problem.wobble_sigma, OWN_COLUMNS)
    by_joint = rows @ joint_map(obs, values, OWN_COLUMNS)
    places = joint_places(obs, problem.layout, OWN_COLUMNS)
    shape = (*obs.used.shape, 2, -1)
    by_photo, by_joint = by_photo.reshape(shape), by_joint.reshape(shape)
    if (problem.layout.printed >= 0).any():
        s, m = obs.used.shape
        printed = np.zeros((s, m, 2, m, 2))
        printed[:, np.arange(m), :, np.arange(m)] = by_printed_place(obs, values, rows).swapaxes(0, 1)
        by_joint = np.concatenate([by_joint, printed.reshape(s, m, 2, 2 * m)], axis=3)
        places = np.concatenate([places, printed_places(obs, problem.layout)], axis=1)
    return at.residual, by_photo, by_joint, places


def adjust(
    problem: Problem, start: Values, weights: Array | None = None, *, robust: bool = False, trial: bool = False
) -> Solution:
    """Gauss–Newton with Levenberg–Marquardt damping from a start that is near enough.

    Parameters
    ----------
    weights : ndarray, shape (s, m), optional
        Fixed weights per corner (0 leaves it out); default 1 for every used corner.
    robust : bool
        Huber weights on the whitened corner residual (k = 2), by iterative re-weighting.
    trial : bool
        Where it has got to will do: of photos that contradict each other, only how much is asked.

    Raises
    ------
    NetworkError
        The normal equations are singular, or the adjustment does not settle.
    """
    base = problem.obs.used.astype(float) if weights is None else weights * problem.obs.used
    values, damping = start, 1e-6
    at = predict(problem.obs, problem.centres, values)
    cost = _cost(problem, values, base, robust, at)
    if not np.isfinite(cost):
        raise NetworkError("the start of the network puts boards behind the camera", hint="take the photos again")
    for step_number in range(1, MOST_STEPS + 1):
        normal = normal_equations(problem, values, base, robust=robust, at=at)
        while True:
            step, photo_step = _step(normal, damping)
            candidate = moved(values, problem.layout, step, photo_step)
            there = predict(problem.obs, problem.centres, candidate)
            new_cost = _cost(problem, candidate, base, robust, there)
            if np.isfinite(new_cost) and new_cost <= cost * (1 + 1e-12) + 1e-12:
                break
            damping *= 10.0
            if damping > 1e8:
                return Solution(values, normal, step_number)
        gain = cost - new_cost
        values, at, cost, damping = candidate, there, new_cost, max(damping / 10.0, 1e-12)
        if _settled(gain, cost, photo_step, robust):
            return Solution(values, normal_equations(problem, values, base, robust=robust, at=at), step_number)
    if robust or trial:
        # A print of another size draws loosely tied boards along a flat valley: where it has got to, what is wrong shows.
        return Solution(values, normal_equations(problem, values, base, robust=robust, at=at), MOST_STEPS)
    raise NetworkError(
        "the network does not settle: the photos contradict each other",
        hint="look for a photo filed under the wrong epoch, or a board that moved between photos of one epoch",
    )


def _settled(gain: float, cost: float, photo_step: Array, robust: bool) -> bool:
    """Robust weights only tell wrong corners from right ones, and re-weighting closes in slowly: near is near enough."""
    if robust:
        return gain <= ROBUST_GAIN * max(cost, 1.0)
    return bool(gain <= 1e-10 * max(cost, 1.0) and np.abs(photo_step[:, :3]).max(initial=0.0) < 1e-7)


def normal_equations(
    problem: Problem, values: Values, weights: Array, *, robust: bool = False, at: Prediction | None = None
) -> Normal:
    """Normal equations at `values`, photos eliminated by the Schur complement; `at`: the prediction there, if at hand."""
    at = at or predict(problem.obs, problem.centres, values)
    rows, r = _weighted(problem, values, weights * (_huber(at.residual) if robust else 1.0), at)
    cost = float((r * r).sum())
    hpp, gp, hpx, hxx, gx = _gathered(problem, values, rows, r)
    cost += _add_wobble(problem, values, hpp, gp)
    cost += _add_known(problem, values, (hxx, gx)) + _add_distances(problem, values, (hxx, gx))
    inverse = _invert_photos(hpp)
    photos, k, size = hpx.shape
    flat = (inverse[:, :k, :k] @ hpx).reshape(photos * k, size)
    reduced = hxx - hpx.reshape(photos * k, size).T @ flat
    right = gx - flat.T @ gp[:, :k].ravel()
    joint = np.zeros((photos, PHOTO_COLUMNS, size))
    joint[:, :k] = flat.reshape(photos, k, size)
    return Normal(cost, (reduced + reduced.T) / 2, right, inverse, joint, gp)


def _weighted(problem: Problem, values: Values, weights: Array, at: Prediction) -> tuple[Array, Array]:
    """Derivatives by every sighting's own columns (s, 2 m, k) and residuals (s, 2 m, 1), times the roots of the weights."""
    w = np.sqrt(weights)
    rows = design(problem.obs, values, at, own_columns(problem.layout, problem.wobble_sigma))
    rows *= np.repeat(w, 2, axis=1)[:, :, None]
    return rows, (at.residual * w[..., None]).reshape(len(rows), -1, 1)


def _gathered(problem: Problem, values: Values, weighted: Array, residual: Array) -> tuple[Array, Array, Array, Array, Array]:
    """Sightings' products summed over photos and joint unknowns, from `_weighted`.

    Photo by photo (p, 11, 11), its right side (p, 11), photo by joint (p, k, n) with k = 6 when no photo wobbles, joint by
    joint (n, n) and its right side (n,).
    """
    obs, size, photos = problem.obs, problem.layout.size, len(problem.obs.photos)
    columns = weighted.shape[2]
    across = np.swapaxes(weighted, 1, 2)
    own, own_right = across @ weighted, across @ residual
    by_photo, by_joint = photo_map(obs, values, problem.wobble_sigma, columns), joint_map(obs, values, columns)
    to_photo, to_joint = np.swapaxes(by_photo, 1, 2), np.swapaxes(by_joint, 1, 2)
    photo_by_own = to_photo @ own
    k = by_photo.shape[2]
    rows = obs.photo[:, None] * k + np.arange(k)
    within = np.broadcast_to(np.arange(k), rows.shape)
    # Held unknowns point to one spare column behind the last, which is cut off.
    places = joint_places(obs, problem.layout, columns)
    hpp, gp = np.zeros((photos, PHOTO_COLUMNS, PHOTO_COLUMNS)), np.zeros((photos, PHOTO_COLUMNS))
    hpp[:, :k, :k] = scatter(photo_by_own @ by_photo, rows, within, photos * k, k).reshape(photos, k, k)
    gp[:, :k] = np.bincount(rows.ravel(), (to_photo @ own_right).ravel(), minlength=photos * k).reshape(photos, k)
    hpx = scatter(photo_by_own @ by_joint, rows, places, photos * k, size + 1)[:, :size].reshape(photos, k, size)
    hxx = scatter(to_joint @ own @ by_joint, places, places, size + 1, size + 1)[:size, :size]
    gx = np.asarray(np.bincount(places.ravel(), (to_joint @ own_right).ravel(), minlength=size + 1)[:size], dtype=float)
    if (problem.layout.printed >= 0).any():
        by_print = by_printed_place(obs, values, weighted)
        of_print = print_products(weighted, residual, by_print, printed_places(obs, problem.layout), size)
        hpx += of_print.across(to_photo, rows, photos * k).reshape(photos, k, size)
        mixed = of_print.across(to_joint, places, size + 1)[:size]
        hxx += mixed + mixed.T + of_print.within()
        gx += of_print.right()
    return hpp, gp, hpx, hxx, gx


def distance_misfit(problem: Problem, values: Values) -> list[tuple[Distance, float]]:
    """For every tape distance: photographs − tape, mm."""
    return [(d, _distance(problem, values, i, j)[0] - d.mm) for i, j, d in problem.distances]


def _cost(problem: Problem, values: Values, weights: Array, robust: bool, at: Prediction | None = None) -> float:
    at = at or predict(problem.obs, problem.centres, values)
    if not at.ahead[problem.obs.used & (weights > 0)].all():
        return float("inf")
    square = (at.residual * at.residual).sum(axis=-1)
    if robust:
        norm = np.sqrt(square)
        square = np.where(norm > HUBER_K, 2 * HUBER_K * norm - HUBER_K**2, square)
    cost = float((square * weights).sum())
    photos = len(problem.obs.photos)
    cost += _add_wobble(problem, values, np.zeros((photos, PHOTO_COLUMNS, PHOTO_COLUMNS)), np.zeros((photos, PHOTO_COLUMNS)))
    return cost + _add_known(problem, values) + _add_distances(problem, values)


def _huber(res: Array) -> Array:
    norm = np.sqrt((res * res).sum(axis=-1))
    return np.asarray(HUBER_K / np.maximum(norm, HUBER_K), dtype=float)


def _add_wobble(problem: Problem, values: Values, hpp: Array, gp: Array) -> float:
    sigma = problem.wobble_sigma
    information = np.where(sigma > 0, 1.0 / np.where(sigma > 0, sigma, 1.0) ** 2, 0.0)
    diagonal = np.arange(6, PHOTO_COLUMNS)
    # A photo without wobble keeps its zero columns: a one on the diagonal makes them solvable without moving anything.
    hpp[:, diagonal, diagonal] += np.where(sigma > 0, information, 1.0)
    gp[:, 6:] += information * values.wobble
    return float((information * values.wobble**2).sum())


def _add_known(problem: Problem, values: Values, sums: tuple[Array, Array] | None = None) -> float:
    """Square sum of what is known beforehand; with `sums`, matrix and right side, its normal equations are added to these."""
    place = problem.layout.index()
    x = vector_of(values, problem.layout)
    cost = 0.0
    for known in (*problem.known, *([problem.carried] if problem.carried else [])):
        columns, gap, jac = departure(x, known, place)
        pull = known.weight @ gap
        cost += float(gap @ pull)
        if sums:
            hxx, gx = sums
            hxx[np.ix_(columns, columns)] += jac.T @ known.weight @ jac
            gx[columns] += jac.T @ pull
    return cost


def _distance(problem: Problem, values: Values, i: int, j: int) -> tuple[float, Array, NDArray[np.int64]]:
    """Distance of the centre marks, mm, its derivatives and their places in the joint vector."""
    marks = [
        values.body_rotation[body] @ problem.centres[problem.board_of_body[body]] + values.body_translation[body]
        for body in (i, j)
    ]
    gap = marks[1] - marks[0]
    length = float(np.linalg.norm(gap))
    along = gap / length
    derivative, places = [], []
    for sign, body, mark in ((-1.0, i, marks[0]), (1.0, j, marks[1])):
        derivative += [sign * np.cross(mark, along), sign * along]
        places.append(problem.layout.pose[body])
    return length, np.concatenate(derivative), np.concatenate(places)


def tape_rows(problem: Problem, values: Values) -> list[tuple[Distance, float, Array]]:
    """For every tape distance: photographs − tape, mm, and its derivatives by the joint vector, shape (n,)."""
    out = []
    for i, j, tape in problem.distances:
        length, derivative, places = _distance(problem, values, i, j)
        free = places >= 0
        row = np.asarray(np.bincount(places[free], derivative[free], minlength=problem.layout.size), dtype=float)
        out.append((tape, length - tape.mm, row))
    return out


def _add_distances(problem: Problem, values: Values, sums: tuple[Array, Array] | None = None) -> float:
    cost = 0.0
    for tape, gap, row in tape_rows(problem, values):
        information = (2.0 / tape.pm_mm) ** 2
        cost += information * gap * gap
        if sums:
            hxx, gx = sums
            hxx += information * np.outer(row, row)
            gx += information * gap * row
    return cost


def _invert_photos(hpp: Array) -> Array:
    scale = 1.0 / np.sqrt(np.maximum(np.einsum("pii->pi", hpp), 1e-30))
    scaled = hpp * scale[:, :, None] * scale[:, None, :]
    try:
        return np.asarray(np.linalg.inv(scaled) * scale[:, :, None] * scale[:, None, :], dtype=float)
    except np.linalg.LinAlgError as err:
        raise NetworkError("a photo's position cannot be found from the boards it shows") from err


def factor_of(matrix: Array, damping: float = 0.0) -> tuple[tuple[Array, bool], Array]:
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-30))
    scaled = matrix * np.outer(scale, scale)
    scaled[np.diag_indices(len(scale))] += damping
    try:
        return cho_factor(scaled), scale
    except np.linalg.LinAlgError as err:
        raise NetworkError(
            "the photos do not determine all boards: the network is singular",
            hint="add photos from other directions that show several boards at once",
        ) from err


def _step(normal: Normal, damping: float) -> tuple[Array, Array]:
    if len(normal.right):
        factor, scale = factor_of(normal.matrix, damping)
        step = -cho_solve(factor, normal.right * scale) * scale
    else:
        step = np.zeros(0)
    photo = -np.einsum("pij,pj->pi", normal.photo_inverse, normal.photo_right)
    if len(step):
        photo -= normal.photo_joint @ step
    return step, photo


def with_weights(problem: Problem, used: NDArray[np.bool_]) -> Problem:
    """The same problem with another choice of corners."""
    return replace(problem, obs=replace(problem.obs, used=used))
