"""A placement in a bay, from above, to scale: walls, obstacles, car, target, the free room it asks for, and what does not fit.

The front wall is up on the page, the car's left is left.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.geometry.room_fit import Gap
from calib.paper.drawing import Drawing, Line, Point, Shape, Text, arrow, ellipse
from calib.paper.room import Room
from calib.paper.room_gaps import car_outline_mm, target_outline_mm
from calib.paper.sheet_scene import (
    ARROW_MM,
    BIG,
    CAR,
    GREEN,
    GREY,
    INK,
    LINE_INK,
    PALE,
    ROOM,
    SMALL,
    TARGET_INK,
    TYRE_MM,
    TYRE_WIDTH_MM,
    Scene,
    clearance_boxes,
)
from vision.frames import Array

WIDTH, HEIGHT, MARGIN, HEAD = 1240.0, 1754.0, 64.0, 150.0
"""A4 upright."""
ROW = 24.0
OBSTACLE = "#b9bec6"


@dataclass(frozen=True, slots=True)
class _Page:
    scale: float
    origin: Point

    def at(self, place: Sequence[float] | Array) -> Point:
        return self.origin[0] - float(place[1]) * self.scale, self.origin[1] - float(place[0]) * self.scale


def room_drawing(room: Room, scene: Scene, gaps: Sequence[Gap], title: str, notes: Sequence[str] = ()) -> Drawing:
    """Draw one placement in a bay; what does not fit is listed at the foot, in the target's colour."""
    bad = [gap for gap in gaps if not gap.fits]
    rows = [f"{gap.what} - {gap.to}: {_free(gap)}" for gap in bad] or ["Everything fits."]
    foot = 96.0 + ROW * (len(rows) + len(notes))
    page = _page(room, foot)
    length, width = (abs(room.walls_mm[a] - room.walls_mm[b]) / 1000 for a, b in (("front", "rear"), ("left", "right")))
    shapes: list[Shape] = [
        Text((MARGIN, 46.0), title, BIG, INK),
        Text((MARGIN, 84.0), f"{room.name}: {length:g} m long, {width:g} m wide; from above, to scale.", SMALL, GREY),
        Text((MARGIN, 108.0), "The front wall is up; left and right are the car's (driver looking forward).", SMALL, GREY),
    ]
    shapes += [*_bay(page, room), *_free_room(page, scene), *_car(page, room), *_target(page, scene)]
    y = HEIGHT - foot + 44.0
    shapes += [Text((MARGIN, y + ROW * i), row, SMALL, TARGET_INK if bad else GREEN) for i, row in enumerate(rows)]
    shapes += [Text((MARGIN, y + ROW * (len(rows) + i)), note, SMALL, GREY) for i, note in enumerate(notes)]
    return Drawing(WIDTH, HEIGHT, (*shapes, *_scale_bar(page)))


def _free(gap: Gap) -> str:
    if gap.needed_mm:
        return f"{max(gap.free_mm, 0.0):.0f} mm free, {gap.needed_mm:.0f} mm asked for"
    return f"no room, {-gap.free_mm:.0f} mm too far" if gap.free_mm < 0 else "no room"


def _page(room: Room, foot: float) -> _Page:
    walls = room.walls_mm
    tall, wide = walls["front"] - walls["rear"], walls["left"] - walls["right"]
    scale = min((WIDTH - 2 * MARGIN - 40.0) / wide, (HEIGHT - HEAD - foot - 30.0) / tall)
    x = WIDTH / 2 + scale * (walls["left"] + walls["right"]) / 2
    return _Page(scale, (x, HEAD + scale * walls["front"]))


def _bay(page: _Page, room: Room) -> list[Shape]:
    walls = room.walls_mm
    corners = [(walls[a], walls[b]) for a, b in (("front", "left"), ("front", "right"), ("rear", "right"), ("rear", "left"))]
    out: list[Shape] = [Line(tuple(map(page.at, corners)), INK, 4.0, closed=True, fill="#ffffff")]
    for wall, turned in (("front", 18.0), ("rear", -18.0)):
        x, y = page.at((walls[wall], (walls["left"] + walls["right"]) / 2))
        out.append(Text((x, y + turned), f"{wall} wall", SMALL, GREY, "middle"))
    for obstacle in room.obstacles:
        ring = tuple(map(page.at, obstacle.corners_mm))
        hangs = obstacle.low_mm > 0.0
        out.append(Line(ring, GREY, 1.5, closed=True, fill="" if hangs else OBSTACLE, dash=(6.0, 5.0) if hangs else None))
        words = f"{obstacle.name}, {obstacle.low_mm / 1000:g} m up" if hangs else obstacle.name
        out.append(Text(page.at(obstacle.corners_mm.mean(axis=0)), words, SMALL, INK, "middle"))
    return out


def _car(page: _Page, room: Room) -> list[Shape]:
    car = room.car
    out: list[Shape] = [Line(tuple(map(page.at, car_outline_mm(room))), PALE, 1.5, closed=True, fill=CAR)]
    for x in (0.0, car.wheelbase_mm):
        for y in (car.track_mm / 2, -car.track_mm / 2):
            half = np.array([TYRE_MM, TYRE_WIDTH_MM]) / 2
            ring = [(x + a * half[0], y + b * half[1]) for a, b in ((1, 1), (1, -1), (-1, -1), (-1, 1))]
            out.append(Line(tuple(map(page.at, ring)), GREY, 1.5, closed=True, fill="#ffffff"))
    out += arrow(page.at((600.0, 0.0)), page.at((car.wheelbase_mm - 600.0, 0.0)), GREY, 1.5)
    out.append(Text(page.at((car.wheelbase_mm / 2, 380.0)), "front", SMALL, GREY, "middle"))
    return out


def _free_room(page: _Page, scene: Scene) -> list[Shape]:
    return [Line(tuple(map(page.at, box)), GREEN, 1.0, closed=True, fill=ROOM) for _, box in clearance_boxes(scene)]


def _target(page: _Page, scene: Scene) -> list[Shape]:
    out: list[Shape] = []
    outline = target_outline_mm(scene)
    out.append(Line(tuple(map(page.at, outline)), TARGET_INK, 3.0, closed=len(outline) > 2, fill="#ffffff"))
    if not scene.marks_mm:
        out += arrow(page.at(scene.centre_mm), page.at(scene.centre_mm + ARROW_MM * scene.facing), TARGET_INK, 2.0)
    x, y = page.at(scene.origin_mm)
    out.append(ellipse((x, y), ((6.0, 0.0), (0.0, 6.0)), LINE_INK, LINE_INK))
    out.append(Text((x + 12.0, y), "origin", SMALL, LINE_INK))
    for place in scene.marks_mm.values():
        x, y = page.at(place)
        out += [Line(((x - 8.0, y), (x + 8.0, y)), TARGET_INK, 2.5), Line(((x, y - 8.0), (x, y + 8.0)), TARGET_INK, 2.5)]
    return out


def _scale_bar(page: _Page) -> list[Shape]:
    metre, y = 1000.0 * page.scale, HEIGHT - 34.0
    return [
        Line(((WIDTH - MARGIN - metre, y), (WIDTH - MARGIN, y)), INK, 3.0),
        Text((WIDTH - MARGIN - metre / 2, y - 14.0), "1 m", SMALL, INK, "middle"),
    ]
