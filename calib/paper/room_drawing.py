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

WIDTH, HEIGHT, MARGIN, HEAD = 1240.0, 1754.0, 64.0, 164.0
"""A4 upright."""
ROW = 24.0
OBSTACLE = "#b9bec6"
LETTER = 8.2
"""Mean width of a letter of small words, page units."""


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
    foot = 112.0 + ROW * (len(rows) + len(notes))
    page = _page(room, foot)
    length, width = (abs(room.walls_mm[a] - room.walls_mm[b]) / 1000 for a, b in (("front", "rear"), ("left", "right")))
    shapes: list[Shape] = [
        Text((MARGIN, 46.0), title, BIG, INK),
        Text((MARGIN, 84.0), f"{room.name}: {length:g} m long, {width:g} m wide; from above, to scale.", SMALL, GREY),
        Text((MARGIN, 108.0), "The front wall is up; left and right are the car's (driver looking forward).", SMALL, GREY),
    ]
    shapes += [*_walls(page, room), *_free_room(page, scene, ROOM), *_obstacles(page, room, hanging=False)]
    shapes += [
        *_free_room(page, scene),
        *_car(page, room),
        *_target(page, scene),
        *_obstacles(page, room, hanging=True),
        *_names(page, room),
    ]
    y = HEIGHT - foot + 60.0
    shapes += _legend(y - ROW - 8.0, room, free_room=bool(clearance_boxes(scene)))
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
    scale = min((WIDTH - 2 * MARGIN - 60.0) / wide, (HEIGHT - HEAD - foot - 30.0) / tall)
    x = WIDTH / 2 + scale * (walls["left"] + walls["right"]) / 2
    return _Page(scale, (x, HEAD + scale * walls["front"]))


def _walls(page: _Page, room: Room) -> list[Shape]:
    """The walls, named outside, where nothing stands in front of the words."""
    walls = room.walls_mm
    corners = [(walls[a], walls[b]) for a, b in (("front", "left"), ("front", "right"), ("rear", "right"), ("rear", "left"))]
    ring = tuple(map(page.at, corners))
    (left, top), (right, bottom) = ring[0], ring[2]
    return [
        Line(ring, INK, 4.0, closed=True, fill="#ffffff"),
        Text(((left + right) / 2, top - 16.0), "front wall", SMALL, GREY, "middle"),
        Text(((left + right) / 2, bottom + 18.0), "rear wall", SMALL, GREY, "middle"),
        Text((left - 10.0, (top + bottom) / 2), "left wall", SMALL, GREY, "end"),
        Text((right + 10.0, (top + bottom) / 2), "right wall", SMALL, GREY),
    ]


def _obstacles(page: _Page, room: Room, *, hanging: bool) -> list[Shape]:
    """What stands on the floor is filled; what hangs is dashed, over everything below it."""
    dash = (6.0, 5.0) if hanging else None
    fill = "" if hanging else OBSTACLE
    rings = [tuple(map(page.at, one.corners_mm)) for one in room.obstacles if (one.low_mm > 0.0) == hanging]
    return [Line(ring, GREY, 1.5, closed=True, fill=fill, dash=dash) for ring in rings]


def _names(page: _Page, room: Room) -> list[Shape]:
    out: list[Shape] = []
    for one in room.obstacles:
        words = f"{one.name}, {one.low_mm / 1000:g} m up" if one.low_mm > 0.0 else one.name
        (x, y), half = page.at(one.corners_mm.mean(axis=0)), LETTER * len(words) / 2
        if one.low_mm > 0.0:  # what lies below it would run through the words
            plate = ((x - half, y - 10.0), (x + half, y - 10.0), (x + half, y + 10.0), (x - half, y + 10.0))
            out.append(Line(plate, "#ffffff", 1.0, closed=True, fill="#ffffff"))
        out.append(Text((x, y), words, SMALL, INK, "middle"))
    return out


def _legend(y: float, room: Room, *, free_room: bool) -> list[Shape]:
    """One row: what each kind of outline is, as far as it is drawn."""
    hangs = [one.low_mm > 0.0 for one in room.obstacles]
    kinds: list[tuple[str, str, str, tuple[float, float] | None]] = [
        ("target, arrow where it faces", TARGET_INK, "#ffffff", None),
        *([("free room it asks for", GREEN, ROOM, None)] if free_room else []),
        ("car", PALE, CAR, None),
        *([("stands on the floor", GREY, OBSTACLE, None)] if False in hangs else []),
        *([("hangs above", GREY, "", (6.0, 5.0))] if True in hangs else []),
    ]
    out: list[Shape] = []
    x = MARGIN
    for words, ink, fill, dash in kinds:
        ring = ((x, y - 8.0), (x + 28.0, y - 8.0), (x + 28.0, y + 8.0), (x, y + 8.0))
        out += [Line(ring, ink, 1.5, closed=True, fill=fill, dash=dash), Text((x + 36.0, y), words, SMALL, GREY)]
        x += 36.0 + LETTER * len(words) + 26.0
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


def _free_room(page: _Page, scene: Scene, fill: str = "") -> list[Shape]:
    return [Line(tuple(map(page.at, box)), GREEN, 1.0, closed=True, fill=fill) for _, box in clearance_boxes(scene)]


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
