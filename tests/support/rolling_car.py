"""A car rolled through epochs, built from numbers by hand: truth for the wheel fit, with its own rotation formula.

Nothing here is shared with the code under test but the pose containers.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from vision.frames import Pose
from vision.poses import PoseSet

POINTS_MM = {
    "rear_left": (0.0, 750.0, 310.0),
    "rear_right": (0.0, -750.0, 310.0),
    "front_left": (2700.0, 760.0, 310.0),
    "front_right": (2700.0, -760.0, 310.0),
}
STANDOFF_MM = 60.0
TYRE_MIDDLE_MM = 85.0
"""Flange plane to the middle of the tyre, inboard."""
UP = np.array([0.0, 0.0, 1.0])


def turn_about(axis, angle_rad: float) -> np.ndarray:
    """Rodrigues' formula, shape (3, 3)."""
    x, y, z = np.asarray(axis, dtype=float) / np.linalg.norm(axis)
    k = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.eye(3) + math.sin(angle_rad) * k + (1 - math.cos(angle_rad)) * k @ k


def motion(rotation, about, shift) -> np.ndarray:
    """Homogeneous 4x4 of a turn about a point and a shift."""
    out = np.eye(4)
    out[:3, :3] = rotation
    out[:3, 3] = np.asarray(about) + np.asarray(shift) - rotation @ np.asarray(about)
    return out


@dataclass(frozen=True)
class CarPosition:
    """One epoch relative to rest: way of the car's middle over its wheel radius, forward +, and what the car does besides.

    `by_hand_deg` are roll angles of wheels turned by hand on a lift, where the car goes no way.
    """

    roll_deg: float
    yaw_deg: float = 0.0
    side_mm: float = 0.0
    heave_mm: float = 0.0
    lean_deg: tuple[float, float] = (0.0, 0.0)
    steer_deg: float = 0.0
    by_hand_deg: Mapping[str, float] | None = None


@dataclass(frozen=True)
class RollingCar:
    """Truth. Yaw of a wheel's forward direction positive to the left; camber positive when the top leans outward.

    The steering axis passes `kingpin_mm` inboard of the flange plane.
    """

    yaw_deg: Mapping[str, float] = field(default_factory=dict)
    camber_deg: Mapping[str, float] = field(default_factory=dict)
    points_mm: Mapping[str, tuple[float, float, float]] = field(default_factory=lambda: dict(POINTS_MM))
    radius_mm: float = 310.0
    kingpin_mm: float = 120.0
    crooked_deg: float = 3.0
    off_centre_mm: float = 25.0
    seed: int = 1

    def axis(self, wheel: str) -> np.ndarray:
        """Outboard unit spin axis at rest."""
        side = 1.0 if wheel.endswith("left") else -1.0
        yaw, camber = (math.radians(table.get(wheel, 0.0)) for table in (self.yaw_deg, self.camber_deg))
        flat = math.cos(camber)
        return np.array([-side * math.sin(yaw) * flat, side * math.cos(yaw) * flat, -math.sin(camber)])

    def mounting(self, wheel: str) -> np.ndarray:
        """Board at rest, 4x4: the axis pierces its plane exactly `STANDOFF_MM` outboard of the wheel's reference point."""
        rng = np.random.default_rng([self.seed, list(POINTS_MM).index(wheel)])
        z = -self.axis(wheel)
        x = np.cross(z, UP)
        square = np.column_stack([x / np.linalg.norm(x), np.cross(z, x / np.linalg.norm(x)), z])
        square = square @ turn_about([0, 0, 1], rng.uniform(0, 2 * math.pi))
        tilt = rng.normal(size=3)
        rotation = turn_about(tilt, math.radians(self.crooked_deg) * rng.uniform(0.3, 1.0)) @ square
        pierce = np.array(self.points_mm[wheel]) + STANDOFF_MM * self.axis(wheel)
        # Any shift within the tilted board plane leaves the pierce point on that plane.
        corner = rotation @ np.array([-120.0, -100.0, 0.0])
        out = np.eye(4)
        out[:3, :3] = rotation
        out[:3, 3] = pierce + corner + rotation[:, :2] @ rng.normal(0, self.off_centre_mm, 2)
        return out

    def car_motion(self, position: CarPosition) -> np.ndarray:
        """Motion of the car's body from rest, 4x4; the way is rolled half-way between both headings."""
        lean_x, lean_y = (math.radians(angle) for angle in position.lean_deg)
        attitude = (
            turn_about(UP, math.radians(position.yaw_deg)) @ turn_about([1, 0, 0], lean_x) @ turn_about([0, 1, 0], lean_y)
        )
        centre = np.mean(list(self.points_mm.values()), axis=0)
        shift = np.array([self.radius_mm * math.radians(position.roll_deg), position.side_mm, position.heave_mm])
        return motion(attitude, centre, turn_about(UP, math.radians(position.yaw_deg) / 2) @ shift)

    def roll_rad(self, wheel: str, position: CarPosition) -> float:
        """Roll angle of a wheel that rolls without sliding: the outer wheel of a bend turns further."""
        if position.by_hand_deg is not None:
            return math.radians(position.by_hand_deg[wheel])
        point = np.array(self.points_mm[wheel]) - TYRE_MIDDLE_MM * self.axis(wheel)
        moved = self.car_motion(position) @ np.append(point, 1.0)
        heading = turn_about(UP, math.radians(position.yaw_deg) / 2) @ np.array([1.0, 0.0, 0.0])
        return float(heading @ (moved[:3] - point)) / self.radius_mm

    def board(self, wheel: str, position: CarPosition) -> np.ndarray:
        """`survey_from_board`, 4x4."""
        side = 1.0 if wheel.endswith("left") else -1.0
        point = np.array(self.points_mm[wheel])
        spin = motion(turn_about(self.axis(wheel), side * self.roll_rad(wheel, position)), point, np.zeros(3))
        steer = np.eye(4)
        if wheel.startswith("front"):
            kingpin = point - self.kingpin_mm * self.axis(wheel)
            steer = motion(turn_about(UP, math.radians(position.steer_deg)), kingpin, np.zeros(3))
        return self.car_motion(position) @ steer @ spin @ self.mounting(wheel)

    def body_board(self, name: str, position: CarPosition) -> np.ndarray:
        """`survey_from_board` of a board on the car's body, 4x4: "body-1" on the left flank, "body-2" on the right."""
        side = 1.0 if name == "body-1" else -1.0
        out = np.eye(4)
        out[:3, :3] = turn_about([1, 0, 0], side * math.pi / 2) @ turn_about([0, 0, 1], 0.3)
        out[:3, 3] = [1200.0 + 150.0 * side, side * 850.0, 640.0]
        return self.car_motion(position) @ out


def noise_cov(count: int, deg: float, mm: float) -> np.ndarray:
    """Independent noise per pose component, of boards moved about their *own origin*; shape (6 count, 6 count)."""
    return np.diag(np.tile([math.radians(deg) ** 2] * 3 + [mm**2] * 3, count))


def left_cov(poses: Sequence[Pose], centred: np.ndarray) -> np.ndarray:
    """Covariance of left perturbations from that of turns and shifts about each board's origin."""
    lever = np.eye(6 * len(poses))
    for i, pose in enumerate(poses):
        x, y, z = pose.translation_mm
        lever[6 * i + 3 : 6 * i + 6, 6 * i : 6 * i + 3] = [[0, -z, y], [z, 0, -x], [-y, x, 0]]
    return lever @ centred @ lever.T


def epochs_of(rolls_deg: Sequence[float], **extra) -> dict[str, CarPosition]:
    """Epochs "roll-1" … and "rest" from roll angles; the last is rest. All are told relative to rest."""
    names = [f"roll-{i + 1}" for i in range(len(rolls_deg) - 1)] + ["rest"]
    return {name: CarPosition(roll - rolls_deg[-1], **extra.get(name, {})) for name, roll in zip(names, rolls_deg, strict=True)}


def roll_survey(
    car: RollingCar,
    epochs: Mapping[str, CarPosition],
    *,
    deg: float = 0.02,
    mm: float = 0.15,
    rng: np.random.Generator | None = None,
    wheels: Sequence[str] = tuple(POINTS_MM),
    skip: Sequence[str] = (),
    floor_deg: float = 1e-4,
    on_body: Sequence[str] = (),
) -> PoseSet:
    """Poses of the floor and all wheel boards "wheel-rear-left@roll-1" …, with noise drawn when `rng` is given.

    `on_body` names boards on the car's body.
    """
    poses = [Pose.identity("survey", "floor")]
    for name, position in epochs.items():
        for wheel in wheels:
            body = f"wheel-{wheel.replace('_', '-')}@{name}"
            if body not in skip:
                poses.append(Pose.from_matrix("survey", body, car.board(wheel, position)))
        for board in on_body:
            if f"{board}@{name}" not in skip:
                poses.append(Pose.from_matrix("survey", f"{board}@{name}", car.body_board(board, position)))
    centred = noise_cov(len(poses), deg, mm)
    centred[:3, :3] = np.eye(3) * math.radians(floor_deg) ** 2
    centred[3:6, 3:6] = np.eye(3) * 0.01**2
    cov = left_cov(poses, centred)
    noisy = PoseSet(tuple(poses), cov, {"corners": cov})
    return noisy if rng is None else noisy.perturbed(rng.multivariate_normal(np.zeros(len(cov)), cov, method="cholesky"))


def carried(poses: PoseSet, carry: Pose) -> PoseSet:
    """The whole survey in another frame."""
    rotation, shift = carry.rotation, carry.translation_mm
    x, y, z = shift
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    adjoint = np.kron(np.eye(len(poses.poses)), np.block([[rotation, np.zeros((3, 3))], [cross @ rotation, rotation]]))
    moved = tuple(Pose("survey", p.source, (carry @ p).transform) for p in poses)
    return PoseSet(moved, adjoint @ poses.cov @ adjoint.T, {s: adjoint @ m @ adjoint.T for s, m in poses.parts.items()})


def mirrored(poses: PoseSet) -> PoseSet:
    """The survey in a mirror at y = 0: left boards become right ones; frames mirror an axis of their own."""
    flip, flip_board = np.diag([1.0, -1.0, 1.0]), np.diag([-1.0, 1.0, 1.0])
    swap = {"left": "right", "right": "left"}
    out = []
    for pose in poses:
        name = pose.source
        for word, other in swap.items():
            if f"-{word}@" in name:
                name = name.replace(f"-{word}@", f"-{other}@")
                break
        right = flip if name == "floor" else flip_board
        out.append(Pose.from_rt("survey", name, flip @ pose.rotation @ right, flip @ pose.translation_mm))
    signs = np.tile([-1.0, 1.0, -1.0, 1.0, -1.0, 1.0], len(out))
    return PoseSet(tuple(out), poses.cov * signs * signs[:, None], {"corners": poses.cov * signs * signs[:, None]})
