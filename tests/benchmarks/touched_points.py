"""How well a stylus touches: RMS and coverage of touched points over random bays, corners simulated (1080p, 0.1 px).

    python -m tests.benchmarks.touched_points [--bays 100] [--first 1] [--photos 6] [--cores 2] [--rows FILE] [--json]

Every bay is surveyed (four epochs, boards bent, lens and print scales within their ±), a stylus taught in 12 photos, the middle
of the bumper and two floor marks touched in `--photos` photos each. A point's error is taken after the measured centre marks of
all floor boards were carried onto the true ones (least squares), as no frame of a single board is known that well. U (k = 2) of
each coordinate must hold in 95 of 100 cases; coordinates of one bay share errors, so the band of the coverage counts bays.
With --rows bays are kept in a file and a second run goes on where the first stopped.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path

import numpy as np
from scipy.stats import binom

from calib.bodies import held_body, touch_view
from calib.geometry.points import length_between
from calib.geometry.stylus import Tip, TouchedBy, fit_pivot, point_body, with_touched
from synthetic_images.rigid import apply
from synthetic_images.touches import TEACH
from tests.support.kept_rows import add_options, campaign
from tests.support.simulated import Simulated, simulate, surveyed
from tests.support.touched import BOARD, Touched, touched
from vision.network import NetworkState, adjust_network
from vision.observations import View
from vision.poses import PoseSet

COVERAGE = 0.9545
BAND = 1e-3


@dataclass(frozen=True)
class OneBay:
    """Errors and standard uncertainties of one bay, mm: points (n, 3), their common frame's axes; tip (3,); length."""

    seed: int
    error: list[list[float]]
    sigma: list[list[float]]
    tip_error: list[float]
    tip_sigma: list[float]
    length_error: float
    length_sigma: float


def one_bay(seed: int, photos: int) -> OneBay:
    with tempfile.TemporaryDirectory() as folder:
        sim = simulate(Path(folder) / "job", seed)
    state = surveyed(sim).state
    there = touched(sim, seed, touch=photos)
    boards, lenses = sim.desk.boards, sim.desk.lenses
    taught = _views(sim, there, TEACH, sim.desk.job.wheel_boards().values())
    poses = adjust_network(taught, boards, lenses, prior=state).poses
    tip = fit_pivot(poses, [held_body(BOARD, view.photo) for view in taught]).tip
    placed = _placed(sim, there, state, Tip("taught", tip.value, tip.cov))
    error, sigma = _against_truth(sim, there, placed)
    length = length_between(placed, "mark-a", "mark-b")
    true_length = np.linalg.norm(there.points["mark-a"].mm - there.points["mark-b"].mm)
    return OneBay(
        seed,
        error.tolist(),
        sigma.tolist(),
        (tip.value - _true_tip_mm(there)).tolist(),
        np.sqrt(np.diag(tip.cov)).tolist(),
        float(length.value[0] - true_length),
        length.sigma("length_mm"),
    )


def _true_tip_mm(there: Touched) -> np.ndarray:
    """The tip from the mean plane of the bent board's corners, which is what a board's pose means."""
    corners = there.bay.boards[BOARD].corners_mm()
    lift = float(there.bay.printed_points(BOARD, corners)[:, 2].mean())
    return np.array(there.stylus.tip_mm) - [0.0, 0.0, lift]


def _views(sim: Simulated, there: Touched, folder: str, without=()) -> list[View]:
    lens = next(iter(sim.desk.lenses))
    return [touch_view(one, lens, folder, sim.desk.job, BOARD, without) for one in there.photos_of(folder).values()]


def _placed(sim: Simulated, there: Touched, state: NetworkState, tip: Tip) -> PoseSet:
    views = {name: _views(sim, there, f"touch-{name}") for name in there.points}
    everything = [view for some in views.values() for view in some]
    poses = adjust_network(everything, sim.desk.boards, sim.desk.lenses, prior=state).poses
    points = [TouchedBy(name, tuple(held_body(BOARD, view.photo) for view in some), tip) for name, some in views.items()]
    return with_touched(poses, points)


def _against_truth(sim: Simulated, there: Touched, placed: PoseSet) -> tuple[np.ndarray, np.ndarray]:
    floor = [name for name in sim.desk.job.floor if name in placed]
    true = there.bay.board_poses("rest")
    marks = np.array([apply(true[name], there.bay.boards[name].centre_mm) for name in floor])

    def in_bay(state: PoseSet) -> np.ndarray:
        seen = np.array([state[name].apply(sim.desk.boards[name].centre_mm) for name in floor])
        turn, shift = _carried(seen, marks)
        return np.concatenate([turn @ state[point_body(name)].translation_mm + shift for name in there.points])

    some = placed.of([*floor, *map(point_body, there.points)])
    names = [f"{name}_{axis}_mm" for name in there.points for axis in "xyz"]
    estimate = some.propagate(names, in_bay)
    gap = estimate.value - np.concatenate([place.mm for place in there.points.values()])
    return gap.reshape(-1, 3), np.sqrt(np.diag(estimate.cov)).reshape(-1, 3)


def _carried(a: np.ndarray, b: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Turn and shift that carry points a onto b best (Umeyama 1991, without scale)."""
    u, _, vt = np.linalg.svd((b - b.mean(0)).T @ (a - a.mean(0)))
    turn = u @ np.diag([1.0, 1.0, np.sign(np.linalg.det(u @ vt))]) @ vt
    return turn, b.mean(0) - turn @ a.mean(0)


def summary(bays: list[OneBay]) -> dict[str, object]:
    error, sigma = (np.array([getattr(bay, what) for bay in bays]) for what in ("error", "sigma"))
    low, high = binom.ppf([BAND / 2, 1 - BAND / 2], len(bays), COVERAGE) / len(bays)
    inside = np.abs(error) <= 2 * sigma
    return {
        "bays": len(bays),
        "rms_mm": np.sqrt((error**2).mean(axis=0)).round(3).tolist(),
        "predicted_mm": np.sqrt((sigma**2).mean(axis=0)).round(3).tolist(),
        "rms_per_coordinate_mm": float(np.sqrt((error**2).mean())),
        "rms_in_space_mm": float(np.sqrt((error**2).sum(axis=2).mean())),
        "coverage": inside.mean(axis=0).round(3).tolist(),
        "coverage_pooled": float(inside.mean()),
        "band_of_one_coordinate": [float(low), float(high)],
        "tip_rms_mm": float(np.sqrt(np.mean([np.square(bay.tip_error) for bay in bays]))),
        "tip_coverage": float(np.mean([np.abs(bay.tip_error) <= 2 * np.array(bay.tip_sigma) for bay in bays])),
        "length_rms_mm": float(np.sqrt(np.mean([bay.length_error**2 for bay in bays]))),
        "length_coverage": float(np.mean([abs(bay.length_error) <= 2 * bay.length_sigma for bay in bays])),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    add_options(parser, 100)
    parser.add_argument("--photos", type=int, default=6)
    given = parser.parse_args()
    bays = campaign(partial(one_bay, photos=given.photos), OneBay, given)
    document = summary(bays) | {"each": [asdict(bay) for bay in bays]}
    if given.json:
        print(json.dumps(document, indent=1))
        return
    for name, value in summary(bays).items():
        print(f"{name:<24} {value}")


if __name__ == "__main__":
    main()
