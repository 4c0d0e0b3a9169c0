"""The survey plan: the car and the floor boards from above, to scale, small departures magnified and the factor said.

The front of the car is up on the page, the car's left is left. Wheels, lines and ellipses are where they were measured; only
angles and ellipses are drawn larger than they are.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from calib.geometry import lines
from calib.geometry.floor_map import FloorMap
from calib.geometry.lines import REAR, WHEELS
from calib.paper.drawing import Drawing, Line, Point, Shape, Text, arrow, ellipse
from vision.frames import Array, skew
from vision.poses import PoseSet

WIDTH, HEIGHT, MARGIN = 1240.0, 1560.0, 70.0
INK, GREY, PALE, ROAD, LINE_INK = "#1c2026", "#6c727a", "#d9dde2", "#f3f4f6", "#34628c"
TYRE_MM = (640.0, 210.0)
ANGLE_FACTOR = 20.0
TOP, FOOT = 150.0, 120.0
CAUTION = "A measurement, not an approval: the vehicle maker's procedure and the qualified technician decide."


@dataclass(frozen=True, slots=True)
class Marked:
    """A figure to be written on the plan: degrees or mm, with U (k = 2)."""

    value: float
    u: float


@dataclass(frozen=True, slots=True, eq=False)
class _Page:
    """Car frame (x forward, y left, R at the origin, mm) to the page."""

    scale: float
    origin: Point

    def at(self, place_mm: Array) -> Point:
        return self.origin[0] - float(place_mm[1]) * self.scale, self.origin[1] - float(place_mm[0]) * self.scale


def survey_plan(poses: PoseSet, floor: FloorMap, figures: Mapping[str, Marked], title: str) -> Drawing:
    """Draw the plan.

    Parameters
    ----------
    poses : PoseSet
        "floor" and all four "axle:…" bodies with their stand-offs applied.
    floor : FloorMap
    figures : mapping of figure name to Marked
        Of the alignment table, with unit ("thrust_angle_deg", "wheelbase_left_mm", …).
    title : str
    """
    axes = lines.along(lines.centreline_direction(poses), lines.up(poses))
    rear = lines.rear_mid_mm(poses)
    wheels = {wheel: axes.T @ (lines.reference_point_mm(poses, wheel) - rear) for wheel in WHEELS}
    boards = {name: axes.T @ (_on_floor(poses, floor, i) - rear) for i, name in enumerate(floor.boards)}
    page = _page([*wheels.values(), *boards.values()])
    shapes: list[Shape] = [
        Text((MARGIN, 44.0), title, 30.0, INK),
        Text(
            (MARGIN, 82.0),
            "Seen from above; the front of the car is up, left is the car's left (driver looking forward).",
            18.0,
            GREY,
        ),
    ]
    shapes += _floor_boards(page, boards, floor)
    shapes += _body(page, wheels)
    shapes += _measures(page, wheels, figures)
    shapes += _lines(page, wheels, figures)
    factor = _ellipse_factor(poses, axes, page)
    for wheel in WHEELS:
        shapes += _wheel(page, wheel, wheels[wheel], poses, axes, figures)
        shapes.append(_uncertainty(page, wheels[wheel], _plan_cov(poses, wheel, axes), factor))
    shapes += _legend(page, factor)
    return Drawing(WIDTH, HEIGHT, tuple(shapes))


def _on_floor(poses: PoseSet, floor: FloorMap, i: int) -> Array:
    return poses["floor"].apply([*floor.place_mm[i], 0.0])


def _page(places: list[Array]) -> _Page:
    points = np.array(places)[:, :2]
    low, high = points.min(axis=0) - [700.0, 900.0], points.max(axis=0) + [700.0, 900.0]
    wide, tall = WIDTH - 2 * MARGIN, HEIGHT - TOP - FOOT
    scale = min(wide / (high[1] - low[1]), tall / (high[0] - low[0]))
    middle = (low + high) / 2
    return _Page(scale, (WIDTH / 2 + middle[1] * scale, TOP + tall / 2 + middle[0] * scale))


def _floor_boards(page: _Page, boards: Mapping[str, Array], floor: FloorMap) -> list[Shape]:
    half = 110.0
    out: list[Shape] = []
    for i, (name, place) in enumerate(boards.items()):
        corners = tuple(
            page.at(place + np.array([dx, dy, 0.0])) for dx, dy in ((-half, -half), (-half, half), (half, half), (half, -half))
        )
        height, u = float(floor.heights.value[i]), 2.0 * math.sqrt(float(floor.heights.cov[i, i]))
        x, y = page.at(place)
        out.append(Line(corners, GREY, 1.0, closed=True, fill=ROAD))
        out.append(Text((x, y), name.removeprefix("floor-"), 15.0, GREY, "middle"))
        out.append(Text((x, y + half * page.scale + 11.0), f"{height:+.1f} ± {u:.1f}", 13.0, GREY, "middle"))
    return out


def _body(page: _Page, wheels: Mapping[str, Array]) -> list[Shape]:
    """Diagonals as thin lines: nothing is known of the body itself, so none is drawn."""
    pairs = (("front_left", "rear_right"), ("front_right", "rear_left"))
    return [Line((page.at(wheels[a]), page.at(wheels[b])), PALE, 1.2) for a, b in pairs]


def _measures(page: _Page, wheels: Mapping[str, Array], figures: Mapping[str, Marked]) -> list[Shape]:
    """Bases beside the car, tracks across it, diagonals on their lines."""
    out: list[Shape] = []

    def said(name: str, at: Point, anchor: str = "middle") -> None:
        if name in figures:
            out.append(Text(at, f"{figures[name].value:.1f} ± {figures[name].u:.1f} mm", 15.0, INK, anchor))

    for side, sign in (("left", 1.0), ("right", -1.0)):
        a, b = (wheels[f"{axle}_{side}"] + np.array([0.0, sign * 260.0, 0.0]) for axle in ("rear", "front"))
        out += arrow(page.at(a), page.at(b), GREY, 1.0, 8.0) + arrow(page.at(b), page.at(a), GREY, 1.0, 8.0)
        x, anchor = _beside(side)
        y = page.at((a + b) / 2)[1]
        out.append(Text((x, y - 10.0), f"wheelbase {side}", 15.0, GREY, anchor))
        said(f"wheelbase_{side}_mm", (x, y + 10.0), anchor)
    for axle in ("front", "rear"):
        ends = tuple(page.at(wheels[f"{axle}_{side}"]) for side in ("left", "right"))
        out.append(Line(ends, GREY, 1.0))
        for side, name in (("left", "track"), ("right", "setback")):
            x, anchor = _beside(side)
            y = page.at(wheels[f"{axle}_{side}"])[1] + 58.0
            out.append(Text((x, y), f"{name} {axle}", 15.0, GREY, anchor))
            said(f"{name}_{axle}_mm", (x, y + 20.0), anchor)
    for a, b in (("front_left", "rear_right"), ("front_right", "rear_left")):
        x, y = page.at(wheels[a] + 0.24 * (wheels[b] - wheels[a]))
        out.append(Text((x, y - 9.0), "diagonal", 14.0, GREY, "middle"))
        said(f"diagonal_{a}_{b}_mm", (x, y + 9.0), "middle")
    return out


def _lines(page: _Page, wheels: Mapping[str, Array], figures: Mapping[str, Marked]) -> list[Shape]:
    front = (wheels["front_left"] + wheels["front_right"]) / 2
    length = float(front[0]) + 1150.0
    out: list[Shape] = [Line((page.at(np.zeros(3)), page.at(np.array([length, 0.0, 0.0]))), INK, 1.5, dash=(14.0, 8.0))]
    x, y = page.at(np.array([length, 0.0, 0.0]))
    out.append(Text((x, y - 14.0), "centreline", 15.0, INK, "middle"))
    if "thrust_angle_deg" not in figures:
        return out
    angle = figures["thrust_angle_deg"]
    drawn = math.radians(ANGLE_FACTOR * angle.value)
    tip = np.array([length * 0.93 * math.cos(drawn), length * 0.93 * math.sin(drawn), 0.0])
    out += arrow(page.at(np.zeros(3)), page.at(tip), LINE_INK, 3.0, 16.0)
    side = "left" if angle.value > 0 else "right"
    words = f"thrust line {abs(angle.value):.3f}° ± {angle.u:.3f}° to the car's {side}"
    tx, ty = page.at(tip)
    way = -1.0 if angle.value > 0 else 1.0
    out.append(Text((tx + way * 16.0, ty + 26.0), words, 17.0, LINE_INK, "end" if way < 0 else "start"))
    for name, place in (("R", np.zeros(3)), ("F", front)):
        px, py = page.at(place)
        out.append(ellipse((px, py), ((4.0, 0.0), (0.0, 4.0)), INK, INK))
        out.append(Text((px - 14.0, py - 14.0), name, 17.0, INK, "middle"))
    return out


def _wheel(page: _Page, wheel: str, place: Array, poses: PoseSet, axes: Array, figures: Mapping[str, Marked]) -> list[Shape]:
    yaw = lines.forward_yaws(poses, (wheel,), axes[:, 0])[wheel] * ANGLE_FACTOR
    ahead, left = np.array([math.cos(yaw), math.sin(yaw), 0.0]), np.array([-math.sin(yaw), math.cos(yaw), 0.0])
    sign = 1.0 if wheel.endswith("left") else -1.0
    middle = place - sign * left * TYRE_MM[1] / 2.0
    corners = tuple(
        page.at(middle + a * ahead * TYRE_MM[0] / 2.0 + b * left * TYRE_MM[1] / 2.0)
        for a, b in ((1, 1), (1, -1), (-1, -1), (-1, 1))
    )
    out: list[Shape] = [Line(corners, INK, 2.0, closed=True, fill="#ffffff")]
    tip = page.at(middle + ahead * (TYRE_MM[0] / 2.0 + 160.0))
    out += arrow(page.at(middle), tip, INK, 1.5, 9.0)
    axle, side = wheel.split("_")
    rows = [wheel.replace("_", " ")]
    for label, name in (("toe", f"{axle}_toe_{side}_deg"), ("camber", f"camber_{wheel}_deg")):
        if name in figures:
            rows.append(f"{label} {_signed(figures[name].value)}° ± {figures[name].u:.3f}°")
    x, anchor = _beside(side)
    y = page.at(place)[1]
    near = page.at(middle + sign * left * TYRE_MM[1] / 2.0)
    out.append(Line(((x, y - 32.0), (near[0], near[1] - 8.0)), PALE, 1.0))
    for i, words in enumerate(rows):
        out.append(Text((x, y - 18.0 + 19.0 * i), words, 16.0 if i == 0 else 15.0, INK, anchor))
    return out


def _signed(value: float) -> str:
    text = f"{value:+.3f}"
    return text if float(text) else "0.000"


def _beside(side: str) -> tuple[float, str]:
    """Where words about one side of the car stand: at the edge of the page, clear of boards and lines."""
    return (MARGIN, "start") if side == "left" else (WIDTH - MARGIN, "end")


def _plan_cov(poses: PoseSet, wheel: str, axes: Array) -> Array:
    """Covariance of a reference point in the car's axes as seen from above, relative to R's mean place, shape (2, 2), mm²."""
    bodies = [lines.axle_body(name) for name in WHEELS]
    used = poses.of(bodies)
    jac = np.zeros((2, len(used.cov)))
    for i, name in enumerate(WHEELS):
        point = lines.reference_point_mm(poses, name)
        weight = (1.0 if name == wheel else 0.0) - (0.5 if name in REAR else 0.0)
        jac[:, 6 * i : 6 * i + 6] += weight * axes.T[:2] @ np.hstack([-skew(point), np.eye(3)])
    return np.asarray(jac @ used.cov @ jac.T, dtype=float)


def _ellipse_factor(poses: PoseSet, axes: Array, page: _Page) -> float:
    """A round factor that makes the largest ellipse about a tyre's width."""
    largest = max(2.0 * math.sqrt(float(np.linalg.eigvalsh(_plan_cov(poses, wheel, axes))[-1])) for wheel in WHEELS)
    wanted = 40.0 / page.scale / max(largest, 1e-6)
    power = 10.0 ** math.floor(math.log10(wanted))
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= wanted)


def _uncertainty(page: _Page, place: Array, cov: Array, factor: float) -> Line:
    values, vectors = np.linalg.eigh(cov)
    one, other = (2.0 * factor * math.sqrt(max(float(v), 0.0)) * vectors[:, i] * page.scale for i, v in enumerate(values))
    on_page = ((-float(one[1]), -float(one[0])), (-float(other[1]), -float(other[0])))
    return ellipse(page.at(place), on_page, LINE_INK, width=2.0)


def _legend(page: _Page, factor: float) -> list[Shape]:
    y = HEIGHT - FOOT + 18.0
    metre = 1000.0 * page.scale
    out: list[Shape] = [
        Line(((MARGIN, y), (MARGIN + metre, y)), INK, 3.0),
        Text((MARGIN + metre + 12.0, y), "1 m", 16.0, INK),
        Text(
            (MARGIN, y + 26.0),
            f"Angles of wheels and thrust line are drawn {ANGLE_FACTOR:g} times as large as they are; uncertainty ellipses "
            f"(k = 2, against R) {factor:g} times.",
            15.0,
            GREY,
        ),
        Text(
            (MARGIN, y + 48.0),
            "Small squares: floor boards with the height of the floor there against its plane, mm. Toe-in and camber (top "
            "outward) positive.",
            15.0,
            GREY,
        ),
        Text((MARGIN, y + 74.0), CAUTION, 15.0, INK),
    ]
    return out
