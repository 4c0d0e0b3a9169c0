"""The floor from above as its boards show it: each board's departure from their plane, and a tint between them.

Turned as the survey plan: the front of the car is up on the page, the car's left is left. The tint is what `departures_mm`
predicts between the boards; outside the boards' outline nothing is tinted, since nothing was seen there.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.spatial import Delaunay

from calib.geometry import lines
from calib.geometry.floor_map import FloorMap
from calib.geometry.floor_shape import departures_mm
from calib.geometry.lines import FLOOR, REAR, WHEELS
from calib.geometry.unevenness import FEWEST, BelievedFloor
from calib.paper.drawing import Drawing, Line, Point, Shape, Text, ellipse
from calib.paper.survey_plan import CAUTION, GREY, INK, PALE, TYRE_MM
from vision.frames import Array
from vision.poses import PoseSet

WIDTH, MARGIN, TOP, FOOT = 1000.0, 60.0, 128.0, 190.0
TALLEST = 1500.0
CELL_MM = 80.0
DOT = 9.0
ON_IT = "on it"
ABOVE, BELOW, EVEN = (178, 96, 24), (38, 106, 138), (250, 250, 247)
"""Inks of a floor above and below its plane at the end of the scale, and of one on it."""


def floor_picture(poses: PoseSet, floor: FloorMap, uneven: BelievedFloor, title: str) -> Drawing:
    """Draw the floor.

    Parameters
    ----------
    poses : PoseSet
        "floor" and the "axle:…" bodies that are known, both rear ones among them.
    floor : FloorMap
    uneven : BelievedFloor
    title : str
    """
    origin, ahead = _car_on_floor(poses)
    turn = np.column_stack([ahead, [-ahead[1], ahead[0]]])
    boards = (floor.place_mm - origin) @ turn
    wheels = {wheel: (_under(poses, wheel) - origin) @ turn for wheel in WHEELS if lines.axle_body(wheel) in poses}
    page = _Page.around([*boards, *wheels.values()])
    top_mm = _scale_end(floor)
    turned = "Seen from above; the front of the car is up, left is the car's left (driver looking forward)."
    shapes: list[Shape] = [
        Text((MARGIN, 40.0), title, 26.0, INK),
        Text((MARGIN, 74.0), turned, 16.0, GREY),
        Text((MARGIN, 98.0), "Millimetres above or below the plane through all floor boards, ± U (k = 2).", 16.0, GREY),
    ]
    shapes += _tint(page, floor, boards, origin, turn, top_mm)
    shapes += _wheels(page, wheels)
    shapes += _dots(page, floor, boards, top_mm)
    shapes += _legend(page, floor, uneven, top_mm)
    return Drawing(WIDTH, page.height, tuple(shapes))


class _Page:
    """Car frame seen from above (x forward, y left, mm) to the page."""

    def __init__(self, scale: float, origin: Point, height: float) -> None:
        self.scale, self.origin, self.height = scale, origin, height

    @classmethod
    def around(cls, places: list[Array]) -> _Page:
        points = np.array(places)
        low, high = points.min(axis=0) - [350.0, 500.0], points.max(axis=0) + [350.0, 500.0]
        wide, tall = WIDTH - 2 * MARGIN, TALLEST - TOP - FOOT
        scale = min(wide / (high[1] - low[1]), tall / (high[0] - low[0]))
        middle = (low + high) / 2
        height = TOP + (high[0] - low[0]) * scale + FOOT
        return cls(scale, (WIDTH / 2 + middle[1] * scale, TOP + high[0] * scale), height)

    def at(self, place_mm: Array) -> Point:
        return self.origin[0] - float(place_mm[1]) * self.scale, self.origin[1] - float(place_mm[0]) * self.scale


def _car_on_floor(poses: PoseSet) -> tuple[Array, Array]:
    """Middle of the rear axle and the car's forward direction, shape (2,) each, floor frame."""
    ahead = (poses[FLOOR].rotation.T @ lines.approximate_forward(poses))[:2]
    rear = np.mean([_under(poses, wheel) for wheel in REAR], axis=0)
    return np.asarray(rear), np.asarray(ahead / np.linalg.norm(ahead))


def _under(poses: PoseSet, wheel: str) -> Array:
    return poses[FLOOR].inverse().apply(lines.reference_point_mm(poses, wheel))[:2]


def _scale_end(floor: FloorMap) -> float:
    """A round height at which the inks are full, mm."""
    most = max(float(np.abs(floor.heights.value).max()), 0.1)
    power = 10.0 ** math.floor(math.log10(most))
    return next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= most)


def _ink(height_mm: float, top_mm: float) -> str:
    share = min(1.0, abs(height_mm) / top_mm)
    end = ABOVE if height_mm > 0 else BELOW
    return "#" + "".join(f"{round(e + share * (f - e)):02x}" for e, f in zip(EVEN, end, strict=True))


def _tint(page: _Page, floor: FloorMap, boards: Array, origin: Array, turn: Array, top_mm: float) -> list[Shape]:
    if len(floor.boards) < FEWEST:
        return []
    inside = Delaunay(boards)
    low, high = boards.min(axis=0), boards.max(axis=0)
    axes = [np.arange(a + CELL_MM / 2.0, b, CELL_MM) for a, b in zip(low, high, strict=True)]
    cells = np.array([(x, y) for x in axes[0] for y in axes[1]])
    cells = cells[inside.find_simplex(cells) >= 0]
    out: list[Shape] = []
    for cell, height in zip(cells, departures_mm(floor, cells @ turn.T + origin), strict=True):
        half = CELL_MM / 2.0
        corners = tuple(page.at(cell + np.array(d)) for d in ((-half, -half), (-half, half), (half, half), (half, -half)))
        ink = _ink(0.6 * float(height), top_mm)
        out.append(Line(corners, ink, 0.5, closed=True, fill=ink))
    return out


def _wheels(page: _Page, wheels: dict[str, Array]) -> list[Shape]:
    out: list[Shape] = []
    for wheel, place in wheels.items():
        sign = 1.0 if wheel.endswith("left") else -1.0
        middle = place - np.array([0.0, sign * TYRE_MM[1] / 2.0])
        half = np.array(TYRE_MM) / 2.0
        corners = tuple(page.at(middle + half * np.array(d)) for d in ((1, 1), (1, -1), (-1, -1), (-1, 1)))
        out.append(Line(corners, GREY, 1.5, closed=True))
        x, y = page.at(middle)
        words = wheel.replace("_", " ").split(" ")
        out += [Text((x, y - 8.0 + 16.0 * i), word, 13.0, GREY, "middle") for i, word in enumerate(words)]
    return out


def _dots(page: _Page, floor: FloorMap, boards: Array, top_mm: float) -> list[Shape]:
    out: list[Shape] = []
    for i, name in enumerate(floor.boards):
        height, u = float(floor.heights.value[i]), 2.0 * math.sqrt(float(floor.heights.cov[i, i]))
        x, y = page.at(boards[i])
        out.append(ellipse((x, y), ((DOT, 0.0), (0.0, DOT)), INK, _ink(height, top_mm), 1.2))
        out.append(Text((x, y - DOT - 11.0), name, 13.0, GREY, "middle"))
        out.append(Text((x, y + DOT + 12.0), _words(height), 15.0, INK, "middle"))
        out.append(Text((x, y + DOT + 29.0), f"± {u:.1f}", 13.0, GREY, "middle"))
    return out


def _words(height_mm: float) -> str:
    return f"{abs(height_mm):.1f} {_way(height_mm)}" if _way(height_mm) != ON_IT else ON_IT


def _way(height_mm: float) -> str:
    if abs(height_mm) < 0.05:
        return ON_IT
    return "above" if height_mm > 0 else "below"


def _legend(page: _Page, floor: FloorMap, uneven: BelievedFloor, top_mm: float) -> list[Shape]:
    y = page.height - FOOT + 30.0
    metre = 1000.0 * page.scale
    out: list[Shape] = [Line(((MARGIN, y), (MARGIN + metre, y)), INK, 3.0), Text((MARGIN + metre + 12.0, y), "1 m", 15.0, INK)]
    steps = (-1.0, -0.5, 0.0, 0.5, 1.0)
    wide = 74.0
    left = WIDTH - MARGIN - wide * len(steps)
    for i, step in enumerate(steps):
        x = left + wide * i
        box = ((x, y - 9.0), (x + wide, y - 9.0), (x + wide, y + 9.0), (x, y + 9.0))
        out.append(Line(box, PALE, 0.8, closed=True, fill=_ink(step * top_mm, top_mm)))
        label = f"{abs(step) * top_mm:g} {_way(step)}" if step else _way(step)
        out.append(Text((x + wide / 2.0, y + 22.0), label, 13.0, GREY, "middle"))
    high, low = int(np.argmax(floor.heights.value)), int(np.argmin(floor.heights.value))
    gap = float(floor.heights.value[high] - floor.heights.value[low])
    tint = "Tint (paler than the dots): likely heights between the boards; nothing was seen outside their outline."
    if len(floor.boards) < FEWEST:
        tint = f"No tint: {len(floor.boards)} boards tell nothing of the floor between them."
    how = f"{uneven.words[0].upper()}{uneven.words[1:]}."
    rows = (
        f"Highest: {floor.boards[high]}, lowest: {floor.boards[low]}, {gap:.1f} mm apart. {how}",
        tint,
        CAUTION,
    )
    out += [Text((MARGIN, y + 62.0 + 24.0 * i), row, 14.0, INK if row is CAUTION else GREY) for i, row in enumerate(rows)]
    return out
