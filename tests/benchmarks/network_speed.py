"""The network's speed: 60 photos of 16 boards, ours with its covariance against scipy's general sparse least squares.

Same observations, same unknowns (poses of photos and boards, print scales, bends, lens, with their priors), same start.
Run from the project's folder: ``python -m tests.benchmarks.network_speed [--photos 60] [--boards 16] [--json]``. Ratios count;
absolute times depend on the machine.
"""

from __future__ import annotations

import argparse
import json
import statistics
import time
from collections.abc import Callable

import numpy as np
from scipy.optimize import least_squares
from scipy.sparse import csr_matrix, lil_matrix

from tests.support.network_world import CAMERA, lens_profile, ring_world, small_boards, views_of
from vision.adjust import Problem, adjust, residuals
from vision.covariance import covariance
from vision.linearise import PHOTO_COLUMNS
from vision.network import _problem, _start_values
from vision.network_start import find_start
from vision.unknowns import Hold, Values, departure, moved, vector_of

PHOTO_UNKNOWNS = 6


def problem_of(photos: int, boards: int) -> tuple[Problem, Values]:
    """The problem with 0.1 px noise, and its own start kicked by some millimetres and tenths of a degree."""
    board_set = small_boards(boards)
    world = ring_world(1, photos=photos, board_set=board_set)
    views = [view for view in views_of(world, noise_px=0.1, seed=1) if view.seen]
    lens = {"cam": lens_profile(sigma=1.0)}
    start = find_start(views, board_set, {"cam": CAMERA}, "b0")
    problem = _problem(views, board_set, lens, "b0", Hold(), None, [])
    values = _start_values(problem, start, {"cam": CAMERA}, None)
    rng = np.random.default_rng(2)
    step = np.zeros(problem.layout.size)
    for i, name in enumerate(problem.layout.names):
        if name.startswith("pose:"):
            step[i] = rng.normal(0.0, 2e-3 if name.split(":")[2].startswith("r") else 3.0)
    kick = np.zeros((len(problem.obs.photos), PHOTO_COLUMNS))
    kick[:, :3] = rng.normal(0.0, 1e-3, kick[:, :3].shape)
    kick[:, 3:6] = rng.normal(0.0, 3.0, kick[:, 3:6].shape)
    return problem, moved(values, problem.layout, step, kick)


def general_solver(problem: Problem, start: Values) -> tuple[Callable[[np.ndarray], np.ndarray], np.ndarray, csr_matrix]:
    """Residual function, start vector and sparsity pattern for `scipy.optimize.least_squares`."""
    obs, layout = problem.obs, problem.layout
    photos, size = len(obs.photos), layout.size
    used = obs.used
    place = layout.index()

    def values_of(x: np.ndarray) -> Values:
        step = np.zeros((photos, PHOTO_COLUMNS))
        step[:, :PHOTO_UNKNOWNS] = x[size:].reshape(photos, PHOTO_UNKNOWNS)
        return moved(start, layout, x[:size], step)

    whiteners = [np.linalg.inv(np.linalg.cholesky(known.cov)) for known in problem.known]

    def function(x: np.ndarray) -> np.ndarray:
        values = values_of(x)
        res, _ = residuals(problem, values)
        joint = vector_of(values, layout)
        priors = [w @ departure(joint, k, place)[1] for w, k in zip(whiteners, problem.known, strict=True)]
        return np.concatenate([res[used].ravel(), *priors])

    corners = used.sum(axis=1)
    places = np.concatenate(
        [
            layout.pose[obs.body],
            layout.scale_run[obs.run],
            layout.scale_own[obs.board],
            layout.bend[obs.board],
            layout.lens[obs.lens],
        ],
        axis=1,
    )
    pattern = lil_matrix((2 * int(corners.sum()) + sum(len(k.names) for k in problem.known), size + PHOTO_UNKNOWNS * photos))
    row = 0
    for i, n in enumerate(corners):
        columns = [c for c in places[i] if c >= 0]
        columns += list(range(size + PHOTO_UNKNOWNS * obs.photo[i], size + PHOTO_UNKNOWNS * (obs.photo[i] + 1)))
        for _ in range(2 * n):
            pattern.rows[row], pattern.data[row] = sorted(columns), [1] * len(columns)
            row += 1
    for known in problem.known:
        columns = sorted(place[name] for name in known.names)
        for _ in known.names:
            pattern.rows[row], pattern.data[row] = columns, [1] * len(columns)
            row += 1
    return function, np.zeros(size + PHOTO_UNKNOWNS * photos), csr_matrix(pattern)


def run(photos: int, boards: int, repeat: int) -> dict[str, float]:
    problem, start = problem_of(photos, boards)
    ours = []
    cost = 0.0
    for _ in range(repeat):
        began = time.perf_counter()
        solution = adjust(problem, start)
        covariance(solution.normal)
        ours.append(time.perf_counter() - began)
        cost = solution.normal.cost
    function, x0, pattern = general_solver(problem, start)
    scale = np.array([1e-3 if ":r" in n[-4:] else 1.0 for n in problem.layout.names])
    x_scale = np.concatenate([scale, np.tile([1e-3] * 3 + [1.0] * 3, len(problem.obs.photos))])
    began = time.perf_counter()
    other = least_squares(function, x0, jac_sparsity=pattern, method="trf", x_scale=x_scale, ftol=1e-8, xtol=1e-10, max_nfev=30)
    theirs = time.perf_counter() - began
    return {
        "photos": len(problem.obs.photos),
        "boards": boards,
        "sightings": len(problem.obs.photo),
        "corners": int(problem.obs.used.sum()),
        "unknowns": problem.layout.size + PHOTO_UNKNOWNS * len(problem.obs.photos),
        "ours_s": statistics.median(ours),
        "ours_cost": cost,
        "general_s": theirs,
        "general_cost": 2.0 * float(other.cost),
        "general_evaluations": int(other.nfev),
        "ratio": theirs / statistics.median(ours),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--photos", type=int, default=60)
    parser.add_argument("--boards", type=int, default=16)
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    result = run(given.photos, given.boards, given.repeat)
    if given.json:
        print(json.dumps(result, indent=1))
        return
    print(
        f"{result['photos']} photos, {result['sightings']} sightings, {result['corners']} corners, "
        f"{result['unknowns']} unknowns"
    )
    print(f"ours, covariance included   {result['ours_s']:8.2f} s   square sum {result['ours_cost']:.3f}")
    print(
        f"general sparse solver       {result['general_s']:8.2f} s   square sum {result['general_cost']:.3f} "
        f"after {result['general_evaluations']} evaluations"
    )
    print(f"ratio                       {result['ratio']:8.1f}     (wanted: 10 or more)")


if __name__ == "__main__":
    main()
