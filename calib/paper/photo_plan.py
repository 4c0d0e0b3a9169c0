"""Where to stand: the bay from above, to scale, with boards, target and numbered photos, on one page to be printed.

The front of the car is up on the page, the car's left is left; lines every metre count from the rear axle and the car's middle.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.geometry.intended import target_place, wheel_places
from calib.geometry.intended_targets import Intended, carried_places, mark_places, mat_place
from calib.paper.bay import CHECK, EACH_ROLL, BayPlan, PhotoPlace
from calib.paper.drawing import Drawing, Line, Point, Shape, Text, arrow, ellipse
from calib.paper.mat import Mat
from calib.paper.placements import POINT
from vision.boards import BoardSet
from vision.frames import Array

WIDTH, HEIGHT, MARGIN = 1240.0, 1754.0, 64.0
"""A4 upright."""
TOP, LIST_LINE = 128.0, 23.0
LIST_SIZE, LIST_LETTERS = 14.0, 93
"""Height of the list's letters, and how many of that height a column has room for."""
INK, GREY, PALE, FAINT = "#1c2026", "#6c727a", "#d9dde2", "#eceef1"
CAR, STAND = "#34628c", "#8a4b1f"
TYRE_WIDTH_MM, BOARD_MM = 210.0, 110.0
TARGET_MM = {"panel": 1200.0, "reflector": 300.0, "mat": 1000.0}
"""Usual width of a target whose sheet gives none."""
SAME_SPOT_MM, MAT_EDGE_MM = 150.0, 120.0
CLEAR = 26.0
"""Of a mat's name on the page, from middles of circles and boards."""
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


def photo_plan(bay: BayPlan, targets: Sequence[Intended], title: str, boards: BoardSet) -> Drawing:
    """Draw the plan of a bay whose floor boards and photos are given, with all its targets.

    Photos of a single roll epoch (`roll-2`) are listed, not drawn: the car stands elsewhere then.
    """
    spots = _spots(bay, _checked(targets))
    lines = [*map(_line, spots), *_touches(targets)]
    rows = math.ceil(len(lines) / 2)
    foot = 96.0 + rows * LIST_LINE
    page = _page(bay, _outlines(bay, targets, boards), spots, foot)
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
    for target in targets:
        if target.sheet.kind == "mat":
            shapes += _mat(page, bay, target, boards)
        else:
            shapes += _target(page, bay, target)
    shapes += [shape for same in _by_place(spots) for shape in _spot(page, same)]
    shapes += _list(lines, HEIGHT - foot + 40.0, rows)
    shapes.append(Text((MARGIN, HEIGHT - 34.0), CAUTION, 15.0, INK))
    return Drawing(WIDTH, HEIGHT, tuple(shapes))


def _touches(targets: Sequence[Intended]) -> list[str]:
    """Marks that a stylus has to touch, a line for each."""
    names = [mark.at.removeprefix(POINT) for target in targets for mark in target.touched]
    return [f"x  {name}: touch it with the stylus, leaned differently in every photo, from both sides" for name in names]


def _checked(targets: Sequence[Intended]) -> str:
    """When the photos of the check are taken."""
    if len(targets) > 1:
        return "with all targets up"
    return "with the mat laid" if targets[0].sheet.kind == "mat" else "with the target up"


def _spots(bay: BayPlan, checked: str) -> list[_Spot]:
    """Places numbered in the order of the photos; a place of every round is one place."""
    rounds = [photo for photo in bay.photos if photo.epoch == EACH_ROLL]
    out: list[_Spot] = []
    for photo in bay.photos:
        if photo.epoch == EACH_ROLL or photo.epoch.startswith("roll-"):
            continue
        each = any(math.dist(photo.at_mm, other.at_mm) < SAME_SPOT_MM for other in rounds)
        words = checked if photo.epoch == CHECK else "every round" if each else "last round"
        out.append(_Spot(len(out) + 1, photo, words))
    return out


def _outlines(bay: BayPlan, targets: Sequence[Intended], boards: BoardSet) -> list[Array]:
    """Places that must be on the page, (2,) each: middles of standing targets, marks and boards of mats."""
    out: list[Array] = []
    for target in targets:
        if target.sheet.kind == "mat":
            out += [*mark_places(bay, target.sheet).values(), *_board_middles(bay, target, boards).values()]
        else:
            out.append(target_place(bay, target.sheet).translation_mm[:2])
    return out


def _board_middles(bay: BayPlan, target: Intended, boards: BoardSet) -> dict[str, Array]:
    """Centre marks of a mat's boards from above, (2,) each, by board."""
    places = {body.split("@")[0]: pose for body, pose in carried_places(bay, boards, target).items()}
    return {name: pose.apply(boards[name].centre_mm)[:2] for name, pose in places.items()}


def _page(bay: BayPlan, outlines: Sequence[Array], spots: Sequence[_Spot], foot: float) -> _Page:
    places = [*(spot.photo.at_mm[:2] for spot in spots), *((f.ahead_mm, f.left_mm) for f in bay.floor)]
    points = np.array([*places, *outlines, (-bay.car.tyre_radius_mm, 0.0)])
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
    for board in bay.floor:
        place = (board.ahead_mm, board.left_mm)
        out.append(_board(page, place, math.radians(board.turn_deg), GREY, PALE))
        out.append(Text(page.at(place), board.board.removeprefix("floor-"), 15.0, INK, "middle"))
    return out


def _board(page: _Page, place: Sequence[float] | Array, turn: float, colour: str, fill: str) -> Line:
    ahead, left = (math.cos(turn), math.sin(turn)), (-math.sin(turn), math.cos(turn))
    corners = tuple(
        page.at([place[i] + BOARD_MM * (a * ahead[i] + b * left[i]) for i in (0, 1)])
        for a, b in ((1, 1), (1, -1), (-1, -1), (-1, 1))
    )
    return Line(corners, colour, 1.2, closed=True, fill=fill)


def _mat(page: _Page, bay: BayPlan, target: Intended, boards: BoardSet) -> list[Shape]:
    """Marks as crosses by their names, boards on the mat, and a dashed line round both: the mat's own edge is not known."""
    marks, middles = mark_places(bay, target.sheet), _board_middles(bay, target, boards)
    points = np.array([*marks.values(), *middles.values()])
    low, high = points.min(axis=0) - MAT_EDGE_MM, points.max(axis=0) + MAT_EDGE_MM
    corners = ((low[0], low[1]), (low[0], high[1]), (high[0], high[1]), (high[0], low[1]))
    out: list[Shape] = [Line(tuple(page.at(corner) for corner in corners), STAND, 1.5, closed=True, dash=(8.0, 5.0))]
    turn = mat_place(bay, target.sheet, target.carrier)[1] if isinstance(target.carrier, Mat) else 0.0
    turns = {entry.board: turn + entry.turn_rad for entry in getattr(target.carrier, "boards", ())}
    for name, place in middles.items():
        out += [_board(page, place, turns[name], STAND, "#ffffff"), Text(page.at(place), name, 11.0, STAND, "middle")]
    for name, place in marks.items():
        x, y = page.at(place)
        out += [Line(((x - 7.0, y - 7.0 * way), (x + 7.0, y + 7.0 * way)), STAND, 2.0) for way in (1.0, -1.0)]
        out.append(Text((x, y - 16.0), name, 14.0, STAND, "middle"))
    out.append(_name(page, bay, target.name, points))
    return out


def _name(page: _Page, bay: BayPlan, name: str, points: Array) -> Text:
    """The mat's name inside its outline or at a side of it, where marks, boards and photos leave most room."""
    low, high = points.min(axis=0) - MAT_EDGE_MM, points.max(axis=0) + MAT_EDGE_MM
    places = (*((f.ahead_mm, f.left_mm) for f in bay.floor), *(p.at_mm for p in bay.photos), *points)
    others = [page.at(place) for place in places]
    middle, wide = (low + high) / 2, 5.0 * len(name)
    left, right, near, far = (
        page.at(place) for place in ((middle[0], high[1]), (middle[0], low[1]), (low[0], middle[1]), (high[0], middle[1]))
    )
    sides = [
        at
        for out in (14.0, 50.0, 86.0)
        for at in (
            (near[0], near[1] + out),
            (far[0], far[1] - out),
            (left[0] - wide - out, left[1]),
            (right[0] + wide + out, right[1]),
        )
    ]
    room = {at: min(_beside(at, wide, other) for other in others) for at in (page.at(middle), *sides)}
    best = next((at for at, clear in room.items() if clear >= CLEAR), max(room, key=lambda at: room[at]))
    return Text(best, name, 17.0, STAND, "middle")


def _beside(at: Point, wide: float, other: Point) -> float:
    """From a line of text, `wide` to either side of its middle, to a point."""
    return math.hypot(max(abs(at[0] - other[0]) - wide, 0.0), at[1] - other[1])


def _target(page: _Page, bay: BayPlan, target: Intended) -> list[Shape]:
    sheet = target.sheet
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
        Text((x, y + up), target.name, 17.0, STAND, "middle"),
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


def _list(lines: Sequence[str], top: float, rows: int) -> list[Shape]:
    out: list[Shape] = [Line(((MARGIN, top - 26.0), (WIDTH - MARGIN, top - 26.0)), PALE, 1.5)]
    size = min(LIST_SIZE, LIST_SIZE * LIST_LETTERS / max(map(len, lines), default=1))
    for i, words in enumerate(lines):
        column, row = divmod(i, rows)
        out.append(Text((MARGIN + column * (WIDTH - 2 * MARGIN) / 2, top + row * LIST_LINE), words, size, INK))
    return out


def _line(spot: _Spot) -> str:
    held = ", upright" if spot.photo.upright else ""
    return f"{spot.number}  {spot.photo.words} ({spot.photo.at_mm[2] / 1000:.2f} m high{held}; {spot.rounds})"
