"""Places a sheet names beside the car's axles: touched points, points between them, marks on the floor; and lines through two.

A place is a weighted mean of body origins: "point:NAME" is a touched point, "board:NAME" the centre mark of a floor board
where the survey found it (`with_board_marks`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from calib.geometry.lines import (
    REAR,
    Poses,
    approximate_forward,
    axle_body,
    horizontal,
    line_direction,
    rear_mid_mm,
    reference_point_mm,
    up,
)
from calib.paper.sheet import BOARD, POINT, Place, Sheet
from vision.boards import BoardSet
from vision.errors import MeasurementError
from vision.frames import Array, Pose
from vision.poses import PoseSet

LEAST_LINE_MM = 100.0
"""Nearer places, seen from above, are no line: 1 mm would turn it by half a degree."""
MOST_OFF_FORWARD_RAD = math.radians(60.0)
"""A line that leaves the car's forward direction by more has its places in the wrong order, or is none along the car."""


def place_mm(poses: Poses, place: Place) -> Array:
    """Where a place is, shape (3,), survey frame."""
    return np.asarray(sum(weight * poses[body].translation_mm for body, weight in place), dtype=float)


def sheet_direction(poses: Poses, sheet: Sheet) -> Array:
    """Direction of the sheet's line towards the car's front, unit, horizontal, shape (3,), survey frame."""
    if isinstance(sheet.line, str):
        return line_direction(poses, sheet.line)
    first, second = (place_mm(poses, place) for place in sheet.line_places)
    return horizontal(second - first, up(poses))


def origin_mm(poses: Poses, sheet: Sheet) -> Array:
    """The sheet's origin, shape (3,), survey frame: mean of wheel reference points, or a place."""
    if sheet.origin_place:
        return place_mm(poses, sheet.origin_place)
    return np.asarray(np.mean([reference_point_mm(poses, wheel) for wheel in sheet.origin_wheels], axis=0), dtype=float)


def zero_mm(poses: Poses, sheet: Sheet) -> Array:
    """A point of the sheet's line, where the lateral is zero: R, or the first of its two places; shape (3,), survey frame."""
    return place_mm(poses, sheet.line_places[0]) if sheet.line_places else rear_mid_mm(poses)


def need_places(poses: Poses, places: Sequence[Place], what: str) -> None:
    """Refuse when a place that `what` is made of was not measured.

    Raises
    ------
    MeasurementError
    """
    for body, _ in (part for place in places for part in place):
        if body in poses:
            continue
        name = body.partition(":")[2]
        if body.startswith(BOARD):
            raise MeasurementError(
                f"{what} is not measured: its mark, the centre of floor board {name}, is not in the survey",
                hint=f"lay {name} on the mark, list it under floor in job.toml, photograph it in every round and survey again",
            )
        raise MeasurementError(
            f"{what} is not measured: point {name}, which it is made of, was not touched",
            hint=f"touch it with the stylus: bayfix touch JOB {name}",
        )


def check_line(poses: Poses, sheet: Sheet) -> None:
    """Refuse a line through two places that are one above the other, or in the wrong order.

    Raises
    ------
    MeasurementError
    """
    if isinstance(sheet.line, str):
        return
    first, second = (place_mm(poses, place) for place in sheet.line_places)
    gap = second - first
    length = float(np.linalg.norm(gap - (gap @ up(poses)) * up(poses)))
    words = f"the line from {sheet.line[0]} to {sheet.line[1]}"
    if length < LEAST_LINE_MM:
        raise MeasurementError(
            f"{words} is {length:.0f} mm long seen from above, too short for a direction",
            hint="touch two points farther apart along the car",
        )
    if not all(axle_body(wheel) in poses for wheel in REAR):
        return
    off = math.acos(max(-1.0, min(1.0, float(sheet_direction(poses, sheet) @ approximate_forward(poses)))))
    if off > MOST_OFF_FORWARD_RAD:
        raise MeasurementError(
            f"{words} runs {math.degrees(off):.0f}° off the car's forward direction",
            hint="name the places in the order from the car's rear to its front, and see that the right points were touched",
        )


def with_board_marks(poses: PoseSet, sheet: Sheet, boards: BoardSet) -> PoseSet:
    """The set with the centre mark of every floor board the sheet names, as bodies "board:NAME"; boards not seen are left out.

    The mark is where the board was surveyed: a board that moved later has its mark where it lay.
    """
    names = [body.removeprefix(BOARD) for body in sheet.used_places if body.startswith(BOARD)]
    seen = [name for name in names if name in poses]
    if not seen:
        return poses

    def marks(state: PoseSet) -> list[Pose]:
        return [
            Pose.from_rt(state.target, f"{BOARD}{name}", state[name].rotation, state[name].apply(boards[name].centre_mm))
            for name in seen
        ]

    return poses.derive(marks)


def in_words(place: str) -> str:
    """A place as people read it: "touched point bumper", "mark floor-13"."""
    kind = {POINT: "touched point", BOARD: "floor mark"}
    start, _, name = place.partition(":")
    return f"{kind[f'{start}:']} {name}"
