"""A placement drawn to scale from above and from the side, to be compared by eye with the drawing in the document.

The front of the car is to the right on both views; from above its left is up, and the side is seen from the car's right.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from calib.paper.drawing import Drawing, Line, Shape, Text, arrow, ellipse
from calib.paper.placements import Sheet
from calib.paper.sheet_dimensions import across, along, line, upright, yaw
from calib.paper.sheet_scene import (
    ARROW_MM,
    BIG,
    BODY_SIDE_MM,
    BODY_WIDTH_MM,
    CAR,
    FOOT,
    FRONT_END_MM,
    GAP,
    GREEN,
    GREY,
    HEAD,
    HEIGHT,
    INK,
    MARGIN,
    PALE,
    REAR_END_MM,
    ROOM,
    SMALL,
    TARGET_INK,
    TRACK_MM,
    TYRE_MM,
    TYRE_WIDTH_MM,
    WHEELBASE_MM,
    WIDTH,
    Scene,
    View,
    all_of,
    clearance_boxes,
    hull,
    mat_outline_mm,
    scene_of,
)

WORDS = 380.0
"""Page units kept free for words beside a target, away from the car."""
ROOMS = {
    "sides_mm": "beside the target",
    "beyond_mm": "beyond it",
    "between_mm": "to each side of the way to it",
    "floor_mm": "under it",
}


def sheet_drawing(sheet: Sheet, together: Sequence[Sheet] = (), caption: Sequence[str] = ()) -> Drawing:
    """Draw one placement.

    Parameters
    ----------
    sheet : Sheet
    together : sequence of Sheet
        Other placements that stand at the same time: drawn pale.
    caption : sequence of str
        Lines at the foot of the page: where the numbers come from, whether they are confirmed.
    """
    scene, others = scene_of(sheet), [scene_of(other) for other in together]
    above, side = _views(scene, others)
    shapes = [*_title(scene), *_rooms(above, scene)]
    for view in (above, side):
        shapes += _car(view)
        for other in others:
            shapes += _target(view, other, PALE)
        shapes += _target(view, scene, TARGET_INK)
    shapes += [*line(above, scene), *along(above, scene), *across(above, scene), *yaw(above, scene), *upright(side, scene)]
    return Drawing(WIDTH, HEIGHT, tuple([*shapes, *_foot(above, caption)]))


def _views(scene: Scene, others: Sequence[Scene]) -> tuple[View, View]:
    """Both views one above the other at one scale, as large as the page allows."""
    points = [scene.origin_mm[None]]
    for one in (scene, *others):
        points += [all_of(one), one.centre_mm[None] + ARROW_MM * one.facing]
    points += [np.column_stack([box, np.zeros(4)]) for _, box in clearance_boxes(scene)]
    every = np.vstack([*points, [[FRONT_END_MM, BODY_WIDTH_MM / 2, 1450.0], [REAR_END_MM, -BODY_WIDTH_MM / 2, 0.0]]])
    low, high = every.min(axis=0), every.max(axis=0)
    tall = HEIGHT - HEAD - FOOT - GAP - 90.0
    before, after = (WORDS, WORDS) if scene.marks_mm else (30.0, WORDS) if scene.away > 0 else (WORDS, 30.0)
    wide = WIDTH - 2 * MARGIN - before - after
    scale = min(wide / (high[0] - low[0]), tall / (high[1] - low[1] + high[2]))
    left = MARGIN + before + wide / 2 - scale * (low[0] + high[0]) / 2
    slack = max(tall - scale * (high[1] - low[1] + high[2]), 0.0)
    middle = HEAD + 0.2 * slack + scale * high[1]
    floor = HEAD + 0.6 * slack + scale * (high[1] - low[1]) + GAP + scale * high[2]
    return View(scale, (left, middle), (0, 1)), View(scale, (left, floor), (0, 2))


def _title(scene: Scene) -> list[Shape]:
    sheet = scene.sheet
    name = f"{sheet.name}: " if sheet.name else ""
    where = "on the floor" if scene.marks_mm else "ahead of the car" if sheet.side == "ahead" else "BEHIND the car"
    rows = ["From above and from the car's right, to scale. Left and right are the car's (driver looking forward)."]
    if scene.drawn_as_usual:
        rows.append(f"The sheet leaves open, drawn as usual: {', '.join(scene.drawn_as_usual)}.")
    rows.append(f"The car is none in particular: its axles are drawn {WHEELBASE_MM:g} mm apart.")
    if len(mat_outline_mm(scene)):
        rows.append(
            "The mat is drawn square to the line, about the middle of its marks: the sheet does not say where its edges lie."
        )
    free = [f"{mm:g} mm {ROOMS[name]}" for name, mm in sheet.clearance.given.items()]
    if free:
        rows.append(f"Free room: {', '.join(free)}.")
    title = Text((MARGIN, 46.0), f"{name}{sheet.target} ({sheet.kind}), {where}", BIG, INK)
    return [title, *(Text((MARGIN, 82.0 + 25.0 * i), row, SMALL, GREY) for i, row in enumerate(rows))]


def _car(view: View) -> list[Shape]:
    out: list[Shape] = []
    if view.axes == (0, 1):
        half = BODY_WIDTH_MM / 2
        body = [(REAR_END_MM, half), (FRONT_END_MM - 250.0, half), (FRONT_END_MM, half - 350.0)]
        body += [(FRONT_END_MM, 350.0 - half), (FRONT_END_MM - 250.0, -half), (REAR_END_MM, -half)]
        out.append(Line(tuple(view.flat(*corner) for corner in body), PALE, 1.5, closed=True, fill=CAR))
        for x in (0.0, WHEELBASE_MM):
            for y in (TRACK_MM / 2, -TRACK_MM / 2):
                half_x, half_y = TYRE_MM / 2, TYRE_WIDTH_MM / 2
                ring = [(x - half_x, y - half_y), (x + half_x, y - half_y), (x + half_x, y + half_y), (x - half_x, y + half_y)]
                out.append(Line(tuple(view.flat(*corner) for corner in ring), GREY, 1.5, closed=True, fill="#ffffff"))
        out += arrow(view.flat(700.0, 300.0), view.flat(1900.0, 300.0), GREY, 1.5)
        out.append(Text(view.flat(1300.0, 430.0), "front", SMALL, GREY, "middle"))
        out.append(Text(view.flat(1300.0, half - 130.0), "car's left", SMALL, GREY, "middle"))
        out.append(Text(view.flat(1300.0, 130.0 - half), "car's right", SMALL, GREY, "middle"))
        return out
    out.append(Line(tuple(view.flat(*corner) for corner in BODY_SIDE_MM), PALE, 1.5, closed=True, fill=CAR))
    for x in (0.0, WHEELBASE_MM):
        radius = view.scale * TYRE_MM / 2
        out.append(ellipse(view.flat(x, TYRE_MM / 2), ((radius, 0.0), (0.0, radius)), GREY, "#ffffff"))
    return out


def _target(view: View, scene: Scene, ink: str) -> list[Shape]:
    if scene.marks_mm:
        return _mat(view, scene, ink)
    ring = tuple(view.flat(x, y) for x, y in hull(scene.outline_mm[:, list(view.axes)]))
    out: list[Shape] = [Line(ring, ink, 3.0, closed=True, fill="#ffffff")]
    centre, tip = view.at(scene.centre_mm), view.at(scene.centre_mm + ARROW_MM * scene.facing)
    if math.dist(centre, tip) > 12.0:
        out += arrow(centre, tip, ink, 2.0)
    out.append(ellipse(centre, ((4.0, 0.0), (0.0, 4.0)), ink, ink))
    if view.axes == (0, 2):
        out.append(Line((centre, view.flat(float(scene.centre_mm[0]), 0.0)), ink, 1.0, dash=(3.0, 5.0)))
    return out


def _mat(view: View, scene: Scene, ink: str) -> list[Shape]:
    places = np.array(list(scene.marks_mm.values()))
    out: list[Shape] = []
    if len(edges := mat_outline_mm(scene)):
        ring = tuple(view.flat(x, y) for x, y in hull(edges[:, list(view.axes)]))
        out.append(Line(ring, ink, 1.0, closed=True, fill="#ffffff", dash=(7.0, 6.0)))
    if view.axes == (0, 1) and len(places) > 2:
        out.append(Line(tuple(view.flat(x, y) for x, y in hull(places[:, :2])), ink, 2.0, closed=True, fill="#ffffff"))
    elif len(places) > 1:
        out.append(Line((view.at(places[0]), view.at(places[-1])), ink, 2.0))
    for place in scene.marks_mm.values():
        x, y = view.at(place)
        out += [Line(((x - 9.0, y), (x + 9.0, y)), ink, 2.5), Line(((x, y - 9.0), (x, y + 9.0)), ink, 2.5)]
    return out


def _rooms(view: View, scene: Scene) -> list[Shape]:
    return [
        Line(tuple(view.flat(float(x), float(y)) for x, y in box), GREEN, 1.0, closed=True, fill=ROOM)
        for _, box in clearance_boxes(scene)
    ]


def _foot(above: View, caption: Sequence[str]) -> list[Shape]:
    y = HEIGHT - FOOT + 34.0
    metre = 1000.0 * above.scale
    out: list[Shape] = [
        Line(((WIDTH - MARGIN - metre, y), (WIDTH - MARGIN, y)), INK, 3.0),
        Text((WIDTH - MARGIN - metre / 2, y - 14.0), "1 m", SMALL, INK, "middle"),
    ]
    return [*out, *(Text((MARGIN, y + 24.0 * i), row, SMALL, GREY) for i, row in enumerate(caption))]
