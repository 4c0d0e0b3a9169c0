"""Targets as they are meant to stand or lie: where their boards are then, and what they hide. Frame "bay" (`intended`)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from calib.geometry.intended import BAY, CHECK_EPOCH, flat_on_floor, line_axes, origin_mm, target_place
from calib.geometry.stand import board_from_target, target_from_seen
from calib.paper.bay import BayPlan
from calib.paper.mat import Mat
from calib.paper.placements import POINT, Mark, Sheet
from calib.paper.stand import Stand
from vision.boards import BoardSet
from vision.errors import FileError
from vision.frames import Array, Pose

LEAST_MARKS = 2
"""One place does not say how a mat is turned."""


@dataclass(frozen=True, slots=True, eq=False)
class Intended:
    """A placement with what carries its boards: a stand, or a mat on the floor; None of a mat whose marks are all touched."""

    sheet: Sheet
    carrier: Stand | Mat | None

    @property
    def name(self) -> str:
        return self.sheet.name or self.sheet.target

    @property
    def boards(self) -> tuple[str, ...]:
        if self.carrier is None:
            return ()
        return self.carrier.board_names if isinstance(self.carrier, Mat) else self.carrier.names

    @property
    def touched(self) -> tuple[Mark, ...]:
        """Marks that have to be touched: no board on the mat shows them, and they are no floor marks."""
        by_boards = self.carrier.mark_names if isinstance(self.carrier, Mat) else ()
        others = [mark for mark in self.sheet.marks if mark.name not in by_boards]
        return tuple(m for m in others if any(body.startswith(POINT) for body, _ in self.sheet.place(m.at)))

    @property
    def way(self) -> float:
        """+1 ahead of the car, −1 behind it."""
        return 1.0 if self.sheet.side == "ahead" else -1.0

    def surer(self, factor: float) -> Intended:
        """The same, its stand file or mat file measured so many times as well."""
        return Intended(self.sheet, self.carrier and self.carrier.surer(factor))


@dataclass(frozen=True, slots=True, eq=False)
class Plate:
    """A flat rectangle in the way of looks: from `low` to `high` in the plane of its frame's x and y, mm."""

    bay_from_plate: Pose
    low: tuple[float, float]
    high: tuple[float, float]


def carried_places(bay: BayPlan, boards: BoardSet, target: Intended) -> dict[str, Pose]:
    """`bay_from_body` of the target's boards in the check."""
    if target.carrier is None:
        return {}
    if isinstance(target.carrier, Mat):
        at, turn_rad = mat_place(bay, target.sheet, target.carrier)
        out = {}
        for entry in target.carrier.boards:
            x, y = at + _turn(turn_rad) @ [entry.x_mm, entry.y_mm]
            pose = flat_on_floor(float(x), float(y), turn_rad + entry.turn_rad, boards[entry.board])
            out[_body(entry.board)] = Pose(BAY, _body(entry.board), pose.transform)
        return out
    bay_from_target, out = target_place(bay, target.sheet), {}
    for board in target.carrier.boards:
        pose = bay_from_target @ board_from_target(board, boards[board.board], target.sheet.side).inverse()
        out[_body(board.board)] = Pose(BAY, _body(board.board), pose.transform)
    return out


def plates(bay: BayPlan, boards: BoardSet, targets: Sequence[Intended]) -> tuple[Plate, ...]:
    """What the standing targets hide: their boards, and their whole face where the sheet gives its size."""
    out = []
    for target in targets:
        if not isinstance(target.carrier, Stand):
            continue
        for body, pose in carried_places(bay, boards, target).items():
            out.append(Plate(pose, (0.0, 0.0), boards[body.split("@")[0]].size_mm))
        size = target.sheet.size
        if size is not None:
            half = (size.width_mm / 2, size.height_mm / 2)
            face = target_place(bay, target.sheet) @ target_from_seen(target.sheet.side)
            out.append(Plate(face, (-half[0], -half[1]), half))
    return tuple(out)


def mark_places(bay: BayPlan, sheet: Sheet) -> dict[str, Array]:
    """Where the sheet wants the marks of a mat, (2,) each, by mark."""
    axes, zero = line_axes(bay, sheet)
    along, across = float(origin_mm(bay, sheet) @ axes[:, 0]), float(zero @ axes[:, 1])
    out = {}
    for mark in sheet.marks:
        ahead, left = (sheet[name].value for name in mark.names)
        out[mark.name] = (axes @ np.array([along + ahead, across + left, 0.0]))[:2]
    return out


def mat_place(bay: BayPlan, sheet: Sheet, mat: Mat) -> tuple[Array, float]:
    """Origin of the mat (2,) and the turn of its x from ahead, rad: its marks where the sheet wants them (least squares)."""
    wanted = mark_places(bay, sheet)
    on_mat = {mark.name: np.array([mark.x_mm, mark.y_mm]) for mark in mat.marks if mark.name in wanted}
    a, b = np.array([*on_mat.values()]), np.array([wanted[name] for name in on_mat])
    middle_a, middle_b = a.mean(axis=0), b.mean(axis=0)
    turned = (b - middle_b).T @ (a - middle_a)
    turn_rad = math.atan2(turned[1, 0] - turned[0, 1], turned[0, 0] + turned[1, 1])
    return middle_b - _turn(turn_rad) @ middle_a, turn_rad


def need_same_mat(sheet: Sheet, mat: Mat, path: Path) -> None:
    """Refuse a mat file that cannot be the sheet's mat: too few of its marks, or marks that lie otherwise to each other.

    Raises
    ------
    FileError
    """
    called, asked = sheet.name or sheet.target, [mark.name for mark in sheet.marks]
    if len(set(asked) & set(mat.mark_names)) < LEAST_MARKS:
        raise FileError(
            f"{path}: it has the marks {', '.join(mat.mark_names)}, and the sheet's {called} is placed by {', '.join(asked)}: "
            "two of them at least have to be in both, or nobody knows how the mat will lie",
            hint="add marks to the mat file, named as on the sheet",
        )
    place, turn_rad = mat_place(BayPlan(), _by_the_car(sheet), mat)
    wanted = mark_places(BayPlan(), _by_the_car(sheet))
    for mark in mat.marks:
        if mark.name not in wanted:
            continue
        off = place + _turn(turn_rad) @ [mark.x_mm, mark.y_mm] - wanted[mark.name]
        for value, name in zip(off, (f"{mark.name}_ahead_mm", f"{mark.name}_left_mm"), strict=True):
            if not sheet[name].lower <= value <= sheet[name].upper:
                raise FileError(
                    f"{path}: no such mat conforms to the sheet's {called}: its marks do not lie to each other as the sheet "
                    f"wants them: at best {mark.name} is {abs(value):.0f} mm off",
                    hint="compare the marks' places in the mat file, and their names, with the sheet",
                )


def _by_the_car(sheet: Sheet) -> Sheet:
    """The sheet on a line of the car: how marks lie to each other does not hang on where the line is."""
    return replace(sheet, origin="rear-axle", line="thrust")


def _body(board: str) -> str:
    return f"{board}@{CHECK_EPOCH}"


def _turn(angle: float) -> Array:
    return np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
