"""The usual places of boards and photos: what a technician is told who has no better idea.

Round every wheel one photo from ahead of it and one from behind it, 35° to 55° off its board, with the floor boards beside it;
at `rest` also the corners and looks across the front and the rear, which tie the car's left and right side; then the stand, 35°
to 45° off it from both sides, near and from further back, and both front corners once more, to show that the car stayed.
Targets that stand at once are photographed in one round; a mat is looked down on from all round, before and after it is laid.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.geometry.intended import CAR_OVERHANG_MM, mm_place, wheel_places
from calib.geometry.intended_targets import Intended
from calib.geometry.walk_targets import (
    BETWEEN_MM,
    BOARDS_APART_MM,
    MAT_MARGIN_MM,
    NARROW_MM,
    MatArea,
    Spot,
    before_the_stand,
    mat_areas,
    mat_photos,
    round_a_mat,
    spots_of,
    stand_photos,
)
from calib.paper.bay import CHECK, EACH_ROLL, REST, BayPlan, FloorPlace, PhotoPlace
from vision.boards import BoardSet
from vision.errors import MeasurementError
from vision.frames import Array

LEAST_FLOOR_BOARDS, LEAST_BESIDE = 12, 6
ROUND_ONE_MAT, ROUND_EACH_MAT = 4, 3
BESIDE_MM = 1300.0
"""From the wheel board's plane to the camera beside the car."""
SIDE_MM = NARROW_MM
"""Floor boards beside the car lie this far outside the wheels: out of their path, in one picture with them."""
FAR_APART_MM, NEAR_THE_LINE_MM, END_MM = 1350.0, 700.0, 300.0
WORDS = {"front_left": "front left", "front_right": "front right", "rear_left": "rear left", "rear_right": "rear right"}


@dataclass(frozen=True, slots=True, eq=False)
class Sites:
    """Where the targets of a plan stand and lie."""

    spots: tuple[Spot, ...]
    mats: tuple[MatArea, ...]

    @property
    def lying(self) -> tuple[MatArea, ...]:
        """Mats that have boards."""
        return tuple(area for area in self.mats if not area.touched)

    @property
    def ways(self) -> tuple[float, ...]:
        """Ends of the car at which there are targets: +1 ahead, −1 behind; stands' ends first."""
        return tuple(dict.fromkeys([*(spot.way for spot in self.spots), *(area.way for area in self.mats)]))


def sites_of(bay: BayPlan, targets: Sequence[Intended], boards: BoardSet) -> Sites:
    return Sites(spots_of(bay, targets), mat_areas(bay, targets, boards))


def with_usual_places(bay: BayPlan, targets: Sequence[Intended], boards: BoardSet, floor_boards: Sequence[str]) -> BayPlan:
    """The bay with the usual floor boards and photos where the bay file gives none.

    Raises
    ------
    MeasurementError
        Fewer floor boards in the set than the usual places need.
    """
    sites = sites_of(bay, targets, boards)
    if not bay.floor:
        bay = replace(bay, floor=usual_floor(bay, sites, floor_boards))
    return bay if bay.photos else replace(bay, photos=usual_photos(bay, sites))


def usual_floor(bay: BayPlan, sites: Sites, boards: Sequence[str]) -> tuple[FloorPlace, ...]:
    """Boards at the targets, two beyond the end of the car where none is, the rest along both sides of the car's way."""
    at_targets = _at_targets(bay, sites)
    beyond = [place for way in (1.0, -1.0) if way not in sites.ways for place in _beyond(bay, way)]
    least = max(LEAST_FLOOR_BOARDS, len(at_targets) + LEAST_BESIDE)
    if len(boards) < least:
        raise MeasurementError(
            f"{len(boards)} floor boards in the board set: the usual places need {least}",
            hint="give the places of your floor boards in a bay file (--bay), or take the starter set (bayfix boards new)",
        )
    beyond = beyond if len(boards) >= least + len(beyond) else []
    spare = len(boards) - len(at_targets) - len(beyond)
    start = min(0.0, *(bay.car.tyre_radius_mm * math.radians(turn) for turn in bay.roll_deg)) - 250.0
    y, end = max(bay.car.track_front_mm, bay.car.track_rear_mm) / 2 + SIDE_MM, bay.car.wheelbase_mm + 550.0
    sides = [(float(x), y) for x in np.linspace(start, end, math.ceil(spare / 2))]
    sides += [(float(x), -y) for x in np.linspace(start, end, spare // 2)]
    lying = [(*_off_the_mats(place, sites.mats), 0.0) for place in sides]
    places = [*lying, *((x, y, 90.0) for x, y in at_targets + beyond)]
    return tuple(FloorPlace(name, *place) for name, place in zip(boards, places, strict=True))


def _at_targets(bay: BayPlan, sites: Sites) -> list[tuple[float, float]]:
    """Four boards before the first stand at an end of the car, two before each further one, some round each mat."""
    out: list[tuple[float, float]] = []
    for i, spot in enumerate(sites.spots):
        four = before_the_stand(bay, spot)
        again = any(other.way == spot.way for other in sites.spots[:i])
        out += [place for place in (four[2:] if again else four) if _free(place, out, sites.mats)]
    for way in sites.ways:
        if not any(spot.way == way for spot in sites.spots):
            end = _bumper(bay, way) + way * 250.0
            apart = 620.0 if way > 0 else BETWEEN_MM
            out += [place for place in ((end, apart), (end, -apart)) if _free(place, out, sites.mats)]
    count = ROUND_ONE_MAT if len(sites.mats) == 1 and not sites.spots else ROUND_EACH_MAT
    for area in sites.mats:
        others = [mat for mat in sites.mats if mat is not area]
        out += [place for place in round_a_mat(bay, area, out, count) if _free(place, [], others)]
    return out


def _beyond(bay: BayPlan, way: float) -> list[tuple[float, float]]:
    x = bay.car.wheelbase_mm + 1400.0 if way > 0 else -1400.0
    return [(x, BETWEEN_MM), (x, -BETWEEN_MM)]


def _bumper(bay: BayPlan, way: float) -> float:
    return bay.car.wheelbase_mm + CAR_OVERHANG_MM if way > 0 else -CAR_OVERHANG_MM


def _free(place: tuple[float, float], taken: Sequence[tuple[float, float]], mats: Sequence[MatArea]) -> bool:
    apart = all(math.dist(place, other) >= BOARDS_APART_MM for other in taken)
    return apart and not any(area.covers(place) for area in mats)


def _off_the_mats(place: tuple[float, float], mats: Sequence[MatArea]) -> tuple[float, float]:
    """A place beside the car, moved away from it past a mat that would lie there."""
    x, y = place
    for area in mats:
        if area.covers((x, y)):
            y = float(area.high[1]) + MAT_MARGIN_MM if y > 0 else float(area.low[1]) - MAT_MARGIN_MM
    return x, y


def usual_photos(bay: BayPlan, sites: Sites) -> tuple[PhotoPlace, ...]:
    """Photos of a roll epoch (places relative to the car), of `rest` and of the check."""
    round_the_car = [
        photo for wheel in ("front_left", "rear_left", "rear_right", "front_right") for photo in _beside(bay, wheel)
    ]
    corners = [_front_corner(bay, side) for side in (1.0, -1.0)]
    on_mats = mat_photos(bay, sites.mats, sites.spots)
    rolls = [replace(photo, epoch=EACH_ROLL) for photo in round_the_car]
    before = [replace(photo, epoch=REST, words=f"before it is laid: {photo.words}") for photo in on_mats]
    rest = [*round_the_car, *corners, *_across(bay, sites), *_along(bay), *before]
    shown = corners if 1.0 in sites.ways else [_rear_corner(bay, side) for side in (1.0, -1.0)]
    seen = mat_photos(bay, sites.lying, sites.spots)
    check = [*stand_photos(sites.spots), *seen, *(replace(photo, epoch=CHECK) for photo in shown)]
    check = check if sites.spots or seen else []  # marks are touched: no photo of a check is needed
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


def _across(bay: BayPlan, sites: Sites) -> list[PhotoPlace]:
    """Looks over the boards before each stand, and over those beyond the ends of the car; a pair at each."""
    places = [(spot.way, *(float(value) for value in spot.centre_mm[:2])) for spot in sites.spots]
    pairs = [_back(bay, way, x - way * 600.0, y) for way, x, y in places]
    for way in sites.ways:
        if not any(spot.way == way for spot in sites.spots):
            pairs.append(_back(bay, way, _bumper(bay, way) + way * 650.0, 0.0))
    pairs += [_end(bay, way) for way in (1.0, -1.0) if way not in sites.ways]
    # left before right, as one walks
    return [photo for side in (0, 1) for pair in pairs for photo in pair[side : side + 1]]


def _along(bay: BayPlan) -> list[PhotoPlace]:
    """Beside the car, between floor boards that lie so far apart that a photo of a wheel may not show two of them."""
    out = []
    line = max(bay.car.track_front_mm, bay.car.track_rear_mm) / 2 + SIDE_MM
    for side, word in ((1.0, "left"), (-1.0, "right")):
        beside = sorted((p.ahead_mm, p.left_mm) for p in bay.floor if abs(side * p.left_mm - line) < NEAR_THE_LINE_MM)
        for a, b in itertools.pairwise(beside):
            middle = ((a[0] + b[0]) / 2, (a[1] + b[1]) / 2)
            if b[0] - a[0] > FAR_APART_MM and -END_MM < middle[0] < bay.car.wheelbase_mm + END_MM:
                at = (middle[0], middle[1] + side * 1000.0, 1500.0)
                out.append(_photo(REST, at, (*middle, 0.0), f"beside the car on its {word}, between two floor boards"))
    return out


def _back(bay: BayPlan, way: float, before_mm: float, aside_mm: float) -> list[PhotoPlace]:
    """From beyond an end of the car over the boards between it and a place before the stand."""
    middle, end = (before_mm + _bumper(bay, way) - way * 150.0) / 2, "front" if way > 0 else "rear"
    out = []
    for side, word in ((1.0, "left"), (-1.0, "right")):
        at = (middle + way * 1300.0, aside_mm / 2 + side * 750.0, 1600.0)
        words = f"beyond the {end} {word}, looking back"
        out.append(_photo(REST, at, (middle, aside_mm / 2 - side * 60.0, 40.0), words))
    return out


def _end(bay: BayPlan, way: float) -> list[PhotoPlace]:
    beyond, end = _bumper(bay, way) + way * 650.0, "front" if way > 0 else "rear"
    out = []
    for side, word in ((1.0, "left"), (-1.0, "right")):
        at = (beyond + way * 1250.0, side * 900.0, 1700.0)
        out.append(_photo(REST, at, (beyond, side * 430.0, 100.0), f"beyond the {end} {word}, looking across"))
    return out


def _photo(
    epoch: str, at: Sequence[float] | Array, towards: Sequence[float] | Array, words: str, *, upright: bool = False
) -> PhotoPlace:
    return PhotoPlace(epoch, mm_place(at), mm_place(towards), upright, words)


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
