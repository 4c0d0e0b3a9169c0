"""What a plan promises of targets that stand at once, and of mats, against what surveys then have: U_plan / U_survey.

    python -m tests.benchmarks.plan_of_groups [--bays 6] [--first 1] [--camera 1080p|12mp] [--case TEXT]
                                              [--cores 2] [--rows FILE] [--json]

Every case (two reflectors in the same pictures, a panel and a reflector at the rear corner, a panel and a mat, a mat beside the
car, a mat whose marks are touched by a stylus taught for it) is planned as `bayfix plan` does, with the floor boards and photos
it offers. `--bays` random bays of each are then built as in the accuracy campaign: car, camera, floor and everything nobody
knows drawn about the reference bay, every photo taken some 15 cm off the place it is asked for; corners are simulated and
measured by the stations of `survey`, `check` and `touch`. Wanted: the median of the ratio within 0.85 to 1.15 for each figure,
and 90 % of the bays within 0.7 to 1.4; and errors within U as often as U says (95 %).
"""

from __future__ import annotations

from tests.support import one_thread  # noqa: F401 - as the command: set before numpy is loaded

# isort: split
import argparse
import json
import math
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from calib.bodies import held_body, touch_view, view_of
from calib.geometry.mats import mat_placement
from calib.geometry.stylus import Tip, TouchedBy, fit_pivot
from calib.paper.placements import Sheet
from cli.check import How
from cli.check_run import Looked, on_survey, outcome_of
from cli.kept_survey import Survey
from cli.mat_run import mat_in_photos
from cli.plan_run import Setting, predict
from cli.stations import Desk, Overrides, adjusted, car_from, open_desk
from cli.targets import Target, desk_of, targets_of
from synthetic_images import truth
from synthetic_images.bay import Stand as TrueStand
from synthetic_images.corners import visible_corners
from synthetic_images.shot import Shot
from synthetic_images.touches import TEACH, TrueStylus, teach_shots, touch_epoch, touch_shots
from tests.benchmarks.accuracy_bay import sighting
from tests.benchmarks.noise_law import LAW
from tests.benchmarks.plan_against_survey import MEDIAN, SHARE_WITHIN, agreement, usual_light
from tests.benchmarks.plan_cases import CASES, planned_bay, reference_of, set_up, targets_in, write_case
from tests.benchmarks.reference_bay import CAMERAS, CHECK, TrueBay, mean_floor, true_bay
from tests.benchmarks.typed_job import corner_sigma_px, write_lens, write_typed
from tests.support.kept_rows import add_options, campaign
from tests.support.simulated import scene_of
from tests.support.touched import BOARD
from vision.boards_io import read_boards
from vision.camera_io import read_profile
from vision.errors import MeasurementError
from vision.frames import Estimate
from vision.network import adjust_network
from vision.observations import View
from vision.sightings import PhotoSightings

VARIANT = "a4"
HOW: How = {"car_not_seen": None, "without": (), "guard_band": False}


@dataclass
class Row:
    """One bay of each case: standard uncertainty and error of every figure, deg and mm, by "case: target: figure"."""

    seed: int
    u: dict[str, float] = field(default_factory=dict)
    error: dict[str, float] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)


def planned(camera: str, case: str) -> dict[str, float]:
    """U (k = 2) of every figure that the plan promises, by "target: figure"."""
    one = true_bay(camera, VARIANT)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_typed(one, folder, None)
        write_lens(one, folder, LAW, None)
        write_case(CASES[case], folder)
        boards = read_boards(folder / "boards.toml")
        _, targets = targets_in(folder)
        lens = read_profile(folder / "shop.lens.toml")
        found = predict(Setting(planned_bay(targets, boards), targets, boards, lens, usual_light(one)))
    out = {}
    for target, placed in zip(targets, found.placed, strict=True):
        error = placed.placement.error
        out |= {f"{target.name}: {printed(n)}": 2.0 * error.sigma(n) * factor(n) for n in error.names}
    return out


def printed(name: str) -> str:
    return name.replace("_rad", "_deg")


def factor(name: str) -> float:
    return 180.0 / math.pi if name.endswith("_rad") else 1.0


def one_bay(seed: int, camera: str, cases: Sequence[str]) -> Row:
    row = Row(seed)
    for case in cases:
        with tempfile.TemporaryDirectory() as name:
            try:
                measure(row, case, camera, Path(name))
            except MeasurementError as err:
                row.failed[case] = str(err)
    return row


def measure(row: Row, case: str, camera: str, folder: Path) -> None:
    """One random bay of a case, from its true corners to the placements of all its targets."""
    rng = np.random.default_rng([row.seed, list(CASES).index(case)])
    write_case(CASES[case], folder)
    sheets, targets = targets_in(folder)
    plan = planned_bay(targets, true_bay(camera, VARIANT, also=("body-1", "body-2")).bay.boards)
    one = true_bay(camera, VARIANT, rng, reference=reference_of(plan), also=("body-1", "body-2"))
    write_typed(one, folder, rng)
    write_lens(one, folder, LAW, rng)
    write_case(CASES[case], folder)  # its own sheet, in the place of the campaign's
    text = (folder / "job.toml").read_text(encoding="utf-8")
    files = ", ".join(f'{target.name} = "{target.name}.toml"' for target in targets if target.carrier)
    (folder / "job.toml").write_text(text.replace('stand = "', f'stands = {{ {files} }}\nstand = "', 1), encoding="utf-8")
    one = set_up(one, targets, plan, rng)
    desk = open_desk(folder, Overrides())
    checked = targets_of(desk, sheets, sheets.placements[0], stand_given=False)
    for target, figures in _checked(one, desk_of(checked), checked, rng):
        true = true_figures(one, target)
        for name in figures.names:
            label = f"{case}: {target.sheet.name}: {printed(name)}"
            row.u[label] = figures.sigma(name) * factor(name)
            row.error[label] = float(figures.value[figures.index(name)]) * factor(name) - true[printed(name)]


def _checked(one: TrueBay, desk: Desk, targets: tuple[Target, ...], rng: np.random.Generator) -> list[tuple[Target, Any]]:
    """What the stations of `survey` and `check` make of the corners, target by target."""
    views = _views(one, desk, targets, rng)
    early = [view for epoch, some in views.items() if epoch != CHECK for view in some if view.seen]
    network = adjusted(desk, early)
    survey = Survey("simulated", "today", network.state, tuple(epoch for epoch in views if epoch != CHECK), {"rejected": []})
    if not any(target.boards for target in targets):
        return [(target, touched_placement(one, desk, survey, target.sheet, rng)) for target in targets]
    late = [view for view in views[CHECK] if view.seen]
    looked = Looked(CHECK, (), tuple(late), on_survey(desk, survey, late), ())
    car = car_from(desk, survey, looked.adjusted[0].poses)
    out = []
    for target in targets:
        if target.sheet.kind == "mat":
            run = mat_in_photos(target, looked, car, **HOW)
        else:
            run = outcome_of(target.desk, target.sheet, survey, CHECK, late, looked.adjusted, car=car, **HOW)
        out.append((target, run.outcome.placement.measured.of(target.sheet.names)))
    return out


def touched_placement(one: TrueBay, desk: Desk, survey: Survey, sheet: Sheet, rng: np.random.Generator) -> Estimate:
    """The marks of a mat from a stylus that is taught between them and then set on each."""
    bay, (mat,) = one.bay, one.bay.epoch(CHECK).mats
    places = {mark.name: mat.mark_mm(mark.name, bay.floor) for mark in mat.marks}
    epochs = [replace(bay.epoch("rest"), name=name) for name in (TEACH, *map(touch_epoch, places))]
    one = replace(one, bay=replace(bay, epochs=(*bay.epochs, *epochs)))
    width, height = bay.boards[BOARD].size_mm
    stylus = TrueStylus(BOARD, tuple(np.array([width / 2, height + 100.0, 12.0]) + rng.uniform(-5.0, 5.0, 3)))
    middle = np.mean([*places.values()], axis=0)
    taught = _held(one, desk, teach_shots(one.bay, one.camera, rng, stylus, middle), rng)
    poses = adjust_network(taught, desk.boards, desk.lenses, prior=survey.state).poses
    tip = fit_pivot(poses, [held_body(BOARD, view.photo) for view in taught]).tip
    views = {
        name: _held(one, desk, touch_shots(one.bay, one.camera, rng, stylus, name, at, np.array([0.35, 0.0, 1.0])), rng)
        for name, at in places.items()
    }
    network = adjust_network([view for some in views.values() for view in some], desk.boards, desk.lenses, prior=survey.state)
    seen = [(name, tuple(held_body(BOARD, view.photo) for view in some)) for name, some in views.items()]
    points = tuple(TouchedBy(name, bodies, Tip("taught", tip.value, tip.cov)) for name, bodies in seen)
    car = car_from(desk, replace(survey, points=points), network.poses)
    return mat_placement(car.poses, sheet, desk.job.reference_known).measured


def _held(one: TrueBay, desk: Desk, shots: Sequence[Shot], rng: np.random.Generator) -> list[View]:
    """What photos of the stylus show."""
    out = []
    for shot in shots:
        found = tuple(
            sighting(corner_sigma_px(one, shot, seen, LAW), seen, LAW, rng, 0.0)
            for seen in visible_corners(one.bay, one.camera, shot)
        )
        seen = PhotoSightings(shot.file_name, one.camera.width_px, one.camera.height_px, found)
        out.append(touch_view(seen, "shop", shot.epoch, desk.job, BOARD, desk.job.car_boards()))
    return out


def _views(one: TrueBay, desk: Desk, targets: tuple[Target, ...], rng: np.random.Generator) -> dict[str, list[View]]:
    known = {*desk.job.floor, *desk.job.car_boards(), *(board for target in targets for board in target.boards)}
    shots = {shot.file_name: shot for shot in one.shots}
    views: dict[str, list[View]] = {}
    for photo, boards in scene_of(one.demo).corners.items():
        shot = shots[photo]
        found = tuple(sighting(corner_sigma_px(one, shot, seen, LAW), seen, LAW, rng, 0.0) for seen in boards)
        seen = PhotoSightings(photo, one.camera.width_px, one.camera.height_px, found)
        views.setdefault(shot.epoch, []).append(view_of(seen, "shop", shot.epoch, desk.job, known))
    return views


def true_figures(one: TrueBay, target: Target) -> dict[str, float]:
    """True figures of a target over the mean floor, deg and mm."""
    epoch, even = one.bay.epoch(CHECK), mean_floor(one.bay)
    if target.sheet.kind != "mat":
        (stand,) = (s for s in epoch.stands if s.boards[0].name in target.boards)
        return truth.line_frame(even, stand).figures(one.bay.bay_from_target_of(stand, CHECK))
    frame = truth.line_frame(even, TrueStand(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, origin="rear_axle"))
    (mat,) = epoch.mats
    out = {}
    for mark in mat.marks:
        ahead, left, _ = (mat.mark_mm(mark.name, one.bay.floor) - frame.rear_middle_mm) @ frame.axes
        out |= {f"{mark.name}_ahead_mm": float(ahead), f"{mark.name}_left_mm": float(left)}
    return out


def compared(rows: list[Row], camera: str) -> dict[str, Any]:
    """By case and figure: U planned, median and share of the ratio within the band, share of errors within U."""
    out: dict[str, Any] = {}
    for case in CASES:
        bays = [row for row in rows if any(name.startswith(f"{case}: ") for name in row.u) and case not in row.failed]
        if not bays:
            continue
        figures = {}
        for name, plan in planned(camera, case).items():
            u = np.array([2.0 * row.u[f"{case}: {name}"] for row in bays])
            error = np.array([row.error[f"{case}: {name}"] for row in bays])
            figures[name] = agreement(plan, u) | {"inside_U": float(np.mean(np.abs(error) <= u))}
        out[case] = {"bays": len(bays), "failed": [row.failed[case] for row in rows if case in row.failed], "figures": figures}
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    add_options(parser, 6)
    parser.add_argument("--camera", choices=CAMERAS, default="1080p")
    parser.add_argument("--case", default="", help="only cases whose name has this in it")
    asked = parser.parse_args()
    cases = [case for case in CASES if asked.case in case]
    rows = campaign(partial(one_bay, camera=asked.camera, cases=cases), Row, asked)
    results = compared(rows, asked.camera)
    if asked.json:
        print(json.dumps(results, indent=1))
        return
    for case, result in results.items():
        print(f"\n{case}, {result['bays']} bays: U_plan / U_survey")
        print(f"{'figure':22s} {'U plan':>8s} {'median':>7s} {'90 % in':>8s} {'least':>6s} {'most':>6s} {'inside U':>9s}")
        for name, row in result["figures"].items():
            good = MEDIAN[0] <= row["median"] <= MEDIAN[1] and row["within"] >= SHARE_WITHIN
            cells = f"{row['U_plan']:8.4f} {row['median']:7.2f} {row['within']:8.0%} {row['least']:6.2f} {row['most']:6.2f}"
            print(f"{name:22s} {cells} {row['inside_U']:9.0%}{'' if good else '  outside'}")
        for words in result["failed"]:
            print(f"not measured: {words}")


if __name__ == "__main__":
    main()
