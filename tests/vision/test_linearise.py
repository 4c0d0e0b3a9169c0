"""Derivatives of the network's corners, whatever is held, against differences of the residuals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support.network_world import CAMERA, lens_profile, ring_world, small_boards, views_of
from vision.adjust import Problem, linearised, normal_equations, residuals
from vision.camera import Wobble
from vision.linearise import BEND, LENS, OWN_COLUMNS, PHOTO_COLUMNS, POSE, design, own_columns, predict
from vision.network import _problem, _start_values
from vision.network_start import find_start
from vision.observations import BodySighting
from vision.unknowns import Hold, Values, moved

NO_WOBBLE = Wobble()
SIZES = {"pose": 1e-4, "lens": 1e-3, "bend": 1e-2, "print": 1e-2}
HOLDS = [
    (Hold(lens=True, scale=True, bend=True, printed=True), NO_WOBBLE, POSE.stop),
    (Hold(lens=True, scale=True, bend=True), NO_WOBBLE, POSE.stop),
    (Hold(lens=True, scale=True, printed=True), NO_WOBBLE, BEND.stop),
    (Hold(lens=True, bend=True), NO_WOBBLE, BEND.stop),
    (Hold(scale=True, bend=True), NO_WOBBLE, LENS.stop),
    (Hold(lens=True, scale=True, bend=True), Wobble(0.5, 3.0), LENS.stop),
    (Hold(), Wobble(0.5, 0.0), LENS.stop),
    (Hold(lens=True, scale=True), Wobble(0.0, 0.0, 2.0), OWN_COLUMNS),
    (Hold(), Wobble(0.5, 3.0, 2.0), OWN_COLUMNS),
]


def problem_of(hold: Hold, wobble: Wobble) -> tuple[Problem, Values]:
    """A small network somewhat beside its solution: scales, bends, printed places and wobble not zero."""
    world = ring_world(17, photos=4, board_set=small_boards(4, print_mm=0.1))
    views = views_of(world, noise_px=1.0, said_px=0.5)
    views[0] = replace(views[0], seen=(_part(views[0].seen[0]), *views[0].seen[1:]))
    lens = {"cam": lens_profile(sigma=1.0, wobble=wobble)}
    start = find_start(views, world.boards, {"cam": CAMERA}, "b0")
    problem = _problem(views, world.boards, lens, "b0", hold, None, [])
    values = _start_values(problem, start, {"cam": CAMERA}, None)
    rng = np.random.default_rng(1)
    step = rng.normal(0, 1, problem.layout.size) * sizes_of(problem)
    return problem, moved(values, problem.layout, step, rng.normal(0, 1e-4, (len(problem.obs.photos), PHOTO_COLUMNS)))


def _part(seen: BodySighting) -> BodySighting:
    """A sighting without its first corners: its rows are padded."""
    s = seen.sighting
    return replace(seen, sighting=replace(s, corner_ids=s.corner_ids[5:], px=s.px[5:], cov_px=s.cov_px[5:]))


def sizes_of(problem: Problem) -> np.ndarray:
    return np.array([SIZES.get(name.split(":")[0], 1e-5) for name in problem.layout.names])


def full_jacobian(problem: Problem, values: Values) -> np.ndarray:
    """Derivatives of all whitened residuals by joint unknowns, then photos, from `linearised`."""
    obs, size = problem.obs, problem.layout.size
    _, by_photo, by_joint, places = linearised(problem, values)
    out = np.zeros((*obs.used.shape, 2, size + 1 + PHOTO_COLUMNS * len(obs.photos)))
    for i, photo in enumerate(obs.photo):
        for k, place in enumerate(places[i]):  # a place may come twice: the scale of a run of one board
            out[i, ..., place] += by_joint[i, ..., k]
        out[i, ..., size + 1 + PHOTO_COLUMNS * photo : size + 1 + PHOTO_COLUMNS * (photo + 1)] = by_photo[i]
    return np.delete(out, size, axis=-1).reshape(-1, size + PHOTO_COLUMNS * len(obs.photos))


@pytest.mark.parametrize(("hold", "wobble", "columns"), HOLDS)
def test_derivatives_are_those_of_the_residuals(hold: Hold, wobble: Wobble, columns: int) -> None:
    problem, values = problem_of(hold, wobble)
    assert own_columns(problem.layout, problem.wobble_sigma) == columns
    jac = full_jacobian(problem, values)
    size, photos = problem.layout.size, len(problem.obs.photos)
    of_photo = [1e-5] * 3 + [1e-2] * 3 + [1e-5] + [1e-2] * 4
    step_sizes = np.concatenate([0.1 * sizes_of(problem), np.tile(of_photo, photos)])
    shifting = np.concatenate([np.ones(size, dtype=bool), photo_unknowns(problem)])
    for k in np.flatnonzero(shifting):
        step = np.zeros(size + PHOTO_COLUMNS * photos)
        step[k] = step_sizes[k]

        def at(sign: float, step: np.ndarray = step) -> np.ndarray:
            there = moved(values, problem.layout, sign * step[:size], sign * step[size:].reshape(photos, PHOTO_COLUMNS))
            return residuals(problem, there)[0].ravel()

        numeric = (at(1.0) - at(-1.0)) / (2 * step_sizes[k])
        # central differences of residuals of some 10 whitened units
        np.testing.assert_allclose(jac[:, k], numeric, rtol=1e-5, atol=1e-6 * max(np.abs(numeric).max(), 1e-9))


def test_no_corner_of_a_sighting_has_the_place_of_another() -> None:
    """Sightings of fewer corners than the largest are padded; who adds up by places must not meet one twice."""
    problem, values = problem_of(Hold(), NO_WOBBLE)
    assert problem.obs.count.min() < problem.obs.count.max()
    _, _, by_joint, places = linearised(problem, values)
    for i, row in enumerate(places):
        free = row[row < problem.layout.size]
        assert len(set(free.tolist())) == len(free)
        printed = by_joint[i, ..., -2 * problem.obs.used.shape[1] :]
        shown = np.abs(printed).max(axis=(0, 1)) > 0
        assert (row[-len(shown) :][shown] < problem.layout.size).all()


def photo_unknowns(problem: Problem) -> np.ndarray:
    """Which of every photo's unknowns are free: the pose, and wobble and drift that the lens has."""
    free = np.ones((len(problem.obs.photos), PHOTO_COLUMNS), dtype=bool)
    free[:, 6:] = problem.wobble_sigma > 0
    return free.ravel()


@pytest.mark.parametrize(("hold", "wobble", "columns"), HOLDS)
def test_normal_equations_are_the_products_of_the_derivatives(hold: Hold, wobble: Wobble, columns: int) -> None:
    """Photos eliminated by hand, with weights that differ from corner to corner; knowledge beforehand is left out."""
    problem, values = problem_of(hold, wobble)
    bare = Problem(problem.obs, problem.layout, (), (), problem.centres, problem.board_of_body, problem.wobble_sigma)
    weights = np.random.default_rng(2).uniform(0.2, 1.0, problem.obs.used.shape)
    normal = normal_equations(bare, values, weights)
    assert own_columns(problem.layout, problem.wobble_sigma) == columns
    size = problem.layout.size
    root = np.repeat(np.sqrt(weights * problem.obs.used).ravel(), 2)
    jac = full_jacobian(problem, values) * root[:, None]
    res = residuals(problem, values)[0].ravel() * root
    whole, right = jac.T @ jac, jac.T @ res
    sigma = np.concatenate([np.zeros((len(problem.wobble_sigma), 6)), problem.wobble_sigma], axis=1).ravel()
    held = np.divide(1.0, sigma**2, out=np.zeros_like(sigma), where=sigma > 0)
    held += ~photo_unknowns(problem)  # solvable without moving anything
    whole[size:, size:] += np.diag(held)
    wobbles = np.concatenate([np.zeros((len(values.wobble), 6)), values.wobble], axis=1).ravel()
    right[size:] += held * wobbles * photo_unknowns(problem)
    across = np.linalg.solve(whole[size:, size:], whole[size:, :size])
    matrix, gradient = whole[:size, :size] - whole[:size, size:] @ across, right[:size] - across.T @ right[size:]
    scale = np.sqrt(np.diag(matrix))
    # Photos take up all but some 1e-8 of a column (a lens parameter), and as many digits go when they are eliminated.
    np.testing.assert_allclose(normal.matrix / np.outer(scale, scale), matrix / np.outer(scale, scale), atol=1e-6)
    np.testing.assert_allclose(normal.right / scale, gradient / scale, atol=1e-6 * np.abs(gradient / scale).max())
    np.testing.assert_allclose(normal.photo_joint.reshape(-1, size), across, atol=1e-7 * np.abs(across).max())


def test_a_corner_behind_its_camera_has_no_derivatives() -> None:
    problem, values = problem_of(Hold(), NO_WOBBLE)
    behind = values.photo_translation.copy()
    behind[0, 2] = -9000.0
    values = Values(*(behind if name == "photo_translation" else getattr(values, name) for name in Values.__slots__))
    at = predict(problem.obs, problem.centres, values)
    there = problem.obs.photo == 0
    assert not at.ahead[there].any()
    assert at.ahead[~there].all()
    rows = design(problem.obs, values, at, OWN_COLUMNS)
    assert (rows[there] == 0.0).all()
    assert (rows[~there] != 0.0).any()
