"""More targets of the demo's course: two reflectors at once, one of which has a board printed on its face, and a mat.

The measuring side gets photos and typed files only, as in `cli.demo_bay`.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import tomlkit

from cli.demo_bay import row_of, within
from synthetic_images import truth
from synthetic_images.bay import Bay, Epoch, Stand, StandBoard
from synthetic_images.mats import Mat, MatBoard, MatMark
from vision.boards import Board, BoardSet
from vision.imagined import free_ids

REFLECTOR, CLIPPED, PRINTED = "reflector-1", "reflector-2", "face-2"
"""A board on each reflector, and the one that the second's maker printed on its face."""
MAT_BOARDS = ("mat-1", "mat-2")
LEFT, RIGHT, MAT = "front-left", "front-right", "rear-mat"
PAIR = {
    LEFT: {"distance": 1600.0, "lateral": 1150.0, "height": 600.0, "yaw": 30.0},
    RIGHT: {"distance": 1600.0, "lateral": -1150.0, "height": 600.0, "yaw": -30.0},
}
PAIR_OFF = {LEFT: (2.0, -1.0, 1.0, 0.1), RIGHT: (-1.5, 2.0, -1.0, -0.1)}
"""How far off they stand: distance, lateral, height (mm), yaw (deg)."""
MARKS = {"a": (-2700.0, -500.0), "b": (-2700.0, 500.0), "c": (-2050.0, 0.0)}
"""Marks of the mat: ahead of the rear axle's middle, and to the car's left of the thrust line, mm."""
ON_MAT = {"mat-1": (260.0, 130.0, 12.0), "mat-2": (320.0, 860.0, -8.0)}
"""Boards of the mat from mark a, along the thrust line and to the left (mm), and turned (deg)."""
MAT_LIES = {"check-7": (-18.0, 3.0, 0.2), "check-8": (1.0, -1.5, 0.03)}
"""How far off the mat lies: ahead, left (mm), turned (deg)."""
STRETCH_PM = 0.001
MAT_PM_MM, MAT_TURN_PM_DEG, FACE_PM_MM, FACE_TURN_PM_DEG = 1.0, 0.1, 0.3, 0.02


def more_boards(boards: BoardSet, like: Board) -> BoardSet:
    """The set with a board for each reflector, a printed face and the mat."""
    out = list(boards)
    for name in (REFLECTOR, CLIPPED, PRINTED, *MAT_BOARDS):
        out.append(replace(like, name=name, first_id=free_ids(out, like)))
    return BoardSet(tuple(out))


def more_epochs(bay: Bay, reflector: tuple[StandBoard, ...], rng: np.random.Generator) -> tuple[Epoch, ...]:
    """The rounds of the pair and of the mat."""
    turn = math.radians(float(rng.uniform(-4.0, 4.0)))
    clipped = StandBoard(CLIPPED, 290.0 + float(rng.uniform(-6, 6)), float(rng.uniform(-40, 40)), turn, 4.0)
    boards = {LEFT: reflector, RIGHT: (StandBoard(PRINTED, -160.0, 0.0, 0.0, 0.0), clipped)}
    left, right = (_off(PAIR[name], PAIR_OFF[name], boards[name]) for name in (LEFT, RIGHT))
    stretch = 1.0 + within(STRETCH_PM, rng)
    mats = tuple(Epoch(name, mats=(_mat(bay, off, stretch),)) for name, off in MAT_LIES.items())
    return (Epoch("check-6", stand=left, beside=(right,)), *mats)


def _off(place: dict[str, float], off: tuple[float, float, float, float], boards: tuple[StandBoard, ...]) -> Stand:
    distance, lateral, height, yaw_deg = (value + d for value, d in zip(place.values(), off, strict=True))
    return Stand(distance, lateral, height, math.radians(yaw_deg), 0.0, 0.0, boards)


def _mat(bay: Bay, off: tuple[float, float, float], stretch: float) -> Mat:
    """A mat whose mark a is at its place but for `off`, and whose x axis is the thrust line but for its turn."""
    frame = truth.line_frame(bay, Stand(-1.0, 0.0, 0.0, 0.0, 0.0, 0.0, origin="rear_axle"), "rest")
    ahead, left = np.array(MARKS["a"]) + off[:2]
    start = frame.rear_middle_mm + ahead * frame.axes[:, 0] + left * frame.axes[:, 1]
    up = frame.axes[:, 2]
    start += float((frame.foot_mm - start) @ up) * up  # from the axle's height down to the floor plane
    turn_rad = math.atan2(frame.axes[1, 0], frame.axes[0, 0]) + math.radians(off[2])
    marks = tuple(MatMark(name, x - MARKS["a"][0], y - MARKS["a"][1]) for name, (x, y) in MARKS.items())
    boards = tuple(MatBoard(name, x, y, math.radians(turn)) for name, (x, y, turn) in ON_MAT.items())
    return Mat(float(start[0]), float(start[1]), turn_rad, marks, boards, stretch)


def true_mat_figures(bay: Bay, epoch: str) -> dict[str, float]:
    """Where the mat's marks are, by the names of the check's table, mm."""
    frame = truth.line_frame(bay, Stand(-1.0, 0.0, 0.0, 0.0, 0.0, 0.0, origin="rear_axle"), "rest")
    out: dict[str, float] = {}
    for mat in bay.epoch(epoch).mats:
        for mark in mat.marks:
            ahead, left, _ = (mat.mark_mm(mark.name, bay.floor) - frame.rear_middle_mm) @ frame.axes
            out |= {f"{mark.name}_ahead_mm": float(ahead), f"{mark.name}_left_mm": float(left)}
    return out


def true_pair_figures(bay: Bay, epoch: str) -> dict[str, dict[str, float]]:
    """The six figures of both reflectors."""
    pairs = zip((LEFT, RIGHT), bay.epoch(epoch).stands, strict=True)
    return {name: dict(truth.line_frame(bay, s, "rest").figures(bay.bay_from_target_of(s, epoch))) for name, s in pairs}


def mat_text(rng: np.random.Generator) -> str:
    """The mat file as the shop typed it, each value within its ±."""
    doc = tomlkit.document()
    doc.add("schema", "mat/1")
    marks, boards = tomlkit.aot(), tomlkit.aot()
    for name, (x, y) in MARKS.items():
        place = _about((x - MARKS["a"][0], y - MARKS["a"][1]), rng)
        marks.append(row_of(name=name, x_mm=place[0], y_mm=place[1], pm_mm=MAT_PM_MM))
    for name, (x, y, turn_deg) in ON_MAT.items():
        place, turn = _about((x, y), rng), round(turn_deg + within(MAT_TURN_PM_DEG, rng), 3)
        row = row_of(name=name, x_mm=place[0], y_mm=place[1], turn_deg=turn, pm_mm=MAT_PM_MM, turn_pm_deg=MAT_TURN_PM_DEG)
        boards.append(row)
    doc.add("mark", marks)
    doc.add("board", boards)
    return tomlkit.dumps(doc)


def face_text(rng: np.random.Generator) -> str:
    """What the second reflector's drawing says of the board that is printed on its face."""
    doc = tomlkit.document()
    doc.add("schema", "target-marks/1")
    row = row_of(
        name=PRINTED,
        right_mm=round(-160.0 + within(FACE_PM_MM, rng), 2),
        up_mm=round(within(FACE_PM_MM, rng), 2),
        turn_deg=round(within(FACE_TURN_PM_DEG, rng), 3),
        right_pm_mm=FACE_PM_MM,
        up_pm_mm=FACE_PM_MM,
        turn_pm_deg=FACE_TURN_PM_DEG,
    )
    rows = tomlkit.aot()
    rows.append(row)
    doc.add("board", rows)
    return tomlkit.dumps(doc)


def mat_placement() -> tomlkit.items.Table:
    """The mat on the sheet."""
    table = row_of(name=MAT, target="mat for the rear camera", kind="mat", target_boards=[*MAT_BOARDS])
    table.update(row_of(origin="rear-axle", line="thrust", side="behind"))
    rows = tomlkit.aot()
    for name, (ahead, left) in MARKS.items():
        row = row_of(name=name)
        for key, value in (("ahead", ahead), ("left", left)):
            entry = tomlkit.inline_table()
            entry.update({"value": value, "unit": "mm", "tolerance": 10.0})
            row.add(key, entry)
        rows.append(row)
    table.add("mark", rows)
    return table


def _about(place: tuple[float, float], rng: np.random.Generator) -> tuple[float, float]:
    x, y = (round(value + within(MAT_PM_MM, rng), 1) for value in place)
    return x, y
