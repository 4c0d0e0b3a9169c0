"""First-order U of every figure against draws through the whole nonlinear geometry (JCGM 101:2008).

    python -m tests.benchmarks.monte_carlo [--draws 300] [--seed 1] [--noise-px 0.1] [--json]

One demo bay with exact corners, weighted as if they scattered by `--noise-px`, is surveyed and checked once, so that no factor
for a bad fit is in its U. Then everything a figure rests on is drawn anew, again and
again: the network's poses from their joint covariance, stand-offs, stand file, thickness, the floor's unevenness under every
board and the car's heave, roll and pitch in every epoch. Each draw goes through floor, roll fit, stand-offs, thrust line, stand
and placement as the first time. Printed: scatter of the draws over the stated standard uncertainty, how well so many draws know
it, and whether the interval agrees (JCGM 101:2008, clause 8, one significant digit).
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from calib.decision.monte_carlo import compare
from calib.geometry.wheels import MotionPrior
from calib.paper.job import WheelBoard
from calib.paper.sheet import read_sheet
from calib.paper.stand import Stand, StandBoard
from calib.pipeline import Car, car_of, check_of
from cli.table import table
from tests.support import figures as fg
from tests.support.simulated import CHECK, Simulated, checked, simulate, surveyed
from vision.frames import Array
from vision.poses import PoseSet


def draws(sim: Simulated, poses: PoseSet, count: int, seed: int) -> Iterator[dict[str, float]]:
    """Figures of the car and the check from drawn inputs."""
    rng = np.random.default_rng(seed)
    values, vectors = np.linalg.eigh(poses.cov)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    sheet = read_sheet(sim.desk.job.need_sheet())
    stand = sim.desk.stand
    assert stand is not None
    for _ in range(count):
        state = poses.perturbed(root @ rng.normal(size=len(values)))
        state = _moved(state, _floor_shifts(sim, state, rng) | _car_motion(sim, state, rng) | _leaning(sim, state, stand, rng))
        job = replace(sim.desk.job, wheels=tuple(_restood(wheel, rng) for wheel in sim.desk.job.wheels))
        car = car_of(state, job, sim.desk.boards, sim.survey_epochs)
        outcome = check_of(car, job, sheet, _retyped(stand, rng), sim.desk.boards, CHECK)
        yield {name: figure.value for name, figure in (fg.of_car(car) | fg.of_check(outcome)).items()}


def _moved(poses: PoseSet, shifts: dict[str, Array]) -> PoseSet:
    delta = np.concatenate([shifts.get(pose.source, np.zeros(6)) for pose in poses.poses])
    return poses.perturbed(delta)


def _about(point_mm: Array, turn: Array, shift_mm: Array) -> Array:
    """Left perturbation that turns about a point and shifts it."""
    return np.concatenate([turn, shift_mm + point_mm - np.cross(turn, point_mm) - point_mm])


def _up(sim: Simulated, poses: PoseSet) -> Array:
    up = -np.mean([poses[name].rotation[:, 2] for name in sim.desk.job.floor if name in poses], axis=0)
    return np.asarray(up / np.linalg.norm(up), dtype=float)


def _floor_shifts(sim: Simulated, poses: PoseSet, rng: np.random.Generator) -> dict[str, Array]:
    """Every floor board stands on its own height of the floor, and is thicker or thinner than typed."""
    up, floor = _up(sim, poses), sim.desk.job.floor_pm_mm / 2.0
    out = {}
    for name in sim.desk.job.floor:
        sigma = np.hypot(floor, sim.desk.boards[name].thickness_pm_mm / 2.0)
        out[name] = np.concatenate([np.zeros(3), up * rng.normal(0.0, sigma)])
    return out


def _car_motion(sim: Simulated, poses: PoseSet, rng: np.random.Generator) -> dict[str, Array]:
    """In every epoch before `rest` the car stands higher or lower and leans otherwise, with all its wheels."""
    prior, up = MotionPrior.from_floor(sim.desk.job.floor_pm_mm), _up(sim, poses)
    across = np.linalg.svd(up[None])[2][1:]
    boards = sim.desk.job.wheel_boards().values()
    centre = np.mean([poses[f"{board}@rest"].translation_mm for board in boards], axis=0)
    out = {}
    for epoch in sim.survey_epochs:
        if epoch != "rest":
            turn = rng.normal(0.0, prior.tilt_sigma_rad, 2) @ across
            shift = up * rng.normal(0.0, prior.heave_sigma_mm)
            out |= {f"{board}@{epoch}": _about(centre, turn, shift) for board in boards}
    return out


def _leaning(sim: Simulated, poses: PoseSet, stand: Stand, rng: np.random.Generator) -> dict[str, Array]:
    """The printed faces are not quite parallel to the target's."""
    out = {}
    for entry in stand.boards:
        body = f"{entry.board}@{CHECK}"
        if body in poses:
            turn = poses[body].rotation[:, :2] @ rng.normal(0.0, entry.parallel_pm_rad / 2.0, 2)
            out[body] = _about(poses[body].apply(sim.desk.boards[entry.board].centre_mm), turn, np.zeros(3))
    return out


def _restood(wheel: WheelBoard, rng: np.random.Generator) -> WheelBoard:
    off = wheel.standoff
    return wheel if off is None else replace(wheel, standoff=replace(off, mm=off.mm + rng.normal(0.0, off.pm_mm / 2.0)))


def _retyped(stand: Stand, rng: np.random.Generator) -> Stand:
    def retyped(entry: StandBoard) -> StandBoard:
        return replace(
            entry,
            right_mm=entry.right_mm + rng.normal(0.0, entry.right_pm_mm / 2.0),
            up_mm=entry.up_mm + rng.normal(0.0, entry.up_pm_mm / 2.0),
            behind_mm=entry.behind_mm + rng.normal(0.0, entry.behind_pm_mm / 2.0),
            turn_rad=entry.turn_rad + rng.normal(0.0, entry.turn_pm_rad / 2.0),
        )

    return replace(stand, boards=tuple(retyped(entry) for entry in stand.boards))


def against_first_order(sim: Simulated, count: int, seed: int) -> list[dict[str, object]]:
    """One row a figure: stated U, U of the draws, their ratio, its standard error, whether the intervals agree."""
    run = checked(sim, surveyed(sim))
    stated = fg.of_car(_car(sim, run.network.poses)) | fg.of_check(run.outcome)
    drawn = list(draws(sim, run.network.poses, count, seed))
    rows = []
    for name, figure in stated.items():
        values = np.array([row[name] for row in drawn])
        told = compare(values, figure.value, 2.0 * figure.u)
        ratio = float(values.std(ddof=1)) / figure.u
        rows.append({"figure": name, "U": 2 * figure.u, "U_drawn": told.u, "ratio": ratio, "agrees": told.agrees})
    return rows


def _car(sim: Simulated, poses: PoseSet) -> Car:
    return car_of(poses, sim.desk.job, sim.desk.boards, sim.survey_epochs)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--draws", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--noise-px", type=float, default=0.1)
    parser.add_argument("--json", action="store_true", help="print the table as JSON")
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        rows = against_first_order(
            simulate(Path(folder), wanted.seed, noise_px=wanted.noise_px, errors=False), wanted.draws, wanted.seed
        )
    if wanted.json:
        print(json.dumps({"draws": wanted.draws, "figures": rows}, indent=2))
        return
    words = [
        [str(r["figure"]), f"{r['U']:.4f}", f"{r['U_drawn']:.4f}", f"{r['ratio']:.3f}", "yes" if r["agrees"] else "NO"]
        for r in rows
    ]
    print(table(["figure", "U first order", "U drawn", "sigma drawn / stated", "agrees"], words, (1, 2, 3)))
    print(f"{wanted.draws} draws: a ratio scatters by {1 / np.sqrt(2 * wanted.draws):.3f}")


if __name__ == "__main__":
    main()
