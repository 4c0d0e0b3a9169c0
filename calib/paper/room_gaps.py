"""Gaps of one placement in a bay: target, its free room and the car against walls, ceiling and obstacles."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from calib.geometry.room_fit import Gap, distance_mm, wall_gaps_mm
from calib.paper.room import WALLS, Obstacle, Room
from calib.paper.sheet_scene import Scene, all_of, clearance_boxes, hull
from vision.frames import Array

BESIDE_CAR_MM = 1000.0
"""Less beside the car, and its wheels are hard to photograph (common practice, no source)."""
ROOM_WORDS = {
    "sides": "free room beside the target",
    "beyond": "free room beyond the target",
    "between": "free way to the target",
}
OVERHEAD_MM = 2500.0
"""What hangs higher is in nobody's way, but in that of a target which reaches there."""

MAT_MM = 5.0
"""How high a mat reaches: its thickness."""


def gaps(room: Room, scene: Scene) -> tuple[Gap, ...]:
    """Everything that has to fit, the target first."""
    return (*_target(room, scene), *_clearances(room, scene), *_car(room))


def target_outline_mm(scene: Scene) -> Array:
    """The target from above, shape (n, 2), corners in order."""
    return np.array(hull(all_of(scene)[:, :2]))


def car_outline_mm(room: Room) -> Array:
    """The car from above, shape (4, 2)."""
    half, car = room.car.width_mm / 2, room.car
    return np.array(
        [(-car.rear_overhang_mm, half), (car.front_mm, half), (car.front_mm, -half), (-car.rear_overhang_mm, -half)]
    )


def remarks(room: Room, scene: Scene) -> tuple[str, ...]:
    """What is tight without being asked for, and what is not known."""
    out = []
    narrow = [wall for wall in ("left", "right") if wall_gaps_mm(car_outline_mm(room), room.walls_mm)[wall] < BESIDE_CAR_MM]
    if narrow:
        sides = " and ".join(f"to the {wall} wall" for wall in narrow)
        out.append(f"less than {BESIDE_CAR_MM / 1000:g} m from the car {sides}: its wheels are hard to photograph there")
    if "origin" in scene.drawn_as_usual:
        out.append("where the sheet's origin is touched later, nobody knows yet: taken at the bumper")
    if "size" in scene.drawn_as_usual:
        size = f"{scene.size_mm[0]:g} mm wide, {scene.size_mm[1]:g} mm high"
        out.append(f"the sheet gives no size of the target: taken as {size}; its stand is not in it either")
    if scene.marks_mm:
        if scene.sheet.size is None:
            out.append("the sheet gives no size of the mat, which reaches beyond its marks: see that its edges find room")
        if scene.sheet.clearance.given:
            out.append("the free room the sheet asks for counts from a target's edges: see to it yourself around a mat")
    elif "size" not in scene.drawn_as_usual:
        out.append("the stand behind the target is not in its size: see that its feet find room")
    return tuple(out)


def _target(room: Room, scene: Scene) -> Iterator[Gap]:
    outline = target_outline_mm(scene)
    low, high = _reach(scene)
    for wall, free in wall_gaps_mm(outline, room.walls_mm).items():
        yield Gap("target", f"{wall} wall", free)
    if math.isfinite(room.ceiling_mm) and not scene.marks_mm:
        yield Gap("target", "ceiling", room.ceiling_mm - high)
    if not scene.marks_mm:
        yield Gap("target", "floor", low, scene.sheet.clearance.floor_mm)
        yield Gap("target", "car", distance_mm(outline, car_outline_mm(room)))
    for obstacle in _in_the_way(room, low, high):
        yield Gap("target", obstacle.name, distance_mm(outline, obstacle.corners_mm))


def _clearances(room: Room, scene: Scene) -> Iterator[Gap]:
    outline, (_, high) = target_outline_mm(scene), _reach(scene)
    asked = {"sides": scene.sheet.clearance.sides_mm, "beyond": scene.sheet.clearance.beyond_mm}
    asked["between"] = scene.sheet.clearance.between_mm
    way = np.array([scene.origin_mm[:2], scene.centre_mm[:2]])
    for name, box in clearance_boxes(scene):
        needed = asked[name]
        walls = wall_gaps_mm(box, room.walls_mm)
        nearest = min(WALLS, key=lambda wall: walls[wall])
        what = ROOM_WORDS[name] + (f", {_side_of(box, scene)}" if name == "sides" else "")
        yield Gap(what, f"{nearest} wall", needed + walls[nearest], needed)
        for obstacle in _in_the_way(room, 0.0, min(high, OVERHEAD_MM)):
            apart = distance_mm(box, obstacle.corners_mm)
            inside = min(needed, distance_mm(way if name == "between" else outline, obstacle.corners_mm))
            yield Gap(what, obstacle.name, needed + apart if apart else inside, needed)


def _side_of(box: Array, scene: Scene) -> str:
    """On which side of the target a rectangle lies, in the car's words; turned far, it has one in front or behind."""
    x, y = box.mean(axis=0) - scene.centre_mm[:2]
    if abs(y) >= abs(x):
        return "car's left" if y > 0 else "car's right"
    return "towards the car's front" if x > 0 else "towards the car's rear"


def _car(room: Room) -> Iterator[Gap]:
    outline = car_outline_mm(room)
    for wall, free in wall_gaps_mm(outline, room.walls_mm).items():
        yield Gap("car", f"{wall} wall", free)
    for obstacle in _in_the_way(room, 0.0, OVERHEAD_MM):
        yield Gap("car", obstacle.name, distance_mm(outline, obstacle.corners_mm))


def _in_the_way(room: Room, low_mm: float, high_mm: float) -> list[Obstacle]:
    return [one for one in room.obstacles if one.low_mm < high_mm and one.high_mm > low_mm]


def _reach(scene: Scene) -> tuple[float, float]:
    heights = all_of(scene)[:, 2]
    # A mat has marks and no height, and would pass under all that stands on its floor.
    return float(heights.min()), float(heights.max()) + (MAT_MM if scene.marks_mm else 0.0)
