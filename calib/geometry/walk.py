"""The usual places of boards and photos: what a technician is told who has no better idea.

Round every wheel one photo from ahead of it and one from behind it, 35° to 55° off its board, with the floor boards beside it;
at `rest` also the corners and looks across the front and the rear, which tie the car's left and right side; then the stand, 35°
to 45° off it from both sides, near and from further back, and both front corners once more, to show that the car stayed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calib.geometry.intended import target_place, wheel_places
from calib.paper.bay import CHECK, EACH_ROLL, REST, BayPlan, FloorPlace, PhotoPlace, Place
from calib.paper.sheet import Sheet
from vision.errors import MeasurementError
from vision.frames import Array

LEAST_FLOOR_BOARDS = 12
BESIDE_MM = 1300.0
"""From the wheel board's plane to the camera beside the car."""
SIDE_MM = 515.0
"""Floor boards beside the car lie this far outside the wheels: out of their path, in one picture with them."""
BETWEEN_MM = 330.0
"""Off the car's middle: between the paths of the wheels."""
LEAST_APART_MM = 500.0
WORDS = {"front_left": "front left", "front_right": "front right", "rear_left": "rear left", "rear_right": "rear right"}


def with_usual_places(bay: BayPlan, sheet: Sheet, floor_boards: Sequence[str]) -> BayPlan:
    """The bay with the usual floor boards and photos where the bay file gives none.

    Raises
    ------
    MeasurementError
        Fewer floor boards in the set than the usual places need.
    """
    if not bay.floor:
        bay = replace(bay, floor=usual_floor(bay, sheet, floor_boards))
    return bay if bay.photos else replace(bay, photos=usual_photos(bay, sheet))


def usual_floor(bay: BayPlan, sheet: Sheet, boards: Sequence[str]) -> tuple[FloorPlace, ...]:
    """Four boards before the stand, two beyond the other end of the car, the rest along both sides of its way."""
    if len(boards) < LEAST_FLOOR_BOARDS:
        raise MeasurementError(
            f"{len(boards)} floor boards in the board set: the usual places need {LEAST_FLOOR_BOARDS}",
            hint="give the places of your floor boards in a bay file (--bay), or take the starter set (bayfix boards new)",
        )
    base = bay.car.wheelbase_mm
    way = 1.0 if sheet.side == "ahead" else -1.0
    stand = _before_the_stand(bay, sheet)
    beyond = -1400.0 if way > 0 else base + 1400.0
    beyond_boards = [(beyond, BETWEEN_MM), (beyond, -BETWEEN_MM)] if len(boards) >= LEAST_FLOOR_BOARDS + 2 else []
    spare = len(boards) - len(stand) - len(beyond_boards)
    least = min(0.0, *(bay.car.tyre_radius_mm * math.radians(turn) for turn in bay.roll_deg)) - 250.0
    y = max(bay.car.track_front_mm, bay.car.track_rear_mm) / 2 + SIDE_MM
    sides = [(float(x), y) for x in np.linspace(least, base + 550.0, math.ceil(spare / 2))]
    sides += [(float(x), -y) for x in np.linspace(least, base + 550.0, spare // 2)]
    places = [*((x, y, 0.0) for x, y in sides), *((x, y, 90.0) for x, y in stand + beyond_boards)]
    return tuple(FloorPlace(name, *place) for name, place in zip(boards, places, strict=True))


def _before_the_stand(bay: BayPlan, sheet: Sheet) -> list[tuple[float, float]]:
    """Two boards 0.6 m before the target's face, and two that tie them to the car's end."""
    bay_from_target = target_place(bay, sheet)
    way = 1.0 if sheet.side == "ahead" else -1.0
    bumper = bay.car.wheelbase_mm + 850.0 if way > 0 else -850.0
    middle = bay_from_target.apply([-way * 600.0, 0.0, 0.0])
    # straight behind the car the wheels roll past: boards lie between their paths there
    straight = way < 0 and abs(float(middle[1])) < SIDE_MM
    apart, sideways = (BETWEEN_MM, 0.0) if way < 0 else (620.0, float(middle[1]) / 2)
    far = (float(middle[0]) + bumper - way * 150.0) / 2
    if abs(far - float(middle[0])) < LEAST_APART_MM:  # a near target: the two pairs side by side
        far = bumper + way * 250.0
        apart = 1050.0 if abs(float(middle[1])) < SIDE_MM else apart
    near = [bay_from_target.apply([-way * 600.0, side * (BETWEEN_MM if straight else 480.0), 0.0]) for side in (1.0, -1.0)]
    out = [(float(far), sideways + apart), (float(far), sideways - apart)]
    return out + [(float(x), max(-BETWEEN_MM, min(BETWEEN_MM, float(y))) if straight else float(y)) for x, y, _ in near]


def usual_photos(bay: BayPlan, sheet: Sheet) -> tuple[PhotoPlace, ...]:
    """Photos of a roll epoch (places relative to the car), of `rest` and of the check."""
    round_the_car = [
        photo for wheel in ("front_left", "rear_left", "rear_right", "front_right") for photo in _beside(bay, wheel)
    ]
    corners = [_front_corner(bay, side) for side in (1.0, -1.0)]
    rolls = [replace(photo, epoch=EACH_ROLL) for photo in round_the_car]
    rest = [*round_the_car, *corners, *_across(bay, sheet)]
    shown = corners if sheet.side == "ahead" else [_rear_corner(bay, side) for side in (1.0, -1.0)]
    check = [*stand_photos(bay, sheet), *(replace(photo, epoch=CHECK) for photo in shown)]
    return (*rolls, *rest, *check)


def _beside(bay: BayPlan, wheel: str) -> list[PhotoPlace]:
    x, y, _ = wheel_places(bay)[wheel]
    side = math.copysign(1.0, y)
    out = []
    for ahead, height, word in ((1.0, 1050.0, "ahead of it"), (-1.0, 1330.0, "behind it")):
        at = (x + ahead * 850.0, y + side * (115.0 + BESIDE_MM), height)
        out.append(_photo(REST, at, (x + ahead * 130.0, y + side * 375.0, 130.0), f"{WORDS[wheel]} wheel, from {word}"))
    return out


def _front_corner(bay: BayPlan, side: float) -> PhotoPlace:
    x, y, _ = wheel_places(bay)["front_left" if side > 0 else "front_right"]
    words = f"front {'left' if side > 0 else 'right'} corner"
    return _photo(REST, (x + 1000.0, y + side * 1165.0, 1280.0), (x + 640.0, y + side * 295.0, 260.0), words)


def _rear_corner(bay: BayPlan, side: float) -> PhotoPlace:
    x, y, _ = wheel_places(bay)["rear_left" if side > 0 else "rear_right"]
    words = f"rear {'left' if side > 0 else 'right'} corner"
    return _photo(REST, (x - 1000.0, y + side * 1165.0, 1280.0), (x - 640.0, y + side * 295.0, 260.0), words)


def _across(bay: BayPlan, sheet: Sheet) -> list[PhotoPlace]:
    """Looks over the boards before the stand, and over those beyond the other end of the car."""
    target, base = target_place(bay, sheet).translation_mm, bay.car.wheelbase_mm
    way = 1.0 if sheet.side == "ahead" else -1.0
    end, other = ("front", "rear") if way > 0 else ("rear", "front")
    middle = (target[0] - way * 600.0 + (base + 700.0 if way > 0 else -700.0)) / 2
    beyond = -1500.0 if way > 0 else base + 1500.0
    out = []
    for side, word in ((1.0, "left"), (-1.0, "right")):
        at = (middle + way * 1300.0, target[1] / 2 + side * 750.0, 1600.0)
        out.append(_photo(REST, at, (middle, target[1] / 2 - side * 60.0, 40.0), f"beyond the {end} {word}, looking back"))
        at = (beyond - way * 1250.0, side * 900.0, 1700.0)
        out.append(_photo(REST, at, (beyond, side * 430.0, 100.0), f"beyond the {other} {word}, looking across"))
    return out


def stand_photos(
    bay: BayPlan,
    sheet: Sheet,
    spots: Sequence[tuple[float, float, float, float]] = (
        (1.0, 43.0, 1800.0, 1250.0),
        (-1.0, 43.0, 1850.0, 1600.0),
        (1.0, 36.0, 2550.0, 1750.0),
        (-1.0, 36.0, 2550.0, 1750.0),
    ),
) -> list[PhotoPlace]:
    """Photos of the stand: from its side (+1 the car's left), so many degrees off its normal, so far, so high."""
    bay_from_target = target_place(bay, sheet)
    facing = -1.0 if sheet.side == "ahead" else 1.0
    centre = bay_from_target.translation_mm
    out = []
    for side, angle_deg, reach_mm, height_mm in spots:
        angle = math.radians(angle_deg)
        away = bay_from_target.apply([facing * reach_mm * math.cos(angle), side * reach_mm * math.sin(angle), 0.0])
        level = np.array([away[0] - centre[0], away[1] - centre[1]])
        level = level / np.linalg.norm(level)
        near = reach_mm < 2200.0
        towards = (*(centre[:2] + level * (250.0 if near else 600.0)), (0.56 if near else 0.40) * centre[2])
        words = (
            f"the stand from {reach_mm / 1000:.1f} m, {angle_deg:.0f}° off it on the car's {'left' if side > 0 else 'right'}"
        )
        out.append(_photo(CHECK, (away[0], away[1], height_mm), towards, words, upright=near))
    return out


def _photo(
    epoch: str, at: Sequence[float] | Array, towards: Sequence[float] | Array, words: str, *, upright: bool = False
) -> PhotoPlace:
    return PhotoPlace(epoch, _mm(at), _mm(towards), upright, words)


def _mm(place: Sequence[float] | Array) -> Place:
    x, y, z = (float(value) for value in place)
    return x, y, z


def photos_beside(bay: BayPlan) -> tuple[PhotoPlace, ...]:
    """One more photo square to every wheel board, in every epoch."""
    out = []
    for wheel, (x, y, z) in wheel_places(bay).items():
        side = math.copysign(1.0, y)
        photo = _photo(
            REST, (x, y + side * 1300.0, 900.0), (x, y + side * 200.0, z / 2), f"{WORDS[wheel]} wheel, from straight beside it"
        )
        out += [photo, replace(photo, epoch=EACH_ROLL)]
    return tuple(out)


def beside_the_stand(bay: BayPlan, sheet: Sheet) -> tuple[tuple[float, float, float], ...]:
    """Places (ahead, left, turn in degrees) of two more floor boards, left and right of the stand and a little before it."""
    x, y, _ = target_place(bay, sheet).translation_mm
    before = x - (150.0 if sheet.side == "ahead" else -150.0)
    return tuple((float(before), float(y + side * 850.0), 90.0) for side in (1.0, -1.0))
