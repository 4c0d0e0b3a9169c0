"""The lines of a car: forward directions of its wheels, thrust line, axle midpoints, centreline, and the frame along a line.

Bodies (DEVELOPERS.md, "Conventions"), all in one common frame, here called the survey:

- "floor": z axis = up, origin on the floor plane;
- "axle:rear_left", "axle:rear_right", "axle:front_left", "axle:front_right": z axis = unit spin axis pointing *outboard*,
  origin = the wheel's reference point when its stand-off is known, any point of the spin axis otherwise.

Left and right are the car's. All directions are projected along up. Every function takes a `PoseSet` or a plain dict of
poses by body, so that `PoseSet.propagate` can push a covariance through it.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np

from vision.errors import MeasurementError
from vision.frames import Array, Pose

FLOOR = "floor"
REAR = ("rear_left", "rear_right")
FRONT = ("front_left", "front_right")
WHEELS = REAR + FRONT
LineName = Literal["thrust", "centreline"]
LEAST_HORIZONTAL = 0.7
"""A spin axis whose horizontal part is shorter stands more than 45° off the floor: no wheel of a car does."""


class Poses(Protocol):
    """Poses by body name: a `PoseSet` or a dict."""

    def __getitem__(self, body: str, /) -> Pose: ...

    def __contains__(self, body: object, /) -> bool: ...


@dataclass(frozen=True, slots=True, eq=False)
class LineFrame:
    """Directions of a line frame, and the point its lateral zero runs through.

    Attributes
    ----------
    axes : ndarray, shape (3, 3)
        Columns x (along the line, to the car's front), y (car's left), z (up), in the survey frame.
    rear_mid_mm : ndarray, shape (3,)
        R, in the survey frame: on the thrust line and on the centreline alike.
    """

    axes: Array
    rear_mid_mm: Array


def axle_body(wheel: str) -> str:
    """Body name of a wheel's spin axis: "axle:rear_left" for "rear_left"."""
    if wheel not in WHEELS:
        raise ValueError(f"unknown wheel {wheel!r}, known: {', '.join(WHEELS)}")
    return f"axle:{wheel}"


def need_axles(poses: Poses, wheels: Sequence[str], what: str) -> None:
    """Refuse when a wheel that `what` is made of was not measured.

    Raises
    ------
    MeasurementError
    """
    missing = [wheel for wheel in wheels if axle_body(wheel) not in poses]
    if missing:
        raise MeasurementError(
            f"{what} is not measured: no spin axis of {_words(missing)}",
            hint="photograph the boards of these wheels in every roll epoch and in rest",
        )


def need_references(wheels: Sequence[str], reference_known: Collection[str], what: str) -> None:
    """Refuse when a wheel's reference point, and with it `what`, is unknown.

    Raises
    ------
    MeasurementError
    """
    missing = [wheel for wheel in wheels if wheel not in reference_known]
    if missing:
        keys = ", ".join(f"[wheels.{wheel}]" for wheel in missing)
        raise MeasurementError(
            f"{what} is not measured: stand-off missing ({_words(missing)})",
            hint=f"measure the stand-off and type standoff_mm under {keys} in job.toml",
        )


def up(poses: Poses) -> Array:
    """Unit normal of the floor plane, shape (3,), survey frame."""
    return poses[FLOOR].rotation[:, 2]


def spin_axis(poses: Poses, wheel: str) -> Array:
    """Unit spin axis pointing outboard, shape (3,), survey frame."""
    return poses[axle_body(wheel)].rotation[:, 2]


def reference_point_mm(poses: Poses, wheel: str) -> Array:
    """Wheel reference point (spin axis through the rim's outer flange plane), shape (3,), survey frame."""
    return poses[axle_body(wheel)].translation_mm


def horizontal(vector: Array, up_direction: Array) -> Array:
    """The vector without its part along up, scaled to unit length, shape (3,)."""
    flat = vector - (vector @ up_direction) * up_direction
    return np.asarray(flat / np.linalg.norm(flat), dtype=float)


def along(direction: Array, up_direction: Array) -> Array:
    """Axes x y z (columns) of the frame with z up and x along `direction` projected along up, shape (3, 3)."""
    x = horizontal(direction, up_direction)
    return np.column_stack([x, np.cross(up_direction, x), up_direction])


def approximate_forward(poses: Poses) -> Array:
    """Forward to within the rear toe: square to the rear spin axes, unit, horizontal, shape (3,), survey frame."""
    left = spin_axis(poses, "rear_left") - spin_axis(poses, "rear_right")
    return horizontal(np.cross(left, up(poses)), up(poses))


def forward_yaws(poses: Poses, wheels: Sequence[str] = REAR, reference: Array | None = None) -> dict[str, float]:
    """Yaw of the wheels' forward directions, rad, positive to the car's left.

    Parameters
    ----------
    poses : Poses
    wheels : sequence of str
    reference : ndarray, shape (3,), optional
        Direction of yaw zero, survey frame; without it `approximate_forward`.

    Notes
    -----
    ψ_left = atan2(−a_x, a_y), ψ_right = atan2(a_x, −a_y), with a the spin axis pointing outboard in axes x forward, y left,
    z up. Camber drops out: only the horizontal part of the axis enters.

    Raises
    ------
    MeasurementError
        A wheel has no spin axis, or its spin axis stands upright.
    """
    need_axles(poses, wheels, "forward direction of the wheels")
    axes = along(approximate_forward(poses) if reference is None else reference, up(poses))
    return {wheel: _yaw(spin_axis(poses, wheel) @ axes, wheel) for wheel in wheels}


def thrust_direction(poses: Poses) -> Array:
    """Bisector of the rear wheels' forward directions, unit, horizontal, shape (3,), survey frame.

    Raises
    ------
    MeasurementError
        A rear wheel has no spin axis.
    """
    need_axles(poses, REAR, "thrust direction")
    axes = along(approximate_forward(poses), up(poses))
    yaw_rad = sum(forward_yaws(poses, REAR, axes[:, 0]).values()) / 2
    return np.asarray(math.cos(yaw_rad) * axes[:, 0] + math.sin(yaw_rad) * axes[:, 1], dtype=float)


def rear_mid_mm(poses: Poses) -> Array:
    """R, midpoint of the rear wheel reference points, shape (3,), survey frame."""
    return _middle(poses, REAR, "rear axle midpoint R")


def front_mid_mm(poses: Poses) -> Array:
    """F, midpoint of the front wheel reference points, shape (3,), survey frame."""
    return _middle(poses, FRONT, "front axle midpoint F")


def centreline_direction(poses: Poses) -> Array:
    """From R to F projected along up, unit, shape (3,), survey frame."""
    return horizontal(front_mid_mm(poses) - rear_mid_mm(poses), up(poses))


def line_direction(poses: Poses, line: LineName) -> Array:
    """Direction of the chosen line towards the car's front, unit, horizontal, shape (3,), survey frame."""
    return thrust_direction(poses) if line == "thrust" else centreline_direction(poses)


def line_frame(poses: Poses, line: LineName) -> LineFrame:
    """Axes along the chosen line, and R.

    The caller vouches that the origins of the axle bodies are reference points (`need_references`).

    Raises
    ------
    MeasurementError
        A wheel the line is made of has no spin axis.
    """
    return LineFrame(along(line_direction(poses, line), up(poses)), rear_mid_mm(poses))


def check_sides(poses: Poses, reference_known: Collection[str] = WHEELS) -> None:
    """Refuse a car whose left and right, or front and rear, wheels are exchanged in the job file.

    Raises
    ------
    MeasurementError
    """
    need_axles(poses, REAR, "thrust direction")
    axes = along(approximate_forward(poses), up(poses))
    for left, right in (REAR, FRONT):
        if axle_body(left) not in poses or axle_body(right) not in poses or not {left, right} <= set(reference_known):
            continue
        gap = (reference_point_mm(poses, left) - reference_point_mm(poses, right)) @ axes
        if gap[1] <= 0:
            raise MeasurementError(
                f"{_words([left])} lies to the right of {_words([right])}, seen by a driver looking forward",
                hint="check which board is on which wheel in job.toml; left is the driver's left looking forward",
            )
    if all(axle_body(w) in poses and w in reference_known for w in WHEELS):
        ahead = (front_mid_mm(poses) - rear_mid_mm(poses)) @ axes
        if ahead[0] <= 0:
            raise MeasurementError(
                "the front axle lies behind the rear axle", hint="check which board is on which wheel in job.toml"
            )


def _middle(poses: Poses, wheels: Sequence[str], what: str) -> Array:
    need_axles(poses, wheels, what)
    left, right = (reference_point_mm(poses, wheel) for wheel in wheels)
    return np.asarray((left + right) / 2, dtype=float)


def _yaw(axis_in_car: Array, wheel: str) -> float:
    if math.hypot(axis_in_car[0], axis_in_car[1]) < LEAST_HORIZONTAL:
        raise MeasurementError(
            f"the spin axis of {_words([wheel])} is more than 45° off the floor",
            hint="check which board is on which wheel, and that the floor boards lie on the floor",
        )
    sign = 1.0 if wheel.endswith("left") else -1.0
    return math.atan2(-sign * axis_in_car[0], sign * axis_in_car[1])


def _words(wheels: Sequence[str]) -> str:
    return ", ".join(f"wheel {wheel.replace('_', ' ')}" for wheel in wheels)
