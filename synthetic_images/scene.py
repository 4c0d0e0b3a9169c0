"""What stands in the bay besides the printed faces: room, car, wheels, stand, board sheets. Flat faces, to draw and to hide.

Sizes are invented; the car is of no make. Colours are blue, green, red from 0 to 1 (reflectance as shown, no physics).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from synthetic_images.bay import Bay, Stand, Wheel
from synthetic_images.mats import Mat
from synthetic_images.rigid import Array, across, apply
from vision.boards import Board

PAPER_MARGIN = 0.35
"""White paper around the pattern, in squares."""
SHEET_MARGIN = 0.22
"""The stiff sheet's rim around the paper, in squares."""

PAINT = (0.42, 0.30, 0.22)
GLASS = (0.17, 0.15, 0.13)
DARK = (0.055, 0.055, 0.055)
TYRE = (0.10, 0.10, 0.10)
RIM = (0.50, 0.49, 0.48)
HALF_WIDTH_MM = 868.0
ROOF_HALF_WIDTH_MM = 610.0
ARCH_MM = 368.0
FLOOR_SUNK_MM = 12.0
"""The drawn floor lies this much under the mean floor, so that waves never swallow a board."""
MAT = (0.34, 0.36, 0.30)
MAT_RIM_MM = 120.0
MAT_SUNK_MM = 5.0
"""As for the floor: the drawn mat lies this much under its boards."""


@dataclass(frozen=True, slots=True, eq=False)
class Face:
    """A flat polygon. `corners_mm` (n, 3) in frame `bay`; `what` tells floor and walls from things and sheets."""

    corners_mm: Array
    colour: tuple[float, float, float]
    what: str


def board_outline(board: Board, margin: float) -> Array:
    """Corners (4, 3) of the board's rectangle grown by `margin` squares, board frame, mm."""
    width, height = board.size_mm
    grow = margin * board.square_mm
    return np.array([[-grow, -grow, 0], [width + grow, -grow, 0], [width + grow, height + grow, 0], [-grow, height + grow, 0]])


def sheet_face(board: Board, bay_from_board: Array) -> Face:
    corners = apply(bay_from_board, board_outline(board, PAPER_MARGIN + SHEET_MARGIN))
    return Face(corners, (0.5, 0.5, 0.5), f"sheet:{board.name}")


def room(bay: Bay) -> list[Face]:
    """Floor, three walls, a closed door behind the car, a bench and a cabinet."""
    x0, x1, y0, y1, top = -4200.0, 6600.0, -2800.0, 2800.0, 3400.0
    corners = {k: (x, y) for k, (x, y) in {"rr": (x0, y0), "rl": (x0, y1), "fl": (x1, y1), "fr": (x1, y0)}.items()}
    even = bay.floor.even()

    def foot(key: str) -> list[float]:
        x, y = corners[key]
        return [x, y, even.height_mm(x, y) - FLOOR_SUNK_MM]

    def wall(a: str, b: str, colour: tuple[float, float, float]) -> Face:
        low_a, low_b = foot(a), foot(b)
        return Face(np.array([low_a, low_b, [*low_b[:2], top], [*low_a[:2], top]]), colour, "wall")

    faces = [
        Face(np.array([foot(k) for k in corners]), (0.50, 0.50, 0.50), "floor"),
        Face(np.array([[*corners[k], top] for k in corners]), (0.72, 0.73, 0.73), "wall"),
        wall("fl", "fr", (0.63, 0.66, 0.66)),
        wall("rl", "fl", (0.66, 0.67, 0.66)),
        wall("rr", "fr", (0.60, 0.64, 0.66)),
        wall("rl", "rr", (0.55, 0.56, 0.57)),
    ]
    faces += box((-3600, 2450, 0), (-2500, 2790, 900), (0.30, 0.33, 0.55), "thing")
    faces += box((-1200, -2790, 0), (200, -2620, 1900), (0.42, 0.40, 0.36), "thing")
    faces += box((x1 - 60, -2000, 500), (x1 - 10, -1200, 1700), (0.45, 0.40, 0.36), "thing")
    return faces


def box(
    low: tuple[float, float, float], high: tuple[float, float, float], colour: tuple[float, float, float], what: str
) -> list[Face]:
    """Six faces of an upright box, mm; frame of the caller."""
    (x0, y0, z0), (x1, y1, z1) = low, high
    p = np.array([[x, y, z] for x in (x0, x1) for y in (y0, y1) for z in (z0, z1)], dtype=float)
    quads = [(0, 1, 3, 2), (4, 5, 7, 6), (0, 1, 5, 4), (2, 3, 7, 6), (0, 2, 6, 4), (1, 3, 7, 5)]
    shades = [0.85, 0.95, 0.9, 1.0, 0.5, 1.12]
    return [Face(p[list(q)], _shade(colour, s), what) for q, s in zip(quads, shades, strict=True)]


def _shade(colour: tuple[float, float, float], factor: float) -> tuple[float, float, float]:
    return (colour[0] * factor, colour[1] * factor, colour[2] * factor)


def car(bay: Bay, epoch: str) -> list[Face]:
    """Body with wheel arches, glass and lamps, and four wheels, in frame `bay`."""
    base = bay.wheel("front_left").reference_in_car_mm[0]
    bay_from_car = bay.bay_from_car_in(epoch)
    faces = [Face(apply(bay_from_car, f.corners_mm), f.colour, f.what) for f in _body(base)]
    for wheel in bay.wheels:
        bay_from_wheel = bay.bay_from_wheel(wheel.position, epoch)
        faces += [Face(apply(bay_from_wheel, f.corners_mm), f.colour, f.what) for f in _wheel(wheel)]
    return faces


def _arch(centre_x: float, sill: float) -> list[tuple[float, float]]:
    """Wheel arch from rear to front along the sill, (x, z)."""
    start = math.asin((sill - 316.0) / ARCH_MM)
    angles = np.linspace(math.pi - start, start, 13)
    return [(centre_x + ARCH_MM * math.cos(a), 316.0 + ARCH_MM * math.sin(a)) for a in angles]


def _body(base: float) -> list[Face]:
    sill, belt, roof = 215.0, 960.0, 1450.0
    tail, nose = -800.0, base + 850.0
    lower = [(tail, 330.0), (tail + 60, sill), *_arch(0.0, sill), *_arch(base, sill), (nose - 70, sill), (nose, 330.0)]
    upper = [(nose, 620.0), (nose - 160, 760.0), (base - 380.0, belt), (tail + 40, belt), (tail, 760.0)]
    roofline = [(base - 1080.0, roof), (tail + 640, roof)]
    faces = []
    for side in (1.0, -1.0):
        y, inner, yr = side * HALF_WIDTH_MM, side * 545.0, side * ROOF_HALF_WIDTH_MM
        tone = 0.92 if side > 0 else 0.84
        faces.append(Face(np.array([(x, y, z) for x, z in lower + upper]), _shade(PAINT, tone), "car"))
        cabin = [(base - 380.0, belt, y), (roofline[0][0], roof, yr), (roofline[1][0], roof, yr), (tail + 40, belt, y)]
        faces.append(Face(np.array([(x, v, z) for x, z, v in cabin]), _shade(PAINT, 0.8 * tone), "car"))
        for a, b in ((0.10, 0.52), (0.55, 0.93)):  # two side windows a little outside the cabin's side
            pane = [_between(cabin, 1 - t, h) for t, h in ((a, 0.08), (b, 0.08), (b, 0.90), (a, 0.90))]
            faces.append(Face(np.array([(x, v + side * 4.0, z) for x, z, v in pane]), GLASS, "car"))
        faces.append(
            Face(
                np.array(
                    [(tail + 60, inner, sill), (nose - 70, inner, sill), (nose - 220, inner, 740), (tail + 60, inner, 740)]
                ),
                DARK,
                "car",
            )
        )
        for x in (base * 0.5 + 60, base * 0.5 - 760, base * 0.5 + 860):  # door gaps
            top = min(belt, 900.0)
            faces.append(
                Face(
                    np.array(
                        [(x, y + side * 2, 300), (x + 9, y + side * 2, 300), (x + 9, y + side * 2, top), (x, y + side * 2, top)]
                    ),
                    DARK,
                    "car",
                )
            )
        lamp = np.array(
            [(nose + 3, side * 800, 612), (nose + 3, side * 520, 612), (nose + 3, side * 520, 540), (nose + 3, side * 800, 570)]
        )
        faces.append(Face(lamp, (0.80, 0.82, 0.82), "car"))
        rear = np.array(
            [(tail - 3, side * 820, 800), (tail - 3, side * 560, 800), (tail - 3, side * 560, 690), (tail - 3, side * 820, 690)]
        )
        faces.append(Face(rear, (0.12, 0.10, 0.55), "car"))
    faces += _skin(tail, nose, base, belt, roofline)
    return faces


def _mix(a: tuple[float, float, float], b: tuple[float, float, float], t: float) -> tuple[float, float, float]:
    return (a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t, a[2] + (b[2] - a[2]) * t)


def _between(cabin: list[tuple[float, float, float]], along: float, up: float) -> tuple[float, float, float]:
    """A point of the cabin's side: `along` from its rear to its front edge, `up` from belt to roof."""
    low = _mix(cabin[3], cabin[0], along)
    high = _mix(cabin[2], cabin[1], along)
    return _mix(low, high, up)


def _skin(tail: float, nose: float, base: float, belt: float, roofline: list[tuple[float, float]]) -> list[Face]:
    """Strips across the car: bumpers, bonnet, glass, roof, underside."""
    w, r = HALF_WIDTH_MM, ROOF_HALF_WIDTH_MM
    strips = [
        ((nose, 330, w), (nose, 620, w), _shade(PAINT, 0.9)),
        ((nose, 620, w), (nose - 160, 760, w), _shade(PAINT, 1.0)),
        ((nose - 160, 760, w), (base - 380, belt, w), _shade(PAINT, 1.15)),
        ((base - 380, belt, w), (*roofline[0], r), GLASS),
        ((*roofline[0], r), (*roofline[1], r), _shade(PAINT, 1.2)),
        ((*roofline[1], r), (tail + 40, belt, w), GLASS),
        ((tail + 40, belt, w), (tail, 760, w), _shade(PAINT, 1.1)),
        ((tail, 760, w), (tail, 330, w), _shade(PAINT, 0.85)),
        ((tail, 330, w), (tail + 60, 215, w), _shade(PAINT, 0.5)),
        ((nose - 70, 215, w), (nose, 330, w), _shade(PAINT, 0.5)),
        ((tail + 60, 216, 545.0), (nose - 70, 216, 545.0), DARK),
    ]
    faces = []
    for (x0, z0, w0), (x1, z1, w1), colour in strips:
        faces.append(Face(np.array([(x0, w0, z0), (x1, w1, z1), (x1, -w1, z1), (x0, -w0, z0)]), colour, "car"))
    grille = np.array([(nose + 2, 420, 600), (nose + 2, -420, 600), (nose + 2, -420, 430), (nose + 2, 420, 430)])
    faces.append(Face(grille, DARK, "car"))
    return faces


def _wheel(wheel: Wheel) -> list[Face]:
    """Tyre, rim and spokes in the wheel's own frame (z outboard, flange plane at 0)."""
    outer, rim = wheel.radius_mm, 0.66 * wheel.radius_mm
    angles = np.linspace(0, 2 * math.pi, 29)[:-1]

    def ring(radius: float, z: float) -> Array:
        return np.column_stack([radius * np.cos(angles), radius * np.sin(angles), np.full(len(angles), z)])

    faces = [
        Face(ring(outer, -4.0), TYRE, "car"),
        Face(ring(outer, -208.0), DARK, "car"),
        Face(ring(rim, 0.0), RIM, "car"),
        Face(ring(0.17 * rim, 2.5), (0.35, 0.35, 0.35), "car"),
    ]
    near, far = ring(outer, -4.0), ring(outer, -208.0)
    for i in range(len(angles)):
        k = (i + 1) % len(angles)
        faces.append(Face(np.array([near[i], near[k], far[k], far[i]]), _shade(TYRE, 0.8), "car"))
    for i in range(5):  # openings between the spokes
        a = 2 * math.pi * i / 5
        spread = [(0.30, a - 0.30), (0.90, a - 0.46), (0.90, a + 0.46), (0.30, a + 0.30)]
        faces.append(Face(np.array([(rim * q * math.cos(t), rim * q * math.sin(t), 1.5) for q, t in spread]), DARK, "car"))
    return faces


def stands(bay: Bay, epoch: str) -> list[Face]:
    """Every target that is set up, in frame `bay`."""
    placed = bay.epoch(epoch)
    faces = stand(placed.stand, bay.bay_from_target(epoch)) if placed.stand else []
    for other in placed.beside:
        faces += stand(other, bay.bay_from_target_of(other, epoch))
    return faces


def stand(placed: Stand, bay_from_target: Array) -> list[Face]:
    """Target panel on a post with a foot, in frame `bay`."""
    back = 1.0 if not placed.is_behind else -1.0
    height = placed.height_mm

    def in_target(faces: list[Face]) -> list[Face]:
        return [Face(apply(bay_from_target, f.corners_mm), f.colour, f.what) for f in faces]

    def slab(x0: float, x1: float) -> tuple[float, float]:
        return (min(back * x0, back * x1), max(back * x0, back * x1))

    x = slab(3.0, 25.0)
    panel = box((x[0], -480, -280), (x[1], 480, 280), (0.60, 0.62, 0.62), "stand")
    face_x = back * 1.5
    cross = [
        Face(
            np.array([(face_x, -70, -9), (face_x, 70, -9), (face_x, 70, 9), (face_x, -70, 9)], dtype=float),
            (0.12, 0.12, 0.14),
            "stand",
        ),
        Face(
            np.array([(face_x, -9, -70), (face_x, 9, -70), (face_x, 9, 70), (face_x, -9, 70)], dtype=float),
            (0.12, 0.12, 0.14),
            "stand",
        ),
    ]
    x = slab(30.0, 75.0)
    post = box((x[0], -22, -height + 60), (x[1], 22, 200), (0.30, 0.30, 0.32), "stand")
    x = slab(-200.0, 300.0)
    foot = box((x[0], -300, -height + 20), (x[1], 300, -height + 60), (0.22, 0.22, 0.24), "stand")
    return in_target(panel + cross + post + foot)


def mats(bay: Bay, epoch: str) -> list[Face]:
    """Mats on the floor and a cross at each of their marks, in frame `bay`."""
    faces = []
    for mat in bay.epoch(epoch).mats:
        low, high = mat.places_mm.min(axis=0) - MAT_RIM_MM, mat.places_mm.max(axis=0) + MAT_RIM_MM
        faces.append(_on_mat(bay, mat, (*low, *high), -MAT_SUNK_MM, MAT))
        for mark in mat.marks:
            for right, up in ((40.0, 3.0), (3.0, 40.0)):
                box = (mark.x_mm - right, mark.y_mm - up, mark.x_mm + right, mark.y_mm + up)
                faces.append(_on_mat(bay, mat, box, 1.0 - MAT_SUNK_MM, DARK))
    return faces


def _on_mat(
    bay: Bay, mat: Mat, low_high: tuple[float, float, float, float], up_mm: float, colour: tuple[float, float, float]
) -> Face:
    """A rectangle of the mat's frame, `up_mm` over the floor's tangent plane at the rectangle's middle."""
    x0, y0, x1, y1 = low_high
    middle = np.array(mat.seen_from_above_mm((x0 + x1) / 2, (y0 + y1) / 2))
    foot = np.array([*middle, bay.floor.height_mm(*middle) + up_mm])
    up = bay.floor.normal(*middle)
    ahead = across([1.0, 0.0, 0.0], up)
    ways = [np.array(mat.seen_from_above_mm(x, y)) - middle for x, y in ((x0, y0), (x1, y0), (x1, y1), (x0, y1))]
    return Face(np.array([foot + dx * ahead + dy * np.cross(up, ahead) for dx, dy in ways]), colour, "mat")


def things(bay: Bay, epoch: str) -> list[Face]:
    """Everything that can hide a board in an epoch, sheets apart."""
    return car(bay, epoch) + stands(bay, epoch) + mats(bay, epoch)
