"""A placement as points in space, and the page they are drawn on: a car of usual size, the target, the room it asks for.

Axes of the line frame with the rear axle's middle as origin: x along the line to the front, y to the car's left, z up, mm.
Where the sheet's origin is a touched point, nobody knows yet where that is: it is drawn at the bumper, and the drawing says so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.geometry.placement import ANGLES, from_euler
from calib.paper.drawing import Point
from calib.paper.placements import Sheet
from vision.frames import Array

WHEELBASE_MM, TRACK_MM, TYRE_MM, TYRE_WIDTH_MM = 2700.0, 1550.0, 640.0, 205.0
FRONT_END_MM, REAR_END_MM, BODY_WIDTH_MM = 3550.0, -850.0, 1800.0
BODY_SIDE_MM = (
    (-850.0, 300.0),
    (-850.0, 850.0),
    (-650.0, 1000.0),
    (-150.0, 1430.0),
    (1350.0, 1450.0),
    (2150.0, 1000.0),
    (3450.0, 800.0),
    (3550.0, 620.0),
    (3550.0, 300.0),
)
"""Outline of a car that is none: only for the eye."""
WIDTH, HEIGHT, MARGIN = 1754.0, 1240.0, 60.0
HEAD, FOOT, GAP = 178.0, 112.0, 74.0
INK, GREY, PALE, CAR, LINE_INK, TARGET_INK = "#1c2026", "#6c727a", "#c3c8ce", "#f3f4f6", "#34628c", "#a4452c"
GREEN, ROOM = "#7d9a70", "#e6efe2"
ARROW_MM = 420.0
BIG, SMALL = 30.0, 17.0
BESIDE = 70.0
"""From the target's centre to its upright dimensions, page units."""
USUAL_MM = {"panel": (1000.0, 800.0, 40.0), "reflector": (250.0, 250.0, 125.0), "mat": (0.0, 0.0, 0.0)}
"""Width, height and depth of a target whose size the sheet does not give."""


@dataclass(frozen=True, slots=True)
class CarShape:
    """What a drawing needs of a car, mm; overhangs reach from an axle to the bumper."""

    wheelbase_mm: float = WHEELBASE_MM
    track_mm: float = TRACK_MM
    width_mm: float = BODY_WIDTH_MM
    front_overhang_mm: float = FRONT_END_MM - WHEELBASE_MM
    rear_overhang_mm: float = -REAR_END_MM

    @property
    def front_mm(self) -> float:
        """Front end, from the rear axle."""
        return self.wheelbase_mm + self.front_overhang_mm


USUAL_CAR = CarShape()


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """What is drawn of one placement.

    Attributes
    ----------
    origin_mm : ndarray, shape (3,)
    centre_mm : ndarray, shape (3,)
        The target's centre; of a mat the mean of its marks.
    rotation : ndarray, shape (3, 3)
        line_from_target.
    size_mm : tuple of float
        Width, height, depth.
    marks_mm : dict of str to ndarray, shape (3,)
        Marks of a mat.
    drawn_as_usual : tuple of str
        What the sheet leaves open and is drawn at a usual value.
    """

    sheet: Sheet
    origin_mm: Array
    centre_mm: Array
    rotation: Array
    size_mm: tuple[float, float, float]
    marks_mm: dict[str, Array]
    drawn_as_usual: tuple[str, ...]

    @property
    def facing(self) -> Array:
        """Unit direction the target's face looks to, shape (3,)."""
        return np.asarray(-self.away * self.rotation[:, 0], dtype=float)

    @property
    def outline_mm(self) -> Array:
        """Corners of the target's box; of a reflector its face and its apex; shape (n, 3)."""
        width, height, depth = self.size_mm
        back = self.away * depth
        face = [(0.0, y, z) for y in (-width / 2, width / 2) for z in (-height / 2, height / 2)]
        behind = [(back, 0.0, 0.0)] if self.sheet.kind == "reflector" else [(back, y, z) for _, y, z in face]
        return self.centre_mm + np.array([*face, *behind]) @ self.rotation.T

    @property
    def away(self) -> float:
        """Sign of x from the car to the target."""
        return 1.0 if self.sheet.side == "ahead" else -1.0


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """Two axes of the line frame on the page: `axes` are the indices of the one to the right and the one up."""

    scale: float
    origin: Point
    axes: tuple[int, int]

    def at(self, place_mm: Sequence[float] | Array) -> Point:
        """A place in space."""
        return self.flat(float(place_mm[self.axes[0]]), float(place_mm[self.axes[1]]))

    def flat(self, right_mm: float, up_mm: float) -> Point:
        return self.origin[0] + right_mm * self.scale, self.origin[1] - up_mm * self.scale


def all_of(scene: Scene) -> Array:
    """Every corner of a target; every mark of a mat, and its corners where the sheet gives its size."""
    if scene.marks_mm:
        return np.vstack([np.array(list(scene.marks_mm.values())), mat_outline_mm(scene)])
    return scene.outline_mm


def mat_outline_mm(scene: Scene) -> Array:
    """Corners of a mat whose size the sheet gives, square to the line about the middle of its marks; else shape (0, 3)."""
    if not scene.marks_mm or scene.sheet.size is None:
        return np.zeros((0, 3))
    across, along = scene.size_mm[0] / 2, scene.size_mm[1] / 2
    corners = np.array([(x * along, y * across, 0.0) for x, y in ((1, 1), (1, -1), (-1, -1), (-1, 1))])
    return np.asarray(scene.centre_mm + corners, dtype=float)


def scene_of(sheet: Sheet, car: CarShape = USUAL_CAR) -> Scene:
    """The placement of a sheet as it is to be drawn, before or behind this car."""
    usual: list[str] = []
    origin = _origin(sheet, usual, car)

    def value(name: str, otherwise: float) -> float:
        if name in sheet:
            return sheet[name].value
        usual.append(name.rsplit("_", 1)[0])
        return otherwise

    marks = {
        mark.name: np.array([origin[0] + sheet[mark.names[0]].value, sheet[mark.names[1]].value, 0.0]) for mark in sheet.marks
    }
    size = _size(sheet, usual)
    if marks:
        return Scene(sheet, origin, np.mean(list(marks.values()), axis=0), np.eye(3), size, marks, tuple(usual))
    away = 1500.0 if sheet.side == "ahead" else -1500.0
    centre = np.array([origin[0] + value("distance_mm", away), value("lateral_mm", 0.0), value("height_mm", 1000.0)])
    yaw, pitch, roll = (value(name, 0.0) for name in ANGLES)
    return Scene(sheet, origin, centre, from_euler(yaw, pitch, roll), size, {}, tuple(usual))


def _origin(sheet: Sheet, usual: list[str], car: CarShape) -> Array:
    """Mean of wheel reference points of the usual car; a place the sheet leaves to be touched lies at the bumper."""
    places = {
        "front_left": (car.wheelbase_mm, car.track_mm / 2),
        "front_right": (car.wheelbase_mm, -car.track_mm / 2),
        "rear_left": (0.0, car.track_mm / 2),
        "rear_right": (0.0, -car.track_mm / 2),
    }
    if sheet.origin_wheels:
        x, y = np.mean([places[wheel] for wheel in sheet.origin_wheels], axis=0)
        return np.array([x, y, TYRE_MM / 2])
    usual.append("origin")
    x = car.front_mm if sheet.side == "ahead" else -car.rear_overhang_mm
    return np.array([x, 0.0, 0.0 if sheet.origin.startswith("board:") else 500.0])


def _size(sheet: Sheet, usual: list[str]) -> tuple[float, float, float]:
    width, height, depth = USUAL_MM[sheet.kind]
    if sheet.size is not None:
        return sheet.size.width_mm, sheet.size.height_mm, sheet.size.depth_mm or depth
    if sheet.kind != "mat":
        usual.append("size")
    return width, height, depth


def hull(points: Array) -> list[tuple[float, float]]:
    """Convex hull of points of a plane, shape (n, 2), counter-clockwise (monotone chain, Andrew 1979)."""
    ordered = sorted({(float(x), float(y)) for x, y in np.round(points, 6)})
    if len(ordered) < 3:
        return ordered

    def half(way: list[tuple[float, float]]) -> list[tuple[float, float]]:
        out: list[tuple[float, float]] = []
        for point in way:
            while len(out) > 1 and _turn(out[-2], out[-1], point) <= 0.0:
                out.pop()
            out.append(point)
        return out[:-1]

    return half(ordered) + half(ordered[::-1])


def _turn(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def clearance_boxes(scene: Scene) -> list[tuple[str, Array]]:
    """Free room as rectangles seen from above, name and corners of shape (4, 2), mm."""
    room = scene.sheet.clearance
    if scene.marks_mm:
        return []
    half = scene.size_mm[0] / 2
    across, along = scene.rotation[:2, 1], -scene.facing[:2]
    boxes = []

    def box(name: str, start: Array, a: Array, b: Array) -> None:
        boxes.append((name, np.array([start, start + a, start + a + b, start + b])))

    centre = scene.centre_mm[:2]
    if room.sides_mm:
        deep = max(scene.size_mm[2], 200.0) * along
        for sign in (1.0, -1.0):
            box("sides", centre + sign * half * across - deep / 2, sign * room.sides_mm * across, deep)
    if room.beyond_mm:
        box("beyond", centre - half * across + scene.size_mm[2] * along, 2 * half * across, room.beyond_mm * along)
    if room.between_mm:
        way = scene.centre_mm[:2] - scene.origin_mm[:2]
        length = math.hypot(*way)
        side = np.array([-way[1], way[0]]) / (length or 1.0)
        box("between", scene.origin_mm[:2] - room.between_mm * side, 2 * room.between_mm * side, way)
    return boxes
