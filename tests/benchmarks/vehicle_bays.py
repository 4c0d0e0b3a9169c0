"""The whole car on random bays: errors of toe, camber, wheelbase, diagonals, rolling radii and floor, and is U true?

    python -m tests.benchmarks.vehicle_bays [--bays 100] [--first 1] [--cores 2] [--rows FILE] [--json]

Bays as in `tests.benchmarks.accuracy`, of its 1080p camera: simulated corners, four epochs over half a turn, ten photos each;
the car heaves by 0.5 mm and tilts by 0.015° (σ) from epoch to epoch, wanders and steers a little; stand-offs are typed with
±0.6 mm. Only the survey is measured. Every wheel turns by its own way over its own radius. The floor's pitch and roll (around
the stand against under the car) are judged as the boards' feet lie; its unevenness between them is no error of measuring. With
--rows bays are kept in a file and a second run goes on where the first stopped.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.alignment import alignment, stand_boards
from calib.pipeline import Car
from cli.table import table
from synthetic_images import truth
from synthetic_images.bay import WHEEL_POSITIONS
from synthetic_images.rigid import Array, rot_z
from tests.benchmarks.accuracy_bay import Trial, bay_of, simulated_job
from tests.benchmarks.accuracy_summary import coverage_band, pooled_coverage
from tests.benchmarks.noise_law import LAW
from tests.benchmarks.reference_bay import TYRE_MIDDLE_MM, TrueBay, mean_floor
from tests.support import figures as fg
from tests.support.kept_rows import keep_row, rows_in
from tests.support.simulated import car, scene_of, surveyed
from vision.errors import MeasurementError
from vision.frames import Estimate
from vision.parallel import in_parallel

CAMERA = "1080p"
SIDES = ("left", "right")
WANTED = {
    **{f"rear_toe_{side}_deg": 0.02 for side in SIDES},
    **{f"front_toe_{side}_deg": 0.04 for side in SIDES},
    "front_total_toe_deg": 0.03,
    **{f"camber_{wheel}_deg": 0.03 for wheel in WHEEL_POSITIONS},
    **{f"wheelbase_{side}_mm": 0.5 for side in SIDES},
    "diagonal_difference_mm": 0.7,
    **{f"radius:{wheel}_mm": 0.5 for wheel in WHEEL_POSITIONS},
    "floor_pitch_deg": 0.01,
    "floor_roll_deg": 0.01,
}
"""Largest RMS errors wanted."""
ALSO = ("rear_total_toe_deg", "thrust_angle_deg", "travel_to_thrust_deg")
FIGURES = (*WANTED, *ALSO)
POOLED = (0.93, 0.97)


@dataclass
class Row:
    """One bay, deg and mm: error and standard uncertainty of every figure; why it could not be measured, if so."""

    seed: int
    error: dict[str, float] = field(default_factory=dict)
    u: dict[str, float] = field(default_factory=dict)
    sigma0: float = 0.0
    remarks: list[str] = field(default_factory=list)
    failed: str = ""


def physical(one: TrueBay) -> TrueBay:
    """The same bay with every wheel turned by its own way: in a bend the outer one goes further than the car's middle."""
    spins = {}
    for wheel in one.bay.wheels:
        tyre = np.append(wheel.reference_in_car_mm - TYRE_MIDDLE_MM * wheel.axis_in_car(), 1.0)
        for epoch in one.bay.epochs:
            if epoch.name != "rest" and epoch.stand is None:
                moved = np.linalg.inv(one.bay.bay_from_car) @ one.bay.bay_from_car_in(epoch.name) @ tyre - tyre
                way = float((rot_z(epoch.yaw_rad / 2.0) @ [1.0, 0.0, 0.0]) @ moved[:3])
                spins[wheel.position, epoch.name] = (way - epoch.travel_mm) / wheel.radius_mm
    return replace(one, bay=replace(one.bay, spins_rad=spins))


def true_values(one: TrueBay, around_stand: NDArray[np.bool_]) -> dict[str, float]:
    """Over the mean floor, on which the car stands and rolls; pitch and roll of the floor as its boards' feet lie.

    `around_stand` says which boards count for the stand: one may lie just at the border.
    """
    flat = mean_floor(one.bay)
    out = fg.true_by_name(one.figures)
    up = truth.floor_plane(flat)[1]
    at = {wheel: truth.reference_point(flat, wheel) for wheel in WHEEL_POSITIONS}
    out["diagonal_difference_mm"] = _flat(at["front_left"] - at["rear_right"], up) - _flat(
        at["front_right"] - at["rear_left"], up
    )
    out |= {f"radius:{wheel.position}_mm": wheel.radius_mm for wheel in one.bay.wheels}
    return out | _slopes(one, up, around_stand) | {"travel_to_thrust_deg": _way(one, up)}


def _flat(gap: Array, up: Array) -> float:
    return float(np.linalg.norm(gap - up * (gap @ up)))


def _slopes(one: TrueBay, up: Array, around_stand: NDArray[np.bool_]) -> dict[str, float]:
    """Pitch and roll of the feet around the stand against those under the car, by least squares for each part."""
    feet, flat = one.bay.floor_feet(), mean_floor(one.bay)
    ahead = truth.centreline_direction(flat)
    along, left, height = feet @ ahead, feet @ np.cross(up, ahead), feet @ up
    slopes = []
    for part in (~around_stand, around_stand):
        design = np.column_stack([along[part], left[part], np.ones(part.sum())])
        slopes.append(np.linalg.lstsq(design, height[part], rcond=None)[0][:2])
    pitch, roll = slopes[1] - slopes[0]
    return {"floor_pitch_deg": -math.degrees(pitch), "floor_roll_deg": math.degrees(roll)}


def _way(one: TrueBay, up: Array) -> float:
    """Angle of the rear middle's way to the thrust line, each piece against the heading half-way, + to the left."""
    names = [epoch.name for epoch in one.bay.epochs if epoch.stand is None]
    pieces = []
    for before, after in zip(names[:-1], names[1:], strict=True):
        way = truth.axle_middle(one.bay, "rear", after) - truth.axle_middle(one.bay, "rear", before)
        heading = truth.thrust_direction(one.bay, before) + truth.thrust_direction(one.bay, after)
        heading = heading / np.linalg.norm(heading)
        pieces.append([way @ heading, way @ np.cross(up, heading)])
    along, left = np.array(pieces).T
    return math.degrees(math.atan(float(along @ left) / float(along @ along)))


def measured(one: TrueBay, folder: Path, rng: np.random.Generator) -> tuple[fg.Figures, Car, NDArray[np.bool_]]:
    """All figures of the car from the survey of one bay, the car, and which floor boards lie around the stand."""
    sim = simulated_job(one, scene_of(one.demo), folder, LAW, rng)
    found = car(sim, surveyed(sim))
    whole = alignment(found, sim.desk.job, sim.desk.boards)
    rows = fg.of_car(found) | fg.of_estimate(found.fit.rolling)
    for estimate in whole.estimates:
        if "floor_pitch_rad" in estimate.names:
            rows |= fg.of_estimate(_as_the_feet_lie(estimate))
    return rows, found, stand_boards(found, whole.floor)[0]


def _as_the_feet_lie(slopes: Estimate) -> Estimate:
    return slopes.without([source for source in slopes.parts if source == "floor"])


def one_bay(seed: int) -> Row:
    trial = Trial(seed, CAMERA)
    with tempfile.TemporaryDirectory() as folder:
        one = physical(bay_of(trial))
        try:
            found, seen, around_stand = measured(one, Path(folder), np.random.default_rng([seed, 1]))
        except MeasurementError as err:
            return Row(seed, failed=str(err))
    known = true_values(one, around_stand)
    error = {name: found[name].value - known[name] for name in FIGURES}
    return Row(seed, error, {name: found[name].u for name in FIGURES}, seen.fit.sigma0, list(seen.remarks))


def campaign(asked: argparse.Namespace) -> list[Row]:
    """All bays wanted, those kept in the file not measured again."""
    seeds = range(asked.first, asked.first + asked.bays)
    rows = [row for row in rows_in(asked.rows, Row) if row.seed in seeds]
    left = [seed for seed in seeds if seed not in {row.seed for row in rows}]
    for row in in_parallel(one_bay, left, cores=asked.cores):
        rows.append(row)
        keep_row(asked.rows, row)
        print(f"seed {row.seed} ({len(rows)} of {asked.bays}){': ' + row.failed if row.failed else ''}", file=sys.stderr)
    return rows


def summary(every: list[Row]) -> dict[str, Any]:
    """RMS and largest error, median U, and how many errors lie inside U, by figure and pooled."""
    rows = [row for row in every if not row.failed]
    error, u = (np.array([[getattr(row, what)[name] for name in FIGURES] for row in rows]) for what in ("error", "u"))
    inside, band = np.abs(error) <= 2 * u, coverage_band(len(rows))
    figures = {
        name: {
            "wanted": WANTED.get(name),
            "rms_error": float(np.sqrt(np.mean(error[:, i] ** 2))),
            "worst_error": float(np.abs(error[:, i]).max()),
            "median_U": float(2 * np.median(u[:, i])),
            "mean_square": float(np.mean((error[:, i] / u[:, i]) ** 2)),
            "inside": int(inside[:, i].sum()),
            "in_band": bool(band[0] <= inside[:, i].sum() <= band[1]),
        }
        for i, name in enumerate(FIGURES)
    }
    out: dict[str, Any] = {
        "bays": len(rows),
        "failed": {f"seed {row.seed}": row.failed for row in every if row.failed},
        "remarks": {f"seed {row.seed}": row.remarks for row in rows if row.remarks},
        "figures": figures,
        "coverage_band": band,
        "coverage": pooled_coverage(inside),
        "median_sigma0": float(np.median([row.sigma0 for row in rows])),
    }
    return out | {"missed": missed(out)}


def missed(result: Mapping[str, Any]) -> list[str]:
    out = []
    low, high = result["coverage_band"]
    for name, row in result["figures"].items():
        if row["wanted"] is not None and row["rms_error"] > row["wanted"]:
            out.append(f"{name}: RMS {row['rms_error']:.4f}, wanted {row['wanted']}")
        if not row["in_band"]:
            out.append(f"{name}: {row['inside']} of {result['bays']} inside U, wanted {low} to {high}")
    if not POOLED[0] <= result["coverage"]["share"] <= POOLED[1]:
        out.append(f"{result['coverage']['share']:.1%} of all figures inside U, wanted 93 to 97 %")
    return out + [f"{seed} failed: {words}" for seed, words in result["failed"].items()]


def in_words(result: Mapping[str, Any]) -> str:
    rows = []
    for name, row in result["figures"].items():
        digits = 4 if name.endswith("deg") else 2
        numbers = [f"{row[k]:.{digits}f}" for k in ("rms_error", "worst_error", "median_U")]
        wanted = "" if row["wanted"] is None else f"{row['wanted']:.2f}"
        inside = f"{row['inside']}/{result['bays']}{'' if row['in_band'] else ' !'}"
        rows.append([name, numbers[0], wanted, *numbers[1:], inside, f"{row['mean_square']:.2f}"])
    low, high = result["coverage_band"]
    pooled = result["coverage"]
    lines = [
        table(["figure", "rms error", "wanted", "worst", "median U", "inside U", "(error/u)²"], rows, tuple(range(1, 7))),
        f"{result['bays']} bays; inside U wanted {low} to {high}",
        f"inside U over all figures {pooled['share']:.1%} ({pooled['low']:.1%} to {pooled['high']:.1%}), wanted 93 to 97 %",
        f"median sigma0 of the wheels {result['median_sigma0']:.2f}; {len(result['remarks'])} bays with remarks",
    ]
    return "\n".join([*lines, "not reached: " + ("; ".join(result["missed"]) or "nothing, all wanted numbers hold")])


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--bays", type=int, default=100)
    parser.add_argument("--first", type=int, default=1, help="first seed")
    parser.add_argument("--cores", type=int, default=2)
    parser.add_argument("--rows", type=Path, help="keep bays in this file and go on from it")
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    result = summary(campaign(asked))
    print(json.dumps(result, indent=1) if asked.json else in_words(result))


if __name__ == "__main__":
    main()
