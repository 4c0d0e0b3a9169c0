"""Where to stand: the bay from above, to scale, with boards, target and numbered photos, on one page to be printed.

The front of the car is up on the page, the car's left is left; lines every metre count from the rear axle and the car's middle.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.geometry.intended import target_place, wheel_places
from calib.paper.bay import CHECK, EACH_ROLL, BayPlan, PhotoPlace
from calib.paper.drawing import Drawing, Line, Point, Shape, Text, arrow, ellipse
from calib.paper.sheet import Sheet
from vision.frames import Array

WIDTH, HEIGHT, MARGIN = 1240.0, 1754.0, 64.0
"""A4 upright."""
TOP, LIST_LINE = 128.0, 23.0
INK, GREY, PALE, FAINT = "#1c2026", "#6c727a", "#d9dde2", "#eceef1"
CAR, STAND = "#34628c", "#8a4b1f"
TYRE_WIDTH_MM, BOARD_MM = 210.0, 110.0
TARGET_MM = {"panel": 1200.0, "reflector": 300.0, "mat": 1000.0}
"""Usual width of a target whose sheet gives none."""
SAME_SPOT_MM = 150.0
CAUTION = "Hands off while the car rolls; one person in command. The vehicle maker's procedure decides."


@dataclass(frozen=True, slots=True)
class _Page:
    """Bay frame (x ahead, y left, mm) to the page."""

    scale: float
    origin: Point

    def at(self, place: Sequence[float] | Array) -> Point:
        return self.origin[0] - float(place[1]) * self.scale, self.origin[1] - float(place[0]) * self.scale


@dataclass(frozen=True, slots=True)
class _Spot:
    """One numbered place: its photo at `rest` or in the check, and the rounds in which it is taken."""

    number: int
    photo: PhotoPlace
    rounds: str


def photo_plan(bay: BayPlan, sheet: Sheet, title: str) -> Drawing:
    """Draw the plan of a bay whose floor boards and photos are given.

    Photos of a single roll epoch (`roll-2`) are listed, not drawn: the car stands elsewhere then.
    """
    spots = _spots(bay)
    rows = math.ceil(len(spots) / 2)
    foot = 96.0 + rows * LIST_LINE
    page = _page(bay, sheet, spots, foot)
    shapes: list[Shape] = [
        Text((MARGIN, 46.0), title, 30.0, INK),
        Text(
            (MARGIN, 84.0),
            "Seen from above; the front of the car is up, left is the car's left (driver looking forward). Lines every metre.",
            17.0,
            GREY,
        ),
    ]
    shapes += _grid(page, foot)
    shapes += _car(page, bay)
    shapes += _floor(page, bay)
    shapes += _target(page, bay, sheet)
    shapes += [shape for same in _by_place(spots) for shape in _spot(page, same)]
    shapes += _list(spots, HEIGHT - foot + 40.0, rows)
    shapes.append(Text((MARGIN, HEIGHT - 34.0), CAUTION, 15.0, INK))
    return Drawing(WIDTH, HEIGHT, tuple(shapes))


def _spots(bay: BayPlan) -> list[_Spot]:
    """Places numbered in the order of the photos; a place of every round is one place."""
    rounds = [photo for photo in bay.photos if photo.epoch == EACH_ROLL]
    out: list[_Spot] = []
    for photo in bay.photos:
        if photo.epoch == EACH_ROLL or photo.epoch.startswith("roll-"):
            continue
        each = any(math.dist(photo.at_mm, other.at_mm) < SAME_SPOT_MM for other in rounds)
        words = "with the target up" if photo.epoch == CHECK else "every round" if each else "last round"
        out.append(_Spot(len(out) + 1, photo, words))
    return out


def _page(bay: BayPlan, sheet: Sheet, spots: Sequence[_Spot], foot: float) -> _Page:
    places = [*(spot.photo.at_mm[:2] for spot in spots), *((f.ahead_mm, f.left_mm) for f in bay.floor)]
    target = target_place(bay, sheet).translation_mm
    points = np.array([*places, target[:2], (-bay.car.tyre_radius_mm, 0.0)])
    low, high = points.min(axis=0) - 350.0, points.max(axis=0) + 350.0
    wide, tall = WIDTH - 2 * MARGIN, HEIGHT - TOP - foot
    scale = float(min(wide / (high[1] - low[1]), tall / (high[0] - low[0])))
    middle = (low + high) / 2
    return _Page(scale, (WIDTH / 2 + float(middle[1]) * scale, TOP + tall / 2 + float(middle[0]) * scale))


def _grid(page: _Page, foot: float) -> list[Shape]:
    out: list[Shape] = []
    left, right, top, bottom = MARGIN, WIDTH - MARGIN, TOP, HEIGHT - foot
    for metre in range(-20, 21):
        x, y = page.at((1000.0 * metre, 1000.0 * metre))
        if top <= y <= bottom:
            out.append(Line(((left, y), (right, y)), FAINT, 1.0))
            out.append(Text((left + 4.0, y - 9.0), _metres(metre, "rear axle", "ahead", "behind"), 12.0, GREY))
        if left <= x <= right:
            out.append(Line(((x, top), (x, bottom)), FAINT, 1.0))
            out.append(Text((x + 4.0, bottom - 10.0), _metres(metre, "middle", "left", "right"), 12.0, GREY))
    return out


def _metres(metre: int, zero: str, plus: str, minus: str) -> str:
    return zero if metre == 0 else f"{abs(metre)} m {plus if metre > 0 else minus}"


def _car(page: _Page, bay: BayPlan) -> list[Shape]:
    """Four wheels and the middle line: nothing is known of the body, so none is drawn."""
    out: list[Shape] = []
    radius = bay.car.tyre_radius_mm
    for place in wheel_places(bay).values():
        inner = place[1] - math.copysign(TYRE_WIDTH_MM, place[1])
        corners = ((-radius, place[1]), (radius, place[1]), (radius, inner), (-radius, inner))
        out.append(Line(tuple(page.at((place[0] + x, y)) for x, y in corners), CAR, 2.0, closed=True, fill="#ffffff"))
    base = bay.car.wheelbase_mm
    out.append(Line((page.at((0.0, 0.0)), page.at((base, 0.0))), CAR, 1.2, dash=(14.0, 8.0)))
    out += arrow(page.at((base * 0.45, 0.0)), page.at((base * 0.62, 0.0)), CAR, 2.0, 13.0)
    x, y = page.at((base * 0.40, 0.0))
    out.append(Text((x, y), "car", 17.0, CAR, "middle"))
    return out


def _floor(page: _Page, bay: BayPlan) -> list[Shape]:
    out: list[Shape] = []
    half = BOARD_MM
    for board in bay.floor:
        turn = math.radians(board.turn_deg)
        ahead, left = (math.cos(turn), math.sin(turn)), (-math.sin(turn), math.cos(turn))
        corners = tuple(
            page.at(
                (
                    board.ahead_mm + a * half * ahead[0] + b * half * left[0],
                    board.left_mm + a * half * ahead[1] + b * half * left[1],
                )
            )
            for a, b in ((1, 1), (1, -1), (-1, -1), (-1, 1))
        )
        out.append(Line(corners, GREY, 1.2, closed=True, fill=PALE))
        out.append(Text(page.at((board.ahead_mm, board.left_mm)), board.board.removeprefix("floor-"), 15.0, INK, "middle"))
    return out


def _target(page: _Page, bay: BayPlan, sheet: Sheet) -> list[Shape]:
    bay_from_target = target_place(bay, sheet)
    wide = sheet.size.width_mm if sheet.size else TARGET_MM[sheet.kind]
    ends = (bay_from_target.apply([0.0, -wide / 2, 0.0]), bay_from_target.apply([0.0, wide / 2, 0.0]))
    facing = -320.0 if sheet.side == "ahead" else 320.0
    look = bay_from_target.apply([facing, 0.0, 0.0])
    centre = bay_from_target.translation_mm
    x, y = page.at(centre)
    up = -24.0 if sheet.side == "ahead" else 28.0
    return [
        Line((page.at(ends[0]), page.at(ends[1])), STAND, 6.0),
        *arrow(page.at(centre), page.at(look), STAND, 1.5, 9.0),
        Text((x, y + up), sheet.target, 17.0, STAND, "middle"),
    ]


def _by_place(spots: Sequence[_Spot]) -> list[list[_Spot]]:
    """Spots of one place together: their circle carries all their numbers."""
    out: list[list[_Spot]] = []
    for spot in spots:
        near = [same for same in out if math.dist(same[0].photo.at_mm, spot.photo.at_mm) < SAME_SPOT_MM]
        if near:
            near[0].append(spot)
        else:
            out.append([spot])
    return out


def _spot(page: _Page, same: Sequence[_Spot]) -> list[Shape]:
    spot = same[0]
    at, towards = np.array(spot.photo.at_mm[:2]), np.array(spot.photo.towards_mm[:2])
    way = (towards - at) / max(float(np.linalg.norm(towards - at)), 1.0)
    x, y = page.at(at)
    colour = STAND if spot.photo.epoch == CHECK else INK
    tip = page.at(at + way * 52.0 / page.scale)
    start = page.at(at + way * 14.0 / page.scale)
    return [
        *arrow(start, tip, colour, 2.0, 10.0),
        ellipse((x, y), ((14.0 * len(same), 0.0), (0.0, 14.0)), colour, "#ffffff", 2.0),
        Text((x, y), ", ".join(str(one.number) for one in same), 15.0, colour, "middle"),
    ]


def _list(spots: Sequence[_Spot], top: float, rows: int) -> list[Shape]:
    out: list[Shape] = [Line(((MARGIN, top - 26.0), (WIDTH - MARGIN, top - 26.0)), PALE, 1.5)]
    for i, spot in enumerate(spots):
        column, row = divmod(i, rows)
        held = ", upright" if spot.photo.upright else ""
        words = f"{spot.number}  {spot.photo.words} ({spot.photo.at_mm[2] / 1000:.2f} m high{held}; {spot.rounds})"
        out.append(Text((MARGIN + column * (WIDTH - 2 * MARGIN) / 2, top + row * LIST_LINE), words, 14.0, INK))
    return out
