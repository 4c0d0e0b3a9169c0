"""U of the frozen reference bay itself against what is wanted of it, by camera and boards, and what limits each figure.

Called by `python -m tests.benchmarks.accuracy --reference`. `bound` is U = 2σ with corners weighted as they really scatter;
`reported` is what the job states from corners with the σ detection states now (simulated corners, one seed). Beside each bound:
the sources that make most of it, in the same unit. Distance from a floor mark: from the target's centre to the centre mark of
the floor board nearest to it.
"""

from __future__ import annotations

import json
import math
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from calib.bodies import body_of
from calib.geometry.stand import TARGET, target_pose
from cli.stations import Desk
from cli.table import table
from synthetic_images.rigid import Array, apply
from tests.benchmarks.accuracy_bay import Measurement, Trial, bay_of, bounds, measurement, simulated_job
from tests.benchmarks.noise_law import FOUND
from tests.benchmarks.reference_bay import CAMERAS, CHECK, TrueBay
from tests.support.simulated import Simulated, car, checked, scene_of, surveyed
from vision.frames import Estimate
from vision.network import Network

WANTED = {
    "thrust_to_marks_deg": ("thrust direction, from the taped floor marks", 0.025, 0.012),
    "thrust_direction_deg": ("thrust direction, from the first floor board's edge", 0.025, 0.012),
    "rear_toe_left_deg": ("rear toe left", 0.03, 0.015),
    "rear_toe_right_deg": ("rear toe right", 0.03, 0.015),
    "distance_mm": ("distance from the front axle", 2.0, 1.6),
    "mark_distance_mm": ("distance from a floor mark", 1.0, 0.5),
    "lateral_mm": ("lateral to the thrust line", 2.0, 1.0),
    "yaw_deg": ("yaw to the thrust line", 0.04, 0.02),
}
"""In words, and U wanted at 1080p and 12 megapixels."""
SEED = 1


def mark_distance(one: TrueBay, desk: Desk, network: Network) -> Estimate:
    """From the target's centre to the centre mark of the nearest floor board, joint over the check's network."""
    if desk.stand is None:
        raise ValueError("the reference bay has a stand")
    bodies = {name: body_of(name, CHECK, desk.job.floor) for name in desk.stand.names}
    poses = target_pose(network.poses, desk.stand, desk.boards, bodies, "ahead")
    mark = nearest_mark(one)
    centre = desk.boards[mark].centre_mm

    def distance(state: Any) -> Array:
        return np.array([np.linalg.norm(state[TARGET].translation_mm - state[mark].apply(centre))])

    return poses.of([TARGET, mark]).propagate(["mark_distance_mm"], distance)


def nearest_mark(one: TrueBay) -> str:
    target = one.bay.bay_from_target(CHECK)[:3, 3]
    poses = one.bay.board_poses(CHECK)
    far = {
        b.name: np.linalg.norm(apply(poses[b.name], one.bay.boards[b.name].centre_mm) - target) for b in one.bay.floor_boards
    }
    return min(far, key=lambda name: far[name])


def estimates(found: Measurement, extra: Estimate) -> dict[str, tuple[float, dict[str, float]]]:
    """U (deg, mm) of every wanted figure, and U by source."""
    out = {}
    for joint in (*found.joint.values(), found.marks, extra):
        for i, name in enumerate(joint.names):
            factor = 2.0 * (math.degrees(1.0) if name.endswith("_rad") else 1.0)
            parts = {source: factor * math.sqrt(max(float(part[i, i]), 0.0)) for source, part in joint.parts.items()}
            out[name.replace("_rad", "_deg")] = factor * math.sqrt(float(joint.cov[i, i])), parts
    return {name: out[name] for name in WANTED}


def reported(one: TrueBay, camera: str, folder: Path) -> dict[str, tuple[float, dict[str, float]]]:
    """What the job states, from simulated corners with the σ that detection states."""
    rng = np.random.default_rng([SEED, 1])
    sim: Simulated = simulated_job(one, scene_of(one.demo), folder, FOUND[camera], rng)
    network = surveyed(sim)
    run = checked(sim, network)
    found = measurement(one, car(sim, network), run.outcome.placement.measured)
    return estimates(found, mark_distance(one, sim.desk, run.network))


def rows() -> list[dict[str, Any]]:
    """One row a figure, camera and board variant."""
    out = []
    for variant in ("a3", "a4"):
        for camera in CAMERAS:
            one = bay_of(Trial(0, camera, variant, reference=True))
            with tempfile.TemporaryDirectory() as folder:
                limit, exact, _, check = bounds(one, Path(folder) / "exact")
                bound = estimates(limit, mark_distance(one, exact.desk, check))
                stated = reported(one, camera, Path(folder) / "typed")
            for name, (words, small, large) in WANTED.items():
                wanted = small if camera == "1080p" else large
                out.append(_row(words, variant, camera, wanted, bound[name], stated[name][0]))
    return out


def _row(
    words: str, variant: str, camera: str, wanted: float, bound: tuple[float, dict[str, float]], stated: float
) -> dict[str, Any]:
    u, parts = bound
    without = math.sqrt(max(u**2 - parts.get("stand file", 0.0) ** 2, 0.0))
    return {
        "figure": words,
        "boards": variant,
        "camera": camera,
        "wanted_U": wanted,
        "bound_U": u,
        "reported_U": stated,
        "bound_without_stand_file_U": without,
        "sources": dict(sorted(parts.items(), key=lambda item: -item[1])),
    }


def report(*, as_json: bool) -> str:
    found = rows()
    if as_json:
        return json.dumps(found, indent=1)
    lines = []
    for row in found:
        digits = 4 if row["wanted_U"] < 0.1 else 2
        numbers = [f"{row[k]:.{digits}f}" for k in ("bound_without_stand_file_U", "bound_U", "reported_U")]
        holds = "yes" if row["reported_U"] <= row["wanted_U"] else "bound only" if row["bound_U"] <= row["wanted_U"] else "NO"
        top = ", ".join(f"{source} {value:.{digits}f}" for source, value in list(row["sources"].items())[:3])
        lines.append([row["figure"], row["boards"], row["camera"], f"{row['wanted_U']:g}", *numbers, holds, top])
    head = [
        "U of",
        "boards",
        "camera",
        "wanted",
        "w/o stand file",
        "bound",
        "reported",
        "holds",
        "largest sources of the bound",
    ]
    return table(head, lines, (3, 4, 5, 6))
