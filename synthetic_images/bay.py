"""The true bay: floor, floor boards, car, wheels with boards, stand; every board's true pose in every epoch.

Frame `bay`: x forward, y left, z up (ISO 8855 directions), mm. Frame `car`: the same directions, origin on the ground below the
middle of the rear wheel reference points. Board frame as in `vision.boards`: origin at the first corner of the pattern,
x along columns, y along rows, z *into* the board. Nothing here is computed by the measuring side.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from synthetic_images.mats import Mat, MatBoard
from synthetic_images.misprint import Misprint
from synthetic_images.rigid import Array, across, apply, inverse, rigid, rot_x, rot_y, rot_z, unit
from synthetic_images.truth import line_frame
from vision.boards import Board, BoardSet

WHEEL_POSITIONS = ("front_left", "front_right", "rear_left", "rear_right")


@dataclass(frozen=True, slots=True)
class Floor:
    """Height of the floor: a slope and a few smooth waves `(amplitude_mm, kx_per_mm, ky_per_mm, phase_rad)`."""

    slope_x: float = 0.0
    slope_y: float = 0.0
    waves: tuple[tuple[float, float, float, float], ...] = ()

    def height_mm(self, x_mm: float, y_mm: float) -> float:
        waves = sum(a * math.sin(kx * x_mm + ky * y_mm + p) for a, kx, ky, p in self.waves)
        return self.slope_x * x_mm + self.slope_y * y_mm + waves

    def normal(self, x_mm: float, y_mm: float) -> Array:
        """Unit normal, upwards."""
        dx = self.slope_x + sum(a * kx * math.cos(kx * x_mm + ky * y_mm + p) for a, kx, ky, p in self.waves)
        dy = self.slope_y + sum(a * ky * math.cos(kx * x_mm + ky * y_mm + p) for a, kx, ky, p in self.waves)
        return unit([-dx, -dy, 1.0])

    def even(self) -> Floor:
        """The same slope without waves."""
        return Floor(self.slope_x, self.slope_y)


@dataclass(frozen=True, slots=True)
class FloorBoard:
    """A board taped to the floor: foot of its centre, turn of its x axis seen from above, and how it rocks on the floor."""

    name: str
    x_mm: float
    y_mm: float
    turn_rad: float
    rock_x_rad: float = 0.0
    rock_y_rad: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class BodyBoard:
    """A board on the car's body: `car_from_board` (4, 4)."""

    name: str
    car_from_board: Array


@dataclass(frozen=True, slots=True)
class Mount:
    """How a board sits on a wheel.

    Attributes
    ----------
    standoff_mm : float
        From the point where the spin axis pierces the board plane, along the axis, to the rim's outer flange plane.
    crooked_rad, crooked_towards_rad : float
        Angle between board normal and spin axis, and its direction in the wheel.
    phase_rad : float
        Turn of the board on the wheel about the outboard axis, at rest.
    off_centre_mm : tuple of float
        Printed centre mark from the pierced point, along the board's x and y.
    """

    standoff_mm: float
    crooked_rad: float = 0.0
    crooked_towards_rad: float = 0.0
    phase_rad: float = 0.0
    off_centre_mm: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Wheel:
    """A wheel: reference point (spin axis meets the outer flange plane), toe-in, camber (top outward), rolling radius."""

    position: str
    board: str
    reference_in_car_mm: tuple[float, float, float]
    toe_rad: float
    camber_rad: float
    radius_mm: float
    mount: Mount

    @property
    def is_left(self) -> bool:
        return self.position.endswith("left")

    @property
    def is_front(self) -> bool:
        return self.position.startswith("front")

    def axis_in_car(self, steer_rad: float = 0.0) -> Array:
        """Outboard unit spin axis (DESIGN: toe = atan2(a_x, |a_y|), camber = asin(-a_z))."""
        level = math.cos(self.camber_rad)
        side = 1.0 if self.is_left else -1.0
        axis = np.array([math.sin(self.toe_rad) * level, side * math.cos(self.toe_rad) * level, -math.sin(self.camber_rad)])
        return rot_z(steer_rad) @ axis if self.is_front else axis


@dataclass(frozen=True, slots=True)
class StandBoard:
    """A board on the target's face, as seen facing it: centre mark right and up of the target's centre, turn counter-clockwise,
    and how far the target's face lies behind the printed face."""

    name: str
    right_mm: float
    up_mm: float
    turn_rad: float
    behind_mm: float


@dataclass(frozen=True, slots=True)
class Stand:
    """A target on its stand: the six figures (mm, rad) in the line frame, and the boards on its face.

    `origin` is "front_axle", "rear_axle" or a wheel position; `line` is "thrust" or "centreline". Distance is along the line
    towards the front of the car (negative behind the car).
    """

    distance_mm: float
    lateral_mm: float
    height_mm: float
    yaw_rad: float
    pitch_rad: float
    roll_rad: float
    boards: tuple[StandBoard, ...] = ()
    origin: str = "front_axle"
    line: str = "thrust"

    @property
    def is_behind(self) -> bool:
        return self.distance_mm < 0.0


@dataclass(frozen=True, slots=True)
class Epoch:
    """Car motion from rest to this epoch, in the car's frame at rest; targets may be set up.

    `travel_mm` forward, `slip_mm` left, `heave_mm` up, then yaw, pitch, roll about the car's origin; `steer_rad` turns both
    front wheels to the left, each about the car's upright through its reference point. `stand` is the target in question,
    `beside` are others that stand at the same time, `mats` lie on the floor.
    """

    name: str
    travel_mm: float = 0.0
    slip_mm: float = 0.0
    heave_mm: float = 0.0
    yaw_rad: float = 0.0
    pitch_rad: float = 0.0
    roll_rad: float = 0.0
    steer_rad: float = 0.0
    stand: Stand | None = None
    beside: tuple[Stand, ...] = ()
    mats: tuple[Mat, ...] = ()

    @property
    def stands(self) -> tuple[Stand, ...]:
        """All targets on stands."""
        return (*((self.stand,) if self.stand else ()), *self.beside)

    @property
    def is_check(self) -> bool:
        return bool(self.stands or self.mats)


@dataclass(frozen=True, slots=True)
class Bend:
    """Cylindrical bend of a board: `amplitude_mm` is the largest departure from the mean plane, at the board's two ends."""

    amplitude_mm: float
    along_rad: float = 0.0

    def depth_mm(self, board: Board, x_mm: Array, y_mm: Array) -> Array:
        """Offset along the board's z of the printed face at board coordinates."""
        width, height = board.size_mm
        c, s = math.cos(self.along_rad), math.sin(self.along_rad)
        half = (abs(c) * width + abs(s) * height) / 2
        u = ((x_mm - width / 2) * c + (y_mm - height / 2) * s) / half
        return np.asarray(1.5 * self.amplitude_mm * (u * u - 1.0 / 3.0))


@dataclass(frozen=True, slots=True, eq=False)
class Bay:
    """Everything that is true about the bay.

    Attributes
    ----------
    boards : BoardSet
        The boards as they really are: `scale` and `thickness_mm` are the true ones, not the measured ones.
    floor : Floor
    floor_boards : tuple of FloorBoard
    wheels : tuple of Wheel
        In the order of `WHEEL_POSITIONS`.
    bay_from_car : ndarray, shape (4, 4)
        At rest.
    epochs : tuple of Epoch
        `roll-1` ... `roll-n`, `rest`, `check-1` ...
    bends : mapping of board name to Bend
    misprints : mapping of board name to Misprint
    body_boards : tuple of BodyBoard
        Boards on the car's body, if any.
    """

    boards: BoardSet
    floor: Floor
    floor_boards: tuple[FloorBoard, ...]
    wheels: tuple[Wheel, ...]
    bay_from_car: Array
    epochs: tuple[Epoch, ...]
    bends: Mapping[str, Bend] = field(default_factory=dict)
    misprints: Mapping[str, Misprint] = field(default_factory=dict)
    body_boards: tuple[BodyBoard, ...] = field(default=(), kw_only=True)

    def __post_init__(self) -> None:
        if tuple(wheel.position for wheel in self.wheels) != WHEEL_POSITIONS:
            raise ValueError(f"wheels must come in the order {', '.join(WHEEL_POSITIONS)}")

    def epoch(self, name: str) -> Epoch:
        for epoch in self.epochs:
            if epoch.name == name:
                return epoch
        raise KeyError(f"no epoch {name!r} in this bay: {', '.join(e.name for e in self.epochs)}")

    def wheel(self, position: str) -> Wheel:
        return self.wheels[WHEEL_POSITIONS.index(position)]

    def bay_from_car_in(self, epoch: str) -> Array:
        e = self.epoch(epoch)
        turn = rot_z(e.yaw_rad) @ rot_y(e.pitch_rad) @ rot_x(e.roll_rad)
        return self.bay_from_car @ rigid(turn, [e.travel_mm, e.slip_mm, e.heave_mm])

    def bay_from_wheel(self, position: str, epoch: str) -> Array:
        """Frame of the wheel that turns with it: origin at the reference point, z along the outboard spin axis."""
        wheel, e = self.wheel(position), self.epoch(epoch)
        axis = wheel.axis_in_car(e.steer_rad)
        ahead = across([1.0, 0.0, 0.0], axis)
        # rolling forward turns a wheel about the car's left: along the outboard axis on the left, against it on the right
        spin_rad = (1.0 if wheel.is_left else -1.0) * e.travel_mm / wheel.radius_mm
        rotation = np.column_stack([ahead, np.cross(axis, ahead), axis]) @ rot_z(spin_rad)
        return self.bay_from_car_in(epoch) @ rigid(rotation, wheel.reference_in_car_mm)

    def wheel_from_board(self, position: str) -> Array:
        wheel = self.wheel(position)
        mount, board = wheel.mount, self.boards[wheel.board]
        crooked = rot_z(mount.crooked_towards_rad) @ rot_y(mount.crooked_rad) @ rot_z(-mount.crooked_towards_rad)
        rotation = crooked @ rot_z(mount.phase_rad) @ rot_x(math.pi)  # printed face outboard: z points into the wheel
        centre = np.array([0.0, 0.0, mount.standoff_mm]) + rotation @ np.array([*mount.off_centre_mm, 0.0])
        return rigid(rotation, centre - rotation @ board.centre_mm)

    def bay_from_floor_board(self, floor_board: FloorBoard) -> Array:
        board = self.boards[floor_board.name]
        x, y = floor_board.x_mm, floor_board.y_mm
        up = self.floor.normal(x, y)
        ahead = across([math.cos(floor_board.turn_rad), math.sin(floor_board.turn_rad), 0.0], up)
        rock = rot_x(floor_board.rock_x_rad) @ rot_y(floor_board.rock_y_rad)
        rotation = np.column_stack([ahead, np.cross(-up, ahead), -up]) @ rock
        foot = np.array([x, y, self.floor.height_mm(x, y)])
        centre = foot - rotation[:, 2] * board.thickness_mm
        return rigid(rotation, centre - rotation @ board.centre_mm)

    def floor_feet(self) -> Array:
        """Feet of the floor boards (centre of the printed face minus thickness), shape (n, 3), mm, frame `bay`."""
        feet = []
        for floor_board in self.floor_boards:
            board = self.boards[floor_board.name]
            bay_from_board = self.bay_from_floor_board(floor_board)
            feet.append(apply(bay_from_board, board.centre_mm) + bay_from_board[:3, 2] * board.thickness_mm)
        return np.array(feet)

    def bay_from_target(self, epoch: str) -> Array:
        """Target frame at P. Raises ValueError when no stand is set up in the epoch."""
        return self.bay_from_target_of(self._stand(epoch), epoch)

    def bay_from_target_of(self, stand: Stand, epoch: str) -> Array:
        """Target frame at P of one of several targets."""
        return line_frame(self, stand, epoch).place(stand)

    def bay_from_stand_board(self, attached: StandBoard, epoch: str) -> Array:
        return self._on_face(attached, self.bay_from_target(epoch), behind=self._stand(epoch).is_behind)

    def bay_from_mat_board(self, mat: Mat, on_mat: MatBoard) -> Array:
        """A board that lies on a mat that lies on the floor."""
        x, y = mat.seen_from_above_mm(on_mat.x_mm, on_mat.y_mm)
        pose = self.bay_from_floor_board(FloorBoard(on_mat.name, x, y, mat.turn_rad + on_mat.turn_rad))
        pose[:3, 3] -= mat.thickness_mm * pose[:3, 2]
        return pose

    def _stand(self, epoch: str) -> Stand:
        stand = self.epoch(epoch).stand
        if stand is None:
            raise ValueError(f"no stand is set up in epoch {epoch}")
        return stand

    def _on_face(self, attached: StandBoard, bay_from_target: Array, *, behind: bool) -> Array:
        # face: x right, y down, z into the target; counter-clockwise is x towards up
        face_from_board = rot_z(-attached.turn_rad)
        centre_in_face = np.array([attached.right_mm, -attached.up_mm, -attached.behind_mm])
        origin_in_face = centre_in_face - face_from_board @ self.boards[attached.name].centre_mm
        target_from_face = _target_from_face(behind=behind)
        return bay_from_target @ rigid(target_from_face, np.zeros(3)) @ rigid(face_from_board, origin_in_face)

    def board_poses(self, epoch: str) -> dict[str, Array]:
        """`bay_from_board` (4, 4) of every board that stands in the bay in the epoch."""
        poses = {fb.name: self.bay_from_floor_board(fb) for fb in self.floor_boards}
        for wheel in self.wheels:
            poses[wheel.board] = self.bay_from_wheel(wheel.position, epoch) @ self.wheel_from_board(wheel.position)
        for on_body in self.body_boards:
            poses[on_body.name] = self.bay_from_car_in(epoch) @ on_body.car_from_board
        stand = self.epoch(epoch).stand
        for attached in stand.boards if stand else ():
            poses[attached.name] = self.bay_from_stand_board(attached, epoch)
        for other in self.epoch(epoch).beside:
            pose = self.bay_from_target_of(other, epoch)
            poses |= {one.name: self._on_face(one, pose, behind=other.is_behind) for one in other.boards}
        for mat in self.epoch(epoch).mats:
            poses |= {one.name: self.bay_from_mat_board(mat, one) for one in mat.boards}
        return poses

    def printed_points(self, name: str, points_in_board: Array) -> Array:
        """Points of the pattern (n, 3) where they really are: printed a little beside, pushed along z by the board's bend."""
        bend, misprint, board = self.bends.get(name), self.misprints.get(name), self.boards[name]
        out = points_in_board.copy()
        if misprint is not None:
            out[:, :2] += misprint.at(board, points_in_board[:, 0], points_in_board[:, 1])
        if bend is not None:
            out[:, 2] += bend.depth_mm(board, out[:, 0], out[:, 1])
        return out

    def with_floor_board_moved(self, name: str, dx_mm: float, dy_mm: float) -> Bay:
        """The same bay after somebody kicked one floor board."""
        moved = tuple(
            replace(fb, x_mm=fb.x_mm + dx_mm, y_mm=fb.y_mm + dy_mm) if fb.name == name else fb for fb in self.floor_boards
        )
        return replace(self, floor_boards=moved)


def _target_from_face(*, behind: bool) -> Array:
    """Axes of the face (x right, y down, z into the target, for a person who looks at it) in the target frame."""
    if behind:  # the person looks rearwards, -x: right is +y
        return np.array([[0.0, 0.0, -1.0], [1.0, 0.0, 0.0], [0.0, -1.0, 0.0]])
    return np.array([[0.0, 0.0, 1.0], [-1.0, 0.0, 0.0], [0.0, -1.0, 0.0]])


def car_on_floor(floor: Floor, x_mm: float, y_mm: float, yaw_rad: float) -> Array:
    """`bay_from_car` of a car whose origin stands at (x, y) on the floor's even slope."""
    up = floor.even().normal(x_mm, y_mm)
    ahead = across([math.cos(yaw_rad), math.sin(yaw_rad), 0.0], up)
    rotation = np.column_stack([ahead, np.cross(up, ahead), up])
    return rigid(rotation, [x_mm, y_mm, floor.even().height_mm(x_mm, y_mm)])


def cam_from_board(bay_from_cam: Array, bay_from_board: Array) -> Array:
    return inverse(bay_from_cam) @ bay_from_board
