"""What a plan promises against what surveys then have: U_plan / U_survey over the bays of the accuracy campaign.

    python -m tests.benchmarks.plan_against_survey --rows FILE [--camera 1080p|12mp] [--json]

FILE holds the bays of `tests.benchmarks.accuracy` (simulated corners or rendered photos): each a random bay around the
reference bay, its photos taken some way off the intended places. The plan knows the reference bay as intended: car size, floor
boards, photo places, typed half-widths; the camera's lens as its photos give it; the light of the reference bay. Wanted: the
median of the ratio within 0.85 to 1.15 for each figure, and 90 % of the bays within 0.7 to 1.4.
"""

from __future__ import annotations

import argparse
import json
import math
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from calib.geometry.intended_targets import Intended
from calib.paper.bay import BayPlan, ByHand, CarSize, FloorPlace, PhotoPlace
from calib.paper.sheet import read_sheet
from calib.paper.stand import read_stand
from cli.plan_run import Setting, predict
from synthetic_images.background import light as lit
from tests.benchmarks.noise_law import BLACK, LAW, WHITE, noise_at
from tests.benchmarks.reference_bay import CAMERAS, CHECK, TrueBay, true_bay
from tests.benchmarks.typed_job import taped, write_lens, write_typed
from vision.boards_io import read_boards
from vision.camera_io import read_profile
from vision.imagined import SMALLEST_SQUARE_PX, Light

MEDIAN, SHARE_WITHIN, WITHIN = (0.85, 1.15), 0.9, (0.7, 1.4)
CAR_FIGURES = ("thrust_angle_deg", "rear_toe_left_deg", "rear_toe_right_deg")


def intended(one: TrueBay) -> BayPlan:
    """The reference bay as a bay file has it."""
    ref = one.reference
    car, known = ref["car"], ref["known"]
    return BayPlan(
        CarSize(car["wheelbase_mm"], car["track_mm"], car["track_mm"], car["tyre_radius_mm"]),
        ByHand(2.0 * known["sigma_heave_mm"], known["standoff_pm_mm"], known["tape_pm_mm"]),
        tuple(turn for epoch, turn in ref["roll"].items() if epoch != "rest"),
        tuple(FloorPlace(row["name"], row["x_mm"], row["y_mm"], row["turn_deg"]) for row in ref["floor"]),
        tuple(
            PhotoPlace(
                "check" if row["epoch"] == CHECK else row["epoch"],
                tuple(row["at_mm"]),
                tuple(row["towards_mm"]),
                abs(row["roll_deg"]) > 45.0,
                row["words"],
            )
            for row in ref["photo"]
        ),
        (),
        taped(one),
    )


def usual_light(one: TrueBay) -> Light:
    """Noise and contrast in the middle of the reference bay, at its blur."""
    imaging = one.imaging
    bright = float(lit(np.array([1500.0, 0.0, 300.0]))) * imaging.exposure * 0.9
    return Light(
        noise_at(imaging, bright * (WHITE + BLACK) / 2), 255.0 * bright * (WHITE - BLACK), imaging.blur_px, SMALLEST_SQUARE_PX
    )


def planned(camera: str) -> dict[str, float]:
    """U of every figure that the plan promises, deg and mm."""
    one = true_bay(camera)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_typed(one, folder, None)
        write_lens(one, folder, LAW, None)
        setting = Setting(
            intended(one),
            (Intended(read_sheet(folder / "sheet.toml"), read_stand(folder / "stand.toml")),),
            read_boards(folder / "boards.toml"),
            read_profile(folder / "shop.lens.toml"),
            usual_light(one),
        )
    found = predict(setting)
    rows = [(found.placed[0].placement.measured, name) for name in found.placed[0].placement.measured.names]
    figures = found.car.figures.estimate
    rows += [(figures, name.replace("_deg", "_rad")) for name in CAR_FIGURES]
    return {
        name.replace("_rad", "_deg"): 2.0 * estimate.sigma(name) * (180.0 / math.pi if name.endswith("_rad") else 1.0)
        for estimate, name in rows
    }


def agreement(plan: float, surveyed: np.ndarray) -> dict[str, float]:
    """U planned against U (n,) of surveys."""
    ratio = plan / surveyed
    return {
        "U_plan": plan,
        "median": float(np.median(ratio)),
        "within": float(np.mean((ratio >= WITHIN[0]) & (ratio <= WITHIN[1]))),
        "least": float(ratio.min()),
        "most": float(ratio.max()),
    }


def compared(rows: list[dict[str, Any]], camera: str) -> dict[str, Any]:
    """Median, and share of bays within the band, of U_plan / U_survey by figure."""
    bays = [row for row in rows if row["camera"] == camera and not row["failed"]]
    if not bays:
        raise SystemExit(f"no bay of camera {camera} in these rows: run python -m tests.benchmarks.accuracy --rows FILE first")
    out = {}
    for name, plan in planned(camera).items():
        out[name] = agreement(plan, 2.0 * np.array([row["u"][name] for row in bays]))
    return {"camera": camera, "bays": len(bays), "figures": out}


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--rows", type=Path, required=True)
    parser.add_argument("--camera", choices=(*CAMERAS, "both"), default="both")
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    rows = [json.loads(line) for line in asked.rows.read_text(encoding="utf-8").splitlines()]
    cameras = CAMERAS if asked.camera == "both" else (asked.camera,)
    results = [compared(rows, camera) for camera in cameras]
    if asked.json:
        print(json.dumps(results, indent=1))
        return
    for result in results:
        print(f"{result['camera']}, {result['bays']} bays: U_plan / U_survey")
        print(f"{'figure':20s} {'U plan':>8s} {'median':>7s} {'90 % in':>8s} {'least':>6s} {'most':>6s}")
        for name, row in result["figures"].items():
            good = MEDIAN[0] <= row["median"] <= MEDIAN[1] and row["within"] >= SHARE_WITHIN
            cells = f"{row['U_plan']:8.4f} {row['median']:7.2f} {row['within']:8.0%} {row['least']:6.2f} {row['most']:6.2f}"
            print(f"{name:20s} {cells}{'' if good else '  outside'}")


if __name__ == "__main__":
    main()
