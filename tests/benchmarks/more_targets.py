"""Whether U holds for two targets at once, a taught stand and a mat by its boards: the demo's course over many bays (1080p).

    python -m tests.benchmarks.more_targets [--bays 40] [--first 1] [--cores 2] [--rows FILE] [--json]

Every bay is surveyed with simulated corners (0.1 px, boards bent, lens, prints and all typed values within their ±). Then the
stand of the second reflector is taught from the board printed on its face, both reflectors are checked by one command, a
reflector at the rear corner and the mat by others. Printed are each figure's error over its standard uncertainty, its coverage
by U (k = 2), and the normalised squared error of each target's figures together, which is 1 for a true covariance. Figures of
one bay share errors, so the band of a coverage counts bays. With --rows bays are kept in a file and a second run goes on where
the first stopped.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
from scipy.stats import binom, chi2

import vision.parallel
from calib.paper.sheet import read_sheets
from calib.paper.stand import Stand, StandBoard
from calib.paper.stand_writing import Kept, write_stand
from cli.check import CheckRun
from cli.demo_bay import DemoBay
from cli.demo_course_bay import REAR, course, true_figures, write_typed
from cli.demo_more_targets import CLIPPED, LEFT, MAT, PRINTED
from cli.kept_survey import load_survey
from cli.stand_run import run_stand
from cli.stations import Desk, Overrides, open_desk
from cli.targets import desk_of, targets_of
from cli.together import run_together
from tests.support.kept_rows import add_options, campaign
from tests.support.photo_job import kept_survey, put_looked, put_photos
from tests.support.simulated import Simulated, bent, scene_of, simulate

ROUNDS = {"check-5": REAR, "check-6": LEFT, "check-8": MAT}
COVERAGE = 0.9545
BAND = 1e-3


@dataclass(frozen=True)
class OneBay:
    """Errors over standard uncertainties by target and figure, U (mm, deg) of each, and a target's normalised squared error."""

    seed: int
    error: dict[str, dict[str, float]]
    U: dict[str, dict[str, float]]
    nees: dict[str, float]


def one_bay(seed: int) -> OneBay:
    vision.parallel.LEAST_FOR_POOL = 1000  # blank photos are looked at faster than workers start
    demo = _without_other_rounds(bent(course(seed), seed))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "job"
        sim = simulate(folder, seed, of=scene_of(demo), typed=write_typed)
        put_photos(sim, folder, {photo: one for photo, one in sim.seen.items() if not photo.startswith("check-")})
        kept_survey(sim)
        _teach(sim, folder)
        runs: dict[str, CheckRun] = {}
        for epoch, placement in ROUNDS.items():
            runs |= _checked(sim, folder, epoch, placement)
    truth = {name: row for epoch in ROUNDS for name, row in true_figures(demo, epoch).items()}
    scores = {name: _score(run, truth[name]) for name, run in runs.items()}
    return OneBay(seed, *({name: score[i] for name, score in scores.items()} for i in range(3)))


def _without_other_rounds(demo: DemoBay) -> DemoBay:
    shots = tuple(shot for shot in demo.shots if not shot.epoch.startswith("check-") or shot.epoch in ROUNDS)
    return replace(demo, shots=shots)


def _teach(sim: Simulated, folder: Path) -> None:
    """The second reflector's stand file, from the board printed on its face."""
    desk = open_desk(folder, Overrides(), with_stand=False)
    on_target = (CLIPPED, PRINTED)
    looking = replace(desk, stand=Stand(tuple(StandBoard(board, 0.0, 0.0, 0.0) for board in on_target)))
    put_looked(looking, sim.demo.camera, folder / "photos", _of(sim, "check-6"))
    photos = sorted((folder / "photos" / "check-6").iterdir())
    run = run_stand(desk, load_survey(desk), folder / "face-2.toml", [CLIPPED], photos, _quiet)
    write_stand(folder / "second.toml", run.stand, Kept())


def _checked(sim: Simulated, folder: Path, epoch: str, placement: str) -> dict[str, CheckRun]:
    desk: Desk = open_desk(folder, Overrides())
    sheets = read_sheets(desk.job.need_sheet())
    wanted = next(sheet for sheet in sheets.placements if sheet.name == placement)
    targets = targets_of(desk, sheets, wanted, stand_given=False)
    put_looked(desk_of(targets), sim.demo.camera, folder / "photos", _of(sim, epoch))
    photos = sorted((folder / "photos" / epoch).iterdir())
    runs = run_together(targets, load_survey(desk), photos, _quiet, {"car_not_seen": None, "without": (), "guard_band": False})
    return {target.sheet.name: run for target, run in zip(targets, runs, strict=True)}


def _of(sim: Simulated, epoch: str):
    return {photo: one for photo, one in sim.seen.items() if photo.startswith(f"{epoch}/")}


def _quiet(stage: str, photo: str) -> None:
    """No progress is shown."""


def _score(run: CheckRun, truth: Mapping[str, float]) -> tuple[dict[str, float], dict[str, float], float]:
    measured = run.outcome.placement.measured
    degrees = np.array([name.endswith("_rad") for name in measured.names])
    names = [name.replace("_rad", "_deg") for name in measured.names]
    true = np.array([truth[name] for name in names])
    gap = measured.value - np.where(degrees, np.radians(true), true)
    sigma = np.sqrt(np.diag(measured.cov))
    shown = np.where(degrees, np.degrees(2 * sigma), 2 * sigma)
    nees = float(gap @ np.linalg.solve(measured.cov, gap)) / len(gap)
    return dict(zip(names, (gap / sigma).tolist(), strict=True)), dict(zip(names, shown.tolist(), strict=True)), nees


def summary(bays: list[OneBay]) -> dict[str, object]:
    count = len(bays)
    low, high = binom.ppf([BAND / 2, 1 - BAND / 2], count, COVERAGE) / count
    rows = []
    for target in bays[0].error:
        for name in bays[0].error[target]:
            z = np.array([bay.error[target][name] for bay in bays])
            median = float(np.median([bay.U[target][name] for bay in bays]))
            rows.append(
                {
                    "target": target,
                    "figure": name,
                    "median_U": median,
                    "rms_of_error_over_u": float(np.sqrt((z**2).mean())),
                    "coverage": float((np.abs(z) <= 2).mean()),
                }
            )
    sizes = {target: len(figures) for target, figures in bays[0].error.items()}
    nees = {target: float(np.mean([bay.nees[target] for bay in bays])) for target in sizes}
    bands = {target: (chi2.ppf([BAND / 2, 1 - BAND / 2], count * n) / (count * n)).tolist() for target, n in sizes.items()}
    pooled = [abs(z) <= 2 for bay in bays for some in bay.error.values() for z in some.values()]
    return {
        "bays": count,
        "coverage_pooled": float(np.mean(pooled)),
        "band_of_one_figure": [float(low), float(high)],
        "nees": nees,
        "nees_band": bands,
        "figures": rows,
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    add_options(parser, 40)
    given = parser.parse_args()
    bays = campaign(one_bay, OneBay, given)
    document = summary(bays)
    if given.json:
        print(json.dumps(document | {"each": [asdict(bay) for bay in bays]}, indent=1))
        return
    rows = document.pop("figures")
    for name, value in document.items():
        print(f"{name:<20} {value}")
    print(f"\n{'target':<12} {'figure':<14} {'median U':>9} {'error/u':>8} {'coverage':>9}")
    for row in rows:
        head = f"{row['target']:<12} {row['figure']:<14} {row['median_U']:9.3f}"
        print(f"{head} {row['rms_of_error_over_u']:8.2f} {row['coverage']:9.3f}")


if __name__ == "__main__":
    main()
