"""A bay as it is meant to be set up: where boards and cameras will be, before anything stands there.

Frame "bay": x ahead, y to the car's left, z up (ISO 8855 directions), mm; origin on the floor below the middle of the rear axle
at `rest`. The car is meant to be straight: thrust line and centreline are the x axis. Its motion, the floor and the boards are
meant to be perfect; what they really are enters the prediction as uncertainty, as it does in a measurement.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from calib.geometry.lines import FLOOR, FRONT, WHEELS
from calib.geometry.placement import from_euler
from calib.geometry.stand import TARGET
from calib.geometry.stylus import STYLUS, point_body
from calib.paper.bay import CHECK, EACH_ROLL, REST, BayPlan, PhotoPlace
from calib.paper.sheet import BOARD, POINT, Place, Sheet
from vision.boards import Board, BoardSet
from vision.errors import MeasurementError
from vision.frames import Array, Pose, exp_so3
from vision.poses import PoseSet

BAY = "bay"
CHECK_EPOCH = "check-1"
STANDOFF_MM = 115.0
"""From the rim's flange to a board's face: what usual holders give (common practice, no source)."""
CROOKED_RAD, OFF_CENTRE_MM = math.radians(2.0), 10.0
"""How a wheel board usually sits: a little crooked and off centre."""
OPEN_HEIGHT_MM = 1000.0
"""Height of a target whose sheet gives none."""
TYRES_DIFFER_MM = {"front_left": 0.7, "front_right": -0.5, "rear_left": 0.4, "rear_right": -0.8}
CAMBER_RAD = {"front": math.radians(-0.6), "rear": math.radians(-1.1)}
"""Rolling radii of one car are never quite equal, and wheels lean (usual values: common practice, no source). So they turn by
different angles about axes that are not parallel, and that tells the car's heave from a spin axis lying elsewhere: on equal
upright wheels the axles' place along the car would be several times as unsure."""
TAPE_MM, TAPE_ASIDE_MM = 4000.0, 300.0
CAR_OVERHANG_MM, SILL_MM, ROOF_MM, BONNET_MM, TYRE_WIDTH_MM = 850.0, 220.0, 1450.0, 950.0, 200.0


@dataclass(frozen=True, slots=True)
class Block:
    """An upright box that stands in the way of looks, mm, frame "bay"."""

    low: tuple[float, float, float]
    high: tuple[float, float, float]


def wheel_places(bay: BayPlan) -> dict[str, Array]:
    """Wheel reference points at `rest`, (3,) each, frame "bay"."""
    car = bay.car
    out = {}
    for wheel in WHEELS:
        half = (car.track_front_mm if wheel in FRONT else car.track_rear_mm) / 2
        x = car.wheelbase_mm if wheel in FRONT else 0.0
        radius = car.tyre_radius_mm + TYRES_DIFFER_MM[wheel]
        out[wheel] = np.array([x, half if wheel.endswith("left") else -half, radius])
    return out


def travel_mm(bay: BayPlan, epoch: str) -> float:
    """How far ahead of `rest` the car stands in an epoch; negative behind it."""
    if epoch not in bay.roll_epochs:
        return 0.0
    return bay.car.tyre_radius_mm * math.radians(bay.roll_deg[bay.roll_epochs.index(epoch)])


def origin_mm(bay: BayPlan, sheet: Sheet) -> Array:
    """The sheet's origin, shape (3,), frame "bay".

    Raises
    ------
    MeasurementError
        A touched point or floor mark whose place the bay file does not give.
    """
    if sheet.origin_place:
        return named_mm(bay, sheet.origin_place)
    places = wheel_places(bay)
    return np.asarray(np.mean([places[wheel] for wheel in sheet.origin_wheels], axis=0), dtype=float)


def named_mm(bay: BayPlan, place: Place) -> Array:
    """Where a touched point, a floor mark or a mean of such is meant to be, shape (3,), frame "bay".

    Raises
    ------
    MeasurementError
    """
    known = {f"{POINT}{name}": at for name, at in bay.points}
    known |= {f"{BOARD}{board.board}": (board.ahead_mm, board.left_mm, 0.0) for board in bay.floor}
    for body, _ in place:
        if body not in known:
            kind, name = body.split(":", 1)
            table = "point" if f"{kind}:" == POINT else "floor"
            raise MeasurementError(
                f"the bay file does not say where {kind} {name} is, from which the sheet measures",
                hint=f'give its place in the bay file: a [[{table}]] of the name "{name}"',
            )
    return np.asarray(sum(weight * np.array(known[body]) for body, weight in place), dtype=float)


def line_axes(bay: BayPlan, sheet: Sheet) -> tuple[Array, Array]:
    """Axes of the sheet's line frame as columns, (3, 3), and a point of the line, where the lateral is zero; frame "bay"."""
    if not sheet.line_places:
        return np.eye(3), np.zeros(3)
    first, second = (named_mm(bay, place) for place in sheet.line_places)
    along = np.array([*(second - first)[:2], 0.0])
    along = along / np.linalg.norm(along)
    up = np.array([0.0, 0.0, 1.0])
    return np.column_stack([along, np.cross(up, along), up]), first


def target_place(bay: BayPlan, sheet: Sheet) -> Pose:
    """`bay_from_target` of a target that stands exactly as the sheet wants it; what the sheet leaves open is zero."""
    wanted = {required.name: required.value for required in sheet.required}
    axes, zero = line_axes(bay, sheet)
    along = float(origin_mm(bay, sheet) @ axes[:, 0]) + wanted.get("distance_mm", 0.0)
    across = float(zero @ axes[:, 1]) + wanted.get("lateral_mm", 0.0)
    place = axes @ np.array([along, across, wanted.get("height_mm", OPEN_HEIGHT_MM)])
    turn = from_euler(*(wanted.get(name, 0.0) for name in ("yaw_rad", "pitch_rad", "roll_rad")))
    return Pose.from_rt(BAY, TARGET, axes @ turn, place)


def board_places(bay: BayPlan, boards: BoardSet, wheels: Mapping[str, str]) -> dict[str, Pose]:
    """`bay_from_body` of floor boards, and of wheel boards in each epoch; those of targets: `intended_targets`.

    Parameters
    ----------
    wheels : mapping of wheel to board name
    """
    out = {
        place.board: flat_on_floor(place.ahead_mm, place.left_mm, math.radians(place.turn_deg), boards[place.board])
        for place in bay.floor
    }
    centres = wheel_places(bay)
    for epoch in (*bay.roll_epochs, REST, CHECK_EPOCH):
        for wheel, board in wheels.items():
            body = f"{board}@{epoch}"
            out[body] = Pose(BAY, body, _on_wheel(bay, wheel, centres[wheel], epoch, boards[board]).transform)
    return out


def flat_on_floor(ahead_mm: float, left_mm: float, turn_rad: float, board: Board) -> Pose:
    """`bay_from_board` of a board that lies on the floor, face up, by its centre mark and the turn of its x from ahead."""
    along = np.array([math.cos(turn_rad), math.sin(turn_rad), 0.0])
    down = np.array([0.0, 0.0, -1.0])
    rotation = np.column_stack([along, np.cross(down, along), down])
    centre = np.array([ahead_mm, left_mm, board.thickness_mm])
    return Pose.from_rt(BAY, board.name, rotation, centre - rotation @ board.centre_mm)


def _on_wheel(bay: BayPlan, wheel: str, centre: Array, epoch: str, board: Board) -> Pose:
    left, camber = 1.0 if wheel.endswith("left") else -1.0, CAMBER_RAD[wheel.split("_")[0]]
    outboard = np.array([0.0, left * math.cos(camber), -math.sin(camber)])
    travel = travel_mm(bay, epoch)
    # rolling ahead turns a wheel about the car's left
    spin = exp_so3(left * outboard * travel / centre[2])
    across = np.cross([0.0, 0.0, 1.0], outboard)
    across = across / np.linalg.norm(across)
    square_on = np.column_stack([across, np.cross(-outboard, across), -outboard])
    crooked = exp_so3(CROOKED_RAD * np.array([1.0, 0.0, 0.3 if wheel in FRONT else -0.3]))
    rotation = spin @ crooked @ square_on
    off = spin @ np.array([OFF_CENTRE_MM, 0.0, -OFF_CENTRE_MM])
    middle = centre + np.array([travel, 0.0, 0.0]) + STANDOFF_MM * outboard + off
    return Pose.from_rt(BAY, board.name, rotation, middle - rotation @ board.centre_mm)


def in_the_way(bay: BayPlan, epoch: str) -> tuple[Block, ...]:
    """The car's cabin and bonnet over its sills, and its wheels, where they stand in an epoch."""
    ahead = travel_mm(bay, epoch)
    half = min(bay.car.track_front_mm, bay.car.track_rear_mm) / 2 + 60.0
    windscreen, nose = ahead + bay.car.wheelbase_mm - 300.0, ahead + bay.car.wheelbase_mm + CAR_OVERHANG_MM
    cabin = Block((ahead - CAR_OVERHANG_MM, -half, SILL_MM), (windscreen, half, ROOF_MM))
    bonnet = Block((windscreen, -half, SILL_MM), (nose, half, BONNET_MM))
    wheels = []
    for place in wheel_places(bay).values():
        inner = place[1] - math.copysign(TYRE_WIDTH_MM, place[1])
        radius = bay.car.tyre_radius_mm
        low, high = sorted((float(inner), float(place[1])))
        x = ahead + float(place[0])
        wheels.append(Block((x - radius, low, 0.0), (x + radius, high, 2 * radius)))
    return (cabin, bonnet, *wheels)


def in_the_car(bay: BayPlan, place: Sequence[float] | Array, margin_mm: float) -> bool:
    """Whether a place is where the car is at `rest`, seen from above, or within a margin round it."""
    half = max(bay.car.track_front_mm, bay.car.track_rear_mm) / 2 + margin_mm
    end = bay.car.wheelbase_mm + CAR_OVERHANG_MM + margin_mm
    return -CAR_OVERHANG_MM - margin_mm < place[0] < end and abs(place[1]) < half


def camera_place(bay: BayPlan, photo: PhotoPlace, epoch: str) -> Pose:
    """`bay_from_cam` of a photo in an epoch: its aim in the middle of the picture, the picture level."""
    shift = np.array([travel_mm(bay, epoch), 0.0, 0.0]) if photo.epoch == EACH_ROLL else np.zeros(3)
    return look_at(np.array(photo.at_mm) + shift, np.array(photo.towards_mm) + shift, upright=photo.upright)


def mm_place(values: Sequence[float] | Array) -> tuple[float, float, float]:
    """Three numbers as a place of the bay."""
    x, y, z = (float(value) for value in values)
    return x, y, z


def look_at(at_mm: Array, towards_mm: Array, *, upright: bool = False) -> Pose:
    """`bay_from_cam`: the camera's z towards a place, its x level, or with `upright` its y level (turned by a quarter)."""
    z = towards_mm - at_mm
    z = z / np.linalg.norm(z)
    x = np.cross(z, [0.0, 0.0, 1.0])
    x = x / np.linalg.norm(x) if np.linalg.norm(x) > 1e-9 else np.array([0.0, -1.0, 0.0])
    y = np.cross(z, x)
    rotation = np.column_stack([y, -x, z]) if upright else np.column_stack([x, y, z])
    return Pose.from_rt(BAY, "cam", rotation, at_mm)


def epochs_of(bay: BayPlan, photo: PhotoPlace) -> tuple[str, ...]:
    """Epochs in which a photo of the list is taken."""
    if photo.epoch == EACH_ROLL:
        return bay.roll_epochs
    return (CHECK_EPOCH,) if photo.epoch == CHECK else (photo.epoch,)


def photos_in(bay: BayPlan, epoch: str) -> Sequence[PhotoPlace]:
    return [photo for photo in bay.photos if epoch in epochs_of(bay, photo)]


def with_meant_points(poses: PoseSet, bay: BayPlan, survey_from_bay: Pose) -> PoseSet:
    """The set with a body "point:NAME" for every point of the bay file, as surely known as it will be touched.

    Parameters
    ----------
    poses : PoseSet
        With the body "floor", on which the points are taken to stand; points in it already stay as they are.
    """
    meant = {point_body(name): place for name, place in bay.points if point_body(name) not in poses}
    if not meant:
        return poses
    bodies, places = list(meant), [survey_from_bay.apply(place) for place in meant.values()]
    jac = np.zeros((6 * len(bodies), len(poses.cov)))
    jac[:, poses.rows([FLOOR])] = np.tile(np.eye(6), (len(bodies), 1))
    own = np.asarray(np.kron(np.eye(len(bodies)), np.diag([0.0] * 3 + [(bay.by_hand.point_pm_mm / 2) ** 2] * 3)), dtype=float)
    points = [Pose.from_rt(poses.target, body, np.eye(3), place) for body, place in zip(bodies, places, strict=True)]
    return poses.with_derived(points, jac, {STYLUS: own})


def tape_between(bay: BayPlan) -> tuple[str, str, float]:
    """Two floor boards for a tape, and their distance, mm: the bay file's, or some 4 m apart along one side of the car.

    Raises
    ------
    MeasurementError
        The bay file holds a tape to a board that does not lie on the floor.
    """
    places = {place.board: np.array([place.ahead_mm, place.left_mm]) for place in bay.floor}
    strange = [board for board in bay.tape if board not in places]
    if strange:
        raise MeasurementError(
            f"the bay file's tape is held to {strange[0]}, which is no floor board of this bay",
            hint=f"floor boards: {', '.join(places)}",
        )
    pairs = [(a, b) for a, b in itertools.combinations(places, 2) if abs(places[a][1] - places[b][1]) < TAPE_ASIDE_MM]
    if bay.tape:
        pairs = [(bay.tape[0], bay.tape[1])]
    if not pairs:
        pairs = list(itertools.combinations(places, 2))

    def length(pair: tuple[str, str]) -> float:
        return float(np.linalg.norm(places[pair[0]] - places[pair[1]]))

    best = min(pairs, key=lambda pair: abs(length(pair) - TAPE_MM))
    return (*best, length(best))
