"""Targets that stand at once and mats, as they are planned and as random bays then have them (`plan_of_groups`)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from calib.geometry.intended import camera_place, epochs_of, travel_mm
from calib.geometry.intended_targets import Intended, mark_places, mat_place
from calib.geometry.walk import with_usual_places
from calib.paper.bay import EACH_ROLL, BayPlan, ByHand, CarSize
from calib.paper.mat import Mat, read_mat
from calib.paper.placements import PlacementSheet, Sheet
from calib.paper.sheet import read_sheets
from calib.paper.stand import Stand, read_stand
from synthetic_images import mats
from synthetic_images.bay import Stand as TrueStand
from synthetic_images.bay import StandBoard as TrueStandBoard
from tests.benchmarks.reference_bay import CHECK, TrueBay, read_reference
from vision.boards import BoardSet

HEAD = """\
schema = "placement-sheet/2"
line = "thrust"

[provenance]
document = "invented"
typed_by = "campaign"
"""
STANDING = """
[[placement]]
name = "{name}"
target = "{name}"
kind = "{kind}"
{beside}origin = "{origin}-axle"
side = "{side}"
distance = {{ value = {distance}, unit = "mm", tolerance = 500.0 }}
lateral = {{ value = {lateral}, unit = "mm", tolerance = 500.0 }}
height = {{ value = {height}, unit = "mm", tolerance = 500.0 }}
size = {{ width = 960.0, height = 560.0, unit = "mm" }}
yaw = {{ value = {yaw}, unit = "deg", tolerance = 5.0 }}
pitch = {{ value = 0.0, unit = "deg", tolerance = 5.0 }}
roll = {{ value = 0.0, unit = "deg", tolerance = 5.0 }}
"""
LYING = """
[[placement]]
name = "mat"
target = "mat"
kind = "mat"
{beside}origin = "rear-axle"
side = "ahead"
"""
MARK = """[[placement.mark]]
name = "{name}"
ahead = {{ value = {ahead}, unit = "mm", tolerance = 500.0 }}
left = {{ value = {left}, unit = "mm", tolerance = 500.0 }}
"""
BOARD = """[[board]]
name = "{0}"
right_mm = {1}
up_mm = {2}
behind_mm = 4.0
right_pm_mm = 0.4
up_pm_mm = 0.4
behind_pm_mm = 0.2
turn_pm_deg = 0.04
parallel_pm_deg = 0.02
"""
MAT = """schema = "mat/1"
[[mark]]
name = "a"
x_mm = 0.0
y_mm = 0.0
[[mark]]
name = "b"
x_mm = 0.0
y_mm = 1200.0
[[board]]
name = "body-1"
x_mm = 120.0
y_mm = 350.0
[[board]]
name = "body-2"
x_mm = 120.0
y_mm = 850.0
"""
PANEL = {"name": "panel", "kind": "panel", "origin": "front", "side": "ahead", "distance": 2600.0, "lateral": 0.0,
         "height": 1250.0, "yaw": 0.0}  # fmt: skip
SMALL = {"kind": "reflector", "origin": "front", "side": "ahead", "distance": 2600.0, "yaw": 0.0}
TWO = (
    SMALL | {"name": "left", "lateral": 260.0, "height": 620.0},
    SMALL | {"name": "right", "lateral": -260.0, "height": 1250.0},
)
"""One higher than the other: the panels on which the synthetic bay has all boards must not run into each other."""
ENDS = (
    PANEL,
    {"name": "corner", "kind": "reflector", "origin": "rear", "side": "behind", "distance": 1500.0, "lateral": 1700.0,
     "height": 700.0, "yaw": -45.0},
)  # fmt: skip
BEFORE, BESIDE = ((4200.0, -600.0), (4200.0, 600.0)), ((1900.0, 1500.0), (700.0, 1500.0))
ONE_BOARD = {"stand-1": (0.0, 0.0)}
BOTH_BOARDS = {"stand-1": (-260.0, -70.0), "stand-2": (260.0, 60.0)}


@dataclass(frozen=True)
class Case:
    """What stands and lies in the bay: targets with their boards (right, up), and the marks of a mat (ahead, left).

    The marks are shown by two boards on the mat, or `touched`.
    """

    standing: tuple[Mapping[str, Any], ...] = ()
    boards: tuple[Mapping[str, tuple[float, float]], ...] = ()
    marks: tuple[tuple[float, float], ...] = ()
    touched: bool = False


CASES = {
    "two reflectors in the same pictures": Case(TWO, (ONE_BOARD, {"stand-2": (0.0, 0.0)})),
    "a panel and a reflector at the rear corner": Case(ENDS, (ONE_BOARD, {"stand-2": (0.0, 0.0)})),
    "a panel and a mat before the car": Case((PANEL,), (BOTH_BOARDS,), BEFORE),
    "a mat beside the car": Case((), (), BESIDE),
    "a mat before the car, touched": Case((), (), BEFORE, touched=True),
}


def write_case(case: Case, folder: Path) -> None:
    """sheet.toml, and a stand file or the mat file for each target."""
    texts, first = [HEAD], ""
    for target, boards in zip(case.standing, case.boards, strict=True):
        texts.append(STANDING.format(**target, beside=f'with = "{first}"\n' if first else ""))
        first = first or target["name"]
        rows = "".join(BOARD.format(name, *place) for name, place in boards.items())
        (folder / f"{target['name']}.toml").write_text(f'schema = "stand/1"\n{rows}', encoding="utf-8")
    if case.marks:
        texts.append(LYING.format(beside=f'with = "{first}"\n' if first else ""))
        texts += [MARK.format(name=name, ahead=a, left=b) for name, (a, b) in zip("ab", case.marks, strict=True)]
    if case.marks and not case.touched:
        (folder / "mat.toml").write_text(MAT, encoding="utf-8")
    (folder / "sheet.toml").write_text("".join(texts), encoding="utf-8")


def targets_in(folder: Path) -> tuple[PlacementSheet, tuple[Intended, ...]]:
    sheets = read_sheets(folder / "sheet.toml")
    return sheets, tuple(Intended(sheet, _carrier(folder, sheet)) for sheet in sheets.placements)


def _carrier(folder: Path, sheet: Sheet) -> Stand | Mat | None:
    path = folder / f"{sheet.name}.toml"
    if sheet.kind == "mat":
        return read_mat(path) if path.is_file() else None
    return read_stand(path)


def planned_bay(targets: tuple[Intended, ...], boards: BoardSet) -> BayPlan:
    """The car of the reference bay, measured by hand as there; floor boards and photos where the plan puts them."""
    ref = read_reference()
    car, known = ref["car"], ref["known"]
    size = CarSize(car["wheelbase_mm"], car["track_mm"], car["track_mm"], car["tyre_radius_mm"])
    hands = ByHand(2.0 * known["sigma_heave_mm"], known["standoff_pm_mm"], known["tape_pm_mm"])
    bay = BayPlan(size, hands, tuple(turn for epoch, turn in ref["roll"].items() if epoch != "rest"))
    return with_usual_places(bay, targets, boards, [board.name for board in boards if board.name.startswith("floor-")])


def reference_of(bay: BayPlan) -> dict[str, Any]:
    """The reference bay with this plan's floor boards and photos, and room for people where it sends them."""
    ref = read_reference()
    ref["bay"]["width_mm"], ref["cameras"]["to_side_mm"] = 9000.0, 4000.0
    ref["cameras"]["nearest_board_mm"] = 600.0
    ref["floor"] = [
        {"name": place.board, "x_mm": place.ahead_mm, "y_mm": place.left_mm, "turn_deg": place.turn_deg} for place in bay.floor
    ]
    ref["photo"] = []
    for epoch in (*bay.roll_epochs, "rest", CHECK):
        for photo in bay.photos:
            if epoch not in epochs_of(bay, photo):
                continue
            shift = np.array([travel_mm(bay, epoch) if photo.epoch == EACH_ROLL else 0.0, 0.0, 0.0])
            at = camera_place(bay, photo, epoch).translation_mm
            row = {"epoch": epoch, "words": photo.words, "roll_deg": 90.0 if photo.upright else 0.0}
            ref["photo"].append(row | {"at_mm": at.tolist(), "towards_mm": (np.array(photo.towards_mm) + shift).tolist()})
    return ref


def set_up(one: TrueBay, targets: tuple[Intended, ...], plan: BayPlan, rng: np.random.Generator) -> TrueBay:
    """The bay with the targets in its check: each some way off its place, its boards about where the files have them."""
    stands = [_stand(target, target.carrier, rng) for target in targets if isinstance(target.carrier, Stand)]
    lying = tuple(_mat(plan, target, target.carrier, rng) for target in targets if not isinstance(target.carrier, Stand))
    first, beside = (stands[0], tuple(stands[1:])) if stands else (None, ())
    epochs = tuple(
        replace(epoch, stand=first, beside=beside, mats=lying) if epoch.name == CHECK else epoch for epoch in one.bay.epochs
    )
    return replace(one, bay=replace(one.bay, epochs=epochs))


def _stand(target: Intended, stand: Stand, rng: np.random.Generator) -> TrueStand:
    sheet = target.sheet
    boards = []
    for entry in stand.boards:
        right, up, behind, turn = entry.half_widths[:4] / 2 * rng.normal(size=4)
        boards.append(
            TrueStandBoard(
                entry.board, entry.right_mm + right, entry.up_mm + up, entry.turn_rad + turn, entry.behind_mm + behind
            )
        )
    off = rng.uniform(-30.0, 30.0, 3)
    places = [sheet[name].value + step for name, step in zip(("distance_mm", "lateral_mm", "height_mm"), off, strict=True)]
    angles = [sheet[name].value + math.radians(rng.uniform(-0.5, 0.5)) for name in ("yaw_rad", "pitch_rad", "roll_rad")]
    return TrueStand(*places, *angles, tuple(boards), sheet.origin.replace("-", "_"))


def _mat(plan: BayPlan, target: Intended, mat: Mat | None, rng: np.random.Generator) -> mats.Mat:
    if mat is None:
        places = {name: at + rng.uniform(-30.0, 30.0, 2) for name, at in mark_places(plan, target.sheet).items()}
        return mats.Mat(0.0, 0.0, 0.0, tuple(mats.MatMark(name, *at.tolist()) for name, at in places.items()), ())
    (x, y), turn = mat_place(plan, target.sheet, mat)
    marks = tuple(mats.MatMark(m.name, *(np.array([m.x_mm, m.y_mm]) + rng.normal(0.0, m.pm_mm / 2, 2))) for m in mat.marks)
    boards = tuple(
        mats.MatBoard(
            b.board,
            *(np.array([b.x_mm, b.y_mm]) + rng.normal(0.0, b.pm_mm / 2, 2)),
            b.turn_rad + rng.normal(0.0, b.turn_pm_rad / 2),
        )
        for b in mat.boards
    )
    off = rng.uniform(-30.0, 30.0, 2)
    stretch = 1.0 + rng.normal(0.0, mat.stretch_pm / 2)
    return mats.Mat(x + off[0], y + off[1], turn + math.radians(rng.uniform(-1.0, 1.0)), marks, boards, stretch)
