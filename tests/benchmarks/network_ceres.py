"""The network's speed against COLMAP's rig adjustment (Ceres, `pycolmap`) on the same observations, 20 to 400 photos.

Both get the same corners and the same start (some tenths of a degree and a centimetre off), hold lens, scales and bends, have
no tape distances and no robust weights, and end when the square sum falls by less than 1e-10 of itself. Ours is
`adjust_network` whole: arrays from the sightings, adjustment, joint covariance, strength of every body. Theirs is COLMAP's part
alone: Ceres's problem built from a reconstruction that is there already, and solved, without covariance; of COLMAP's own choice
of solver and a direct Schur solver on one and on two threads the fastest counts.
Ours holds linear algebra to one thread, as the command does.

    python -m tests.benchmarks.network_ceres [--photos 20 50 100 200 400] [--boards 24] [--repeat 5] [--json]

Needs the `reference` extra. Ratios count (ours / theirs, wanted: 1 or less up to 100 photos, 2 or less at 400); absolute times
depend on the machine. Growth is the slope of log time over log photos (wanted: 1 or less).
"""

from __future__ import annotations

from tests.support import one_thread  # noqa: F401 - as the command: set before numpy is loaded

# isort: split
import argparse
import json
import statistics
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tests.support.colmap_rig import Reconstruction, rough_start
from tests.support.network_world import CAMERA, lens_profile, ring_world, small_boards, views_of
from vision.boards import BoardSet
from vision.network import Network, adjust_network
from vision.network_start import Start
from vision.observations import BodySighting, View
from vision.unknowns import Hold

DATUM = "b0"
NOISE_PX = 0.3
TOLERANCES = (1e-10, 1e-10, 1e-10)
WAYS = {"its own choice": ("", -1), "direct, 1 thread": ("SPARSE_SCHUR", 1), "direct, 2 threads": ("SPARSE_SCHUR", 2)}


@dataclass(frozen=True, eq=False)
class Task:
    """What both sides are given."""

    views: list[View]
    boards: BoardSet
    start: Start

    @property
    def corners(self) -> int:
        return sum(len(seen.sighting.corner_ids) for view in self.views for seen in view.seen)


def task_of(photos: int, boards: int) -> Task:
    board_set = small_boards(boards)
    world = ring_world(1, photos=photos, board_set=board_set)
    views = _seen_twice(views_of(world, noise_px=NOISE_PX, seed=1))
    return Task(views, board_set, rough_start(world.cam_from_world, world.world_from_body, DATUM, 2))


def _seen_twice(views: Sequence[View]) -> list[View]:
    """Without corners that one photo alone shows: COLMAP takes none."""
    count = Counter((s.body, int(i)) for view in views for s in view.seen for i in s.sighting.corner_ids)

    def part(seen: BodySighting) -> BodySighting:
        s = seen.sighting
        keep = np.array([count[seen.body, int(i)] > 1 for i in s.corner_ids])
        return replace(seen, sighting=replace(s, corner_ids=s.corner_ids[keep], px=s.px[keep], cov_px=s.cov_px[keep]))

    kept = [replace(view, seen=tuple(s for s in map(part, view.seen) if len(s.sighting.corner_ids) >= 6)) for view in views]
    return [view for view in kept if view.seen]


def ours(task: Task) -> tuple[float, Network]:
    began = time.perf_counter()
    network = adjust_network(
        task.views,
        task.boards,
        {"cam": lens_profile()},
        datum=DATUM,
        hold=Hold(lens=True, scale=True, bend=True),
        robust=False,
        start=task.start,
    )
    return time.perf_counter() - began, network


def theirs(task: Task, way: str) -> Reconstruction:
    solver, threads = WAYS[way]
    model = Reconstruction(task.views, task.boards, CAMERA, task.start, DATUM)
    model.adjust(TOLERANCES, solver_type=solver, threads=threads)
    return model


def largest_gap_mm(network: Network, model: Reconstruction) -> float:
    """How far apart the two put the photos: both have to arrive."""
    return max(
        float(np.linalg.norm(pose.translation_mm - model.cam_from_survey(photo).translation_mm))
        for photo, pose in network.cam_from_survey.items()
    )


def run(photos: int, boards: int, repeat: int) -> dict[str, object]:
    task = task_of(photos, boards)
    our_s: list[float] = []
    their_s: dict[str, list[float]] = {way: [] for way in WAYS}
    gap_mm = 0.0
    for _ in range(repeat):  # turn by turn: whatever else the machine does strikes both
        seconds, network = ours(task)
        our_s.append(seconds)
        for way in WAYS:
            model = theirs(task, way)
            their_s[way].append(model.seconds)
            gap_mm = max(gap_mm, largest_gap_mm(network, model))
    medians = {way: statistics.median(times) for way, times in their_s.items()}
    best = min(medians, key=lambda way: medians[way])
    return {
        "photos": len(task.views),
        "sightings": sum(len(view.seen) for view in task.views),
        "corners": task.corners,
        "unknowns": 6 * (len(task.views) + len(network.bodies_seen) - 1),
        "ours_s": statistics.median(our_s),
        "theirs_s": medians,
        "theirs_best": best,
        "ratio": statistics.median(our_s) / medians[best],
        "largest_gap_mm": gap_mm,
    }


def growth(rows: Sequence[dict[str, object]], seconds: Sequence[float]) -> float:
    """Exponent of the time as a power of the number of photos."""
    return float(np.polyfit(np.log([float(str(row["photos"])) for row in rows]), np.log(seconds), 1)[0])


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos", type=int, nargs="+", default=[20, 50, 100, 200, 400])
    parser.add_argument("--boards", type=int, default=24)
    parser.add_argument("--repeat", type=int, default=5)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    ours(task_of(12, given.boards))  # what is loaded at first use is no part of the adjustment
    rows = [run(photos, given.boards, given.repeat) for photos in given.photos]
    exponents = {
        "ours": growth(rows, [row["ours_s"] for row in rows]),
        "theirs": growth(rows, [row["theirs_s"][row["theirs_best"]] for row in rows]),
    }
    if given.json:
        print(json.dumps({"sizes": rows, "growth": exponents}, indent=1))
        return
    print("photos  sightings  corners  unknowns   ours s  theirs s  ratio  largest gap mm  theirs")
    for row in rows:
        best = row["theirs_best"]
        print(
            f"{row['photos']:6d}  {row['sightings']:9d}  {row['corners']:7d}  {row['unknowns']:8d}  {row['ours_s']:7.3f}  "
            f"{row['theirs_s'][best]:8.3f}  {row['ratio']:5.2f}  {row['largest_gap_mm']:14.5f}  {best}"
        )
    print(f"growth with the photos: ours {exponents['ours']:.2f}, theirs {exponents['theirs']:.2f} (1 is linear)")


if __name__ == "__main__":
    main()
