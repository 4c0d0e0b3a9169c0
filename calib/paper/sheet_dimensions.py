"""Dimensions and words of a placement's drawing: origin, line, distance, lateral, height, angles."""

from __future__ import annotations

import math

from calib.paper.drawing import Line, Point, Shape, Text, arrow, ellipse
from calib.paper.placements import POINT, Sheet
from calib.paper.sheet_scene import (
    ARROW_MM,
    BESIDE,
    BODY_WIDTH_MM,
    FRONT_END_MM,
    GREY,
    INK,
    LINE_INK,
    MARGIN,
    REAR_END_MM,
    SMALL,
    TARGET_INK,
    WIDTH,
    Scene,
    View,
    all_of,
)


def line(view: View, scene: Scene) -> list[Shape]:
    """The line the sheet measures along, through lateral zero."""
    sheet = scene.sheet
    ends = [REAR_END_MM - 250.0, FRONT_END_MM + 250.0, *(float(x) for x in all_of(scene)[:, 0])]
    start, end = view.flat(min(ends), 0.0), view.flat(max(ends), 0.0)
    if isinstance(sheet.line, str):
        words = "thrust line" if sheet.line == "thrust" else "centreline"
    else:
        words = f"line through {' and '.join(place.partition(':')[2] for place in sheet.line)}"
    at = view.flat(REAR_END_MM + 150.0, 0.0)
    return [Line((start, end), LINE_INK, 1.5, dash=(18.0, 7.0)), Text((at[0], at[1] - 13.0), words, SMALL, LINE_INK)]


def along(view: View, scene: Scene) -> list[Shape]:
    """The origin, and the distance from it, below everything that is seen from above."""
    sheet = scene.sheet
    ox, oy = view.at(scene.origin_mm)
    kind = "touched point " if sheet.origin.startswith(POINT) else ""
    name = f"{kind}{sheet.origin.partition(':')[2] or sheet.origin.replace('-', ' ')}"
    out: list[Shape] = [
        ellipse((ox, oy), ((6.0, 0.0), (0.0, 6.0)), LINE_INK, LINE_INK),
        Text((ox + 10.0, oy + 18.0), f"origin: {name}", SMALL, LINE_INK),
    ]
    if "distance_mm" not in sheet:
        return out
    beside_car = view.flat(0.0, -BODY_WIDTH_MM / 2)[1]
    y = 26.0 + max(beside_car, lowest(view, scene) + 50.0)
    return [*out, *_measure((ox, y), (view.at(scene.centre_mm)[0], y), f"distance {figure(sheet, 'distance_mm')}", oy)]


def lowest(view: View, scene: Scene) -> float:
    """Lowest point of target and arrow on the page."""
    tip = scene.centre_mm + ARROW_MM * scene.facing
    return max(view.at(place)[1] for place in (*all_of(scene), tip))


def across(view: View, scene: Scene) -> list[Shape]:
    """Lateral from the line, outside of the target; the places of a mat's marks beside them."""
    sheet = scene.sheet
    if scene.marks_mm:
        return _marks(view, scene)
    if "lateral_mm" not in sheet or sheet["lateral_mm"].value == 0.0:
        return []
    x, y = view.at(scene.centre_mm)
    zero = view.flat(0.0, 0.0)[1]
    at = x + scene.away * BESIDE
    words = f"lateral {figure(sheet, 'lateral_mm')}, to the car's {'left' if y < zero else 'right'}"
    out: list[Shape] = [*_arrows((at, zero), (at, y)), Line(((x, y), (at + scene.away * 6.0, y)), GREY, 0.8)]
    return [*out, Text((at + scene.away * 9.0, (y + zero) / 2), words, SMALL, INK, _outwards(scene))]


def _outwards(scene: Scene) -> str:
    """Anchor of words on the side of the target that is away from the car."""
    return "start" if scene.away > 0 else "end"


def _marks(view: View, scene: Scene) -> list[Shape]:
    out: list[Shape] = []
    zero = view.flat(0.0, 0.0)[1]
    for mark in scene.sheet.marks:
        place = scene.marks_mm[mark.name]
        x, y = view.at(place)
        ahead, left = (figure(scene.sheet, name) for name in mark.names)
        behind = ", behind the origin" if scene.sheet[mark.names[0]].value < 0 else ""
        side = ", to the car's right" if place[1] < 0 else ""
        right = place[0] >= scene.centre_mm[0]
        at, anchor = (x + 14.0, "start") if right else (x - 14.0, "end")
        out.append(Line(((x, y), (x, zero)), GREY, 0.8, dash=(4.0, 4.0)))
        for i, row in enumerate((f"{mark.name}: ahead {ahead}{behind}", f"left {left}{side}")):
            out.append(Text((at, y - 11.0 + 22.0 * i), row, SMALL, TARGET_INK, anchor))
    return out


def yaw(view: View, scene: Scene) -> list[Shape]:
    """The yaw with its arc at the arrow's tip; on the line it stands below the target, with the lateral."""
    sheet = scene.sheet
    rows, out = [], list[Shape]()
    x, y = view.at(scene.centre_mm)
    if "yaw_rad" in sheet:
        turn = sheet["yaw_rad"].value
        way = "counter-clockwise" if turn > 0 else "clockwise"
        rows.append(f"yaw {figure(sheet, 'yaw_rad')}, {'square to the line' if turn == 0 else f'{way} seen from above'}")
        if turn != 0:
            start, radius = math.pi if scene.away > 0 else 0.0, 0.7 * ARROW_MM * view.scale
            turns = [start + turn * k / 20 for k in range(21)]
            arc = tuple((x + radius * math.cos(t), y - radius * math.sin(t)) for t in turns)
            out += [Line(arc, TARGET_INK, 1.5), Line(((x, y), arc[0]), GREY, 0.8, dash=(4.0, 4.0))]
    if "lateral_mm" not in sheet or sheet["lateral_mm"].value != 0.0:
        tip = view.at(scene.centre_mm + ARROW_MM * scene.facing)
        sign = 1.0 if tip[0] >= x else -1.0
        zero = view.flat(0.0, 0.0)[1]
        on_line = abs(tip[1] - 8.0 - zero) < 16.0  # words would lie on the dashes
        at = (tip[0] + sign * 12.0, zero - 24.0 if on_line else tip[1] - 8.0)
        return [*out, *(Text(at, row, SMALL, TARGET_INK, "start" if sign > 0 else "end") for row in rows)]
    rows.append(f"lateral {figure(sheet, 'lateral_mm')}, on the line")
    first = lowest(view, scene) + 20.0
    return [*out, *(Text((x, first + 23.0 * i), row, SMALL, TARGET_INK, "middle") for i, row in enumerate(rows))]


def upright(view: View, scene: Scene) -> list[Shape]:
    """The floor, the height, and the angles that are seen from the side or not at all."""
    sheet = scene.sheet
    floor = view.flat(0.0, 0.0)[1]
    out: list[Shape] = [Line(((MARGIN, floor), (WIDTH - MARGIN, floor)), INK, 2.0)]
    if scene.marks_mm:
        return out
    x, y = view.at(scene.centre_mm)
    at = x + scene.away * BESIDE
    rows = []
    if "height_mm" in sheet:
        over = "floor" if sheet.height_from == "floor" else "wheels' plane"
        out += [*_arrows((at, floor), (at, y)), Line(((x, y), (at + scene.away * 6.0, y)), GREY, 0.8)]
        rows.append(f"height {figure(sheet, 'height_mm')} above the {over}")
    leans = [name for name in ("pitch", "roll") if f"{name}_rad" in sheet]
    rows += [f"{name} {figure(sheet, f'{name}_rad')}{_lean(sheet, name)}" for name in leans]
    for i, row in enumerate(rows):
        above = floor - 18.0 - 23.0 * (len(rows) - 1 - i)
        out.append(Text((at + scene.away * 12.0, above), row, SMALL, INK, _outwards(scene)))
    return out


def _lean(sheet: Sheet, name: str) -> str:
    value = sheet[f"{name}_rad"].value
    if value == 0:
        return ", upright" if name == "pitch" else ", level"
    if name == "pitch":
        return f", top leans to the car's {'front' if value > 0 else 'rear'}"
    return f", its side on the car's {'left' if value > 0 else 'right'} is up"


def figure(sheet: Sheet, name: str) -> str:
    """Value and tolerance of a figure as the sheet reads."""
    one, sign = sheet[name], sheet.printed_sign(name)
    factor, unit = (180.0 / math.pi, "°") if name.endswith("_rad") else (1.0, " mm")
    value = sign * one.value * factor
    low, high = (one.lower, one.upper) if sign > 0 else (-one.upper, -one.lower)
    ends = [end * factor for end in (low, high)]
    if all(map(math.isfinite, ends)):
        limits = f" ±{_plain(ends[1])}" if abs(sum(ends)) < 1e-9 else f" {_plain(ends[0], True)}/{_plain(ends[1], True)}"
    elif any(map(math.isfinite, ends)):
        least = math.isfinite(ends[0])
        limits = f" (error at {'least' if least else 'most'} {_plain(ends[0] if least else ends[1], True)})"
    else:
        limits = ""
    return f"{_plain(value)}{limits}{unit}"


def _plain(value: float, sign: bool = False) -> str:
    text = f"{value:{'+' if sign else ''}.4f}".rstrip("0").rstrip(".")
    return text if text.strip("+-") not in ("", "0") else "0"


def _arrows(a: Point, b: Point) -> list[Shape]:
    if math.dist(a, b) < 24.0:
        return [Line((a, b), INK, 1.5)]
    return [*arrow(a, b, INK, 1.2, 9.0), *arrow(b, a, INK, 1.2, 9.0)]


def _measure(a: Point, b: Point, words: str, from_y: float) -> list[Shape]:
    """A dimension along the page with its extension line from the origin."""
    middle = ((a[0] + b[0]) / 2, a[1] - 12.0)
    return [*_arrows(a, b), Line(((a[0], from_y), (a[0], a[1] + 6.0)), GREY, 0.8), Text(middle, words, SMALL, INK, "middle")]
