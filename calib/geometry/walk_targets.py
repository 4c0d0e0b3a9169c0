"""The usual places of boards and photos at the targets of a plan: stands near each other share photos, mats have their own."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from calib.geometry.intended import BAY, CAR_OVERHANG_MM, in_the_car, mm_place, target_place
from calib.geometry.intended_targets import Intended, carried_places, mark_places
from calib.geometry.stand import TARGET
from calib.paper.bay import CHECK, BayPlan, PhotoPlace
from calib.paper.placements import Side
from calib.paper.stand import Stand
from vision.boards import BoardSet
from vision.frames import Array, Pose

BETWEEN_MM = 330.0
"""Off the car's middle: between the paths of the wheels."""
LEAST_APART_MM, BOARDS_APART_MM = 500.0, 400.0
NARROW_MM = 515.0
"""A target nearer the car's middle line stands straight before or behind it."""
TOGETHER_MM, ALIKE_RAD = 900.0, math.radians(20.0)
"""Stands so near each other, facing so much alike, are in the same pictures."""
PATH_MM = (500.0, 950.0)
"""Wheels roll at these distances from the car's middle line."""
MAT_MARGIN_MM, MAT_BOARDS_MM, OFF_THE_MAT_MM = 250.0, 300.0, 150.0
"""Round marks and boards of a mat, whose own edge is not known: no floor board, floor boards round it, nobody stands there."""
MAT_REACH_MM, MAT_EYE_MM, WIDE_MAT_MM = 700.0, 1600.0, 700.0
NEARER_REACH_MM, NEARER_EYE_MM = 450.0, 1250.0
OFF_THE_CAR_MM = 250.0
BEFORE_A_STAND_MM, BESIDE_A_STAND_MM, STEP_MM, FARTHEST_MM = 300.0, 900.0, 50.0, 2500.0
DIRECTIONS = {
    45: "ahead of it on the car's left",
    -45: "ahead of it on the car's right",
    135: "behind it on the car's left",
    -135: "behind it on the car's right",
    0: "ahead of it",
    180: "behind it",
    90: "beside it on the car's left",
    -90: "beside it on the car's right",
}
CORNERS, SIDES, AT_MOST = (45, -45, 135, -135), (90, -90, 0, 180), 4


@dataclass(frozen=True, slots=True, eq=False)
class Spot:
    """One stand, or several that are in the same pictures.

    Attributes
    ----------
    bay_from_target : Pose
        Of their middle.
    side : str
    words : str
    wide_mm : float
        From the first to the last of their middles, seen from above.
    count : int
        How many.
    """

    bay_from_target: Pose
    side: Side
    words: str
    wide_mm: float = 0.0
    count: int = 1

    @property
    def way(self) -> float:
        """+1 ahead of the car, −1 behind it."""
        return 1.0 if self.side == "ahead" else -1.0

    @property
    def centre_mm(self) -> Array:
        return self.bay_from_target.translation_mm


@dataclass(frozen=True, slots=True, eq=False)
class MatArea:
    """The floor a mat takes.

    Attributes
    ----------
    words : str
    way : float
        As of a spot.
    low, high : ndarray, shape (2,)
        Corners round its marks and boards, mm.
    boards : ndarray, shape (n, 2)
        What is looked at: centre marks of its boards, or the marks of a mat without boards.
    touched : bool
        It has no boards: photos of a check do not show it.
    """

    words: str
    way: float
    low: Array
    high: Array
    boards: Array
    touched: bool = False

    @property
    def middle(self) -> Array:
        return np.asarray((self.low + self.high) / 2, dtype=float)

    def covers(self, place: Sequence[float] | Array, margin_mm: float = MAT_MARGIN_MM) -> bool:
        at = np.asarray(place)[:2]
        return bool((at > self.low - margin_mm).all() and (at < self.high + margin_mm).all())


def spots_of(bay: BayPlan, targets: Sequence[Intended]) -> tuple[Spot, ...]:
    """Where photos of stands are taken, in the targets' order."""
    groups: list[list[Intended]] = []
    for target in targets:
        if not isinstance(target.carrier, Stand):
            continue
        near = [group for group in groups if _in_one_picture(bay, group[0], target)]
        if near:
            near[0].append(target)
        else:
            groups.append([target])
    alone = len(targets) == 1
    return tuple(_spot(bay, group, "the stand" if alone else " and ".join(one.name for one in group)) for group in groups)


def _in_one_picture(bay: BayPlan, one: Intended, other: Intended) -> bool:
    a, b = target_place(bay, one.sheet), target_place(bay, other.sheet)
    cosine = float(a.rotation[:, 0] @ b.rotation[:, 0])
    apart = float(np.linalg.norm(a.translation_mm - b.translation_mm))
    return one.sheet.side == other.sheet.side and apart < TOGETHER_MM and cosine > math.cos(ALIKE_RAD)


def _spot(bay: BayPlan, group: Sequence[Intended], words: str) -> Spot:
    places = [target_place(bay, one.sheet) for one in group]
    centres = np.array([place.translation_mm for place in places])
    wide = float(np.linalg.norm(np.ptp(centres[:, :2], axis=0)))
    middle = Pose.from_rt(BAY, TARGET, places[0].rotation, centres.mean(axis=0))
    return Spot(middle, group[0].sheet.side, words, wide, len(group))


def mat_areas(bay: BayPlan, targets: Sequence[Intended], boards: BoardSet) -> tuple[MatArea, ...]:
    out = []
    for target in targets:
        if isinstance(target.carrier, Stand):
            continue
        marks = [*mark_places(bay, target.sheet).values()]
        poses = carried_places(bay, boards, target)
        centres = [pose.apply(boards[body.split("@")[0]].centre_mm)[:2] for body, pose in poses.items()]
        points = np.array([*marks, *centres])
        words = "the mat" if len(targets) == 1 else target.name
        area = MatArea(words, target.way, points.min(axis=0), points.max(axis=0), np.array(centres or marks), not centres)
        out.append(area)
    return tuple(out)


def before_the_stand(bay: BayPlan, spot: Spot) -> list[tuple[float, float]]:
    """Two floor boards that tie the stand's to the car's end, then two 0.6 m before the target's face."""
    way = spot.way
    bumper = bay.car.wheelbase_mm + CAR_OVERHANG_MM if way > 0 else -CAR_OVERHANG_MM
    middle = spot.bay_from_target.apply([-way * 600.0, 0.0, 0.0])
    # straight behind the car the wheels roll past: boards lie between their paths there
    straight = way < 0 and abs(float(middle[1])) < NARROW_MM
    apart, sideways = (BETWEEN_MM, 0.0) if way < 0 else (620.0, float(middle[1]) / 2)
    far = (float(middle[0]) + bumper - way * 150.0) / 2
    if abs(far - float(middle[0])) < LEAST_APART_MM:  # a near target: the two pairs side by side
        far = bumper + way * 250.0
        apart = 1050.0 if abs(float(middle[1])) < NARROW_MM else apart
    near = [spot.bay_from_target.apply([-way * 600.0, side * (BETWEEN_MM if straight else 480.0), 0.0]) for side in (1.0, -1.0)]
    out = [(float(far), sideways + apart), (float(far), sideways - apart)]
    return out + [(float(x), max(-BETWEEN_MM, min(BETWEEN_MM, float(y))) if straight else float(y)) for x, y, _ in near]


def round_a_mat(bay: BayPlan, area: MatArea, taken: Sequence[Sequence[float]], count: int) -> list[tuple[float, float]]:
    """Places of floor boards round a mat, out of the way of the car and its wheels, the farthest from all others first."""
    low, high = area.low - MAT_BOARDS_MM, area.high + MAT_BOARDS_MM
    middle = area.middle
    edge = [(x, y) for x in (low[0], middle[0], high[0]) for y in (low[1], middle[1], high[1]) if not area.covers((x, y))]
    free = [(float(x), float(y)) for x, y in edge if not in_the_cars_way(bay, float(x), float(y))]
    chosen: list[tuple[float, float]] = []
    while free and len(chosen) < count:
        there = [*taken, *chosen] or [(0.0, 0.0)]
        best = max(free, key=lambda place: min(math.dist(place, other) for other in there))
        if min(math.dist(best, other) for other in there) < BOARDS_APART_MM:
            break
        chosen.append(best)
        free.remove(best)
    return chosen


def in_the_cars_way(bay: BayPlan, x: float, y: float) -> bool:
    """Whether the car stands there at `rest`, or a wheel rolls there."""
    ahead = bay.car.wheelbase_mm + CAR_OVERHANG_MM + 100.0
    under = -CAR_OVERHANG_MM - 100.0 < x < ahead and abs(y) <= PATH_MM[1]
    rolled = min(0.0, *(bay.car.tyre_radius_mm * math.radians(turn) for turn in bay.roll_deg)) - bay.car.tyre_radius_mm
    return under or (PATH_MM[0] < abs(y) < PATH_MM[1] and rolled < x < ahead)


def stand_photos(
    spots: Iterable[Spot],
    places: Sequence[tuple[float, float, float, float]] = (
        (1.0, 43.0, 1800.0, 1250.0),
        (-1.0, 43.0, 1850.0, 1600.0),
        (1.0, 36.0, 2550.0, 1750.0),
        (-1.0, 36.0, 2550.0, 1750.0),
    ),
) -> list[PhotoPlace]:
    """Photos of the stands: from their side (+1 the car's left), so many degrees off the normal, so far, so high."""
    return [_stand_photo(spot, *place) for spot in spots for place in places]


def _stand_photo(spot: Spot, side: float, angle_deg: float, reach_mm: float, height_mm: float) -> PhotoPlace:
    centre, angle, near = spot.centre_mm, math.radians(angle_deg), reach_mm < 2200.0
    reach_mm += spot.wide_mm / 2 if near else 0.0  # held upright the picture is narrow: all have to be in it
    away = spot.bay_from_target.apply([-spot.way * reach_mm * math.cos(angle), side * reach_mm * math.sin(angle), 0.0])
    level = np.array([away[0] - centre[0], away[1] - centre[1]])
    level = level / np.linalg.norm(level)
    towards = (*(centre[:2] + level * (250.0 if near else 600.0)), (0.56 if near else 0.40) * centre[2])
    off = "it" if spot.count == 1 else "them"
    hand = "left" if side > 0 else "right"
    words = f"{spot.words} from {reach_mm / 1000:.1f} m, {angle_deg:.0f}° off {off} on the car's {hand}"
    return PhotoPlace(CHECK, mm_place((away[0], away[1], height_mm)), mm_place(towards), near, words)


def mat_photos(bay: BayPlan, areas: Iterable[MatArea], spots: Sequence[Spot] = (), *, nearer: bool = False) -> list[PhotoPlace]:
    """Photos looking down on the mats' boards, from their corners first; `nearer` from close by and from the sides first."""
    out = []
    for area in areas:
        for places in _in_pictures(area):
            out += [
                _looks_down(area, places, degrees, at)
                for degrees in (SIDES + CORNERS if nearer else CORNERS + SIDES)
                if _one_can_stand(bay, spots, at := _beside_mat(area, places, degrees, nearer))
            ][:AT_MOST]
    return out


def _in_pictures(area: MatArea) -> list[Array]:
    """The mat's boards together where one picture has room for them, else one by one."""
    wide = float(np.linalg.norm(area.boards.max(axis=0) - area.boards.min(axis=0))) / 2
    return [area.boards] if wide <= WIDE_MAT_MM else [board[None, :] for board in area.boards]


def _beside_mat(area: MatArea, places: Array, degrees: int, nearer: bool) -> Array:
    """Where the camera is: so far from the boards, and not over the mat, shape (3,)."""
    reach_mm, eye_mm = (NEARER_REACH_MM, NEARER_EYE_MM) if nearer else (MAT_REACH_MM, MAT_EYE_MM)
    low, high = places.min(axis=0), places.max(axis=0)
    middle, level = (low + high) / 2, reach_mm + float(np.linalg.norm(high - low)) / 2
    away = np.array([math.cos(math.radians(degrees)), math.sin(math.radians(degrees))])
    while area.covers(middle + level * away, OFF_THE_MAT_MM) and level < FARTHEST_MM:
        level += STEP_MM
    return np.array([*(middle + level * away), eye_mm])


def _looks_down(area: MatArea, places: Array, degrees: int, at: Array) -> PhotoPlace:
    middle = (places.min(axis=0) + places.max(axis=0)) / 2
    part = "" if len(places) == len(area.boards) else f", {'mark' if area.touched else 'board'} {1 + _index(area, places[0])}"
    words = f"{area.words}{part} from {math.dist(middle, at[:2]) / 1000:.1f} m, {DIRECTIONS[degrees]}"
    return PhotoPlace(CHECK, mm_place(at), mm_place((*middle, 0.0)), False, words)


def _one_can_stand(bay: BayPlan, spots: Sequence[Spot], at: Array) -> bool:
    """Not in the car, and not where a target is or behind it."""
    if in_the_car(bay, at, OFF_THE_CAR_MM):
        return False
    seen = [(spot.way, spot.bay_from_target.inverse().apply(at)) for spot in spots]
    return not any(way * x > -BEFORE_A_STAND_MM and abs(y) < BESIDE_A_STAND_MM for way, (x, y, _) in seen)


def _index(area: MatArea, place: Array) -> int:
    return int(np.argmin(np.linalg.norm(area.boards - place, axis=1)))


def beside_targets(bay: BayPlan, spots: Iterable[Spot], areas: Iterable[MatArea]) -> tuple[tuple[float, float, float], ...]:
    """Places (ahead, left, turn in degrees) of two more floor boards at each: left and right of a stand, round a mat."""
    out = []
    for spot in spots:
        x, y, _ = spot.centre_mm
        out += [(float(x - spot.way * 150.0), float(y + side * 850.0), 90.0) for side in (1.0, -1.0)]
    taken = [(place.ahead_mm, place.left_mm) for place in bay.floor]
    for area in areas:
        out += [(x, y, 0.0) for x, y in round_a_mat(bay, area, taken, 2)]
    return tuple(out)
