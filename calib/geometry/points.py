"""Where touched points are: above the floor, along the car, and from one another."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from calib.geometry.lines import FLOOR, REAR, WHEELS, axle_body, line_frame, need_axles, need_references
from calib.geometry.stylus import point_body
from vision.errors import MeasurementError
from vision.frames import Array, Estimate
from vision.poses import PoseSet

ON_FLOOR = ("x_mm", "y_mm", "height_mm")
ON_CAR = ("ahead_mm", "left_mm")


def place_on_floor(poses: PoseSet, name: str) -> Estimate:
    """`ON_FLOOR` of a touched point: in the frame "floor" (DEVELOPERS.md, "Conventions")."""
    body = point_body(name)

    def place(state: PoseSet) -> Array:
        return state[FLOOR].inverse().apply(state[body].translation_mm)

    return poses.of([FLOOR, body]).propagate(ON_FLOOR, place)


def place_on_car(poses: PoseSet, name: str, reference_known: Collection[str]) -> Estimate:
    """`ON_CAR` of a touched point: along the thrust line ahead of the rear axle's middle, and to the car's left of it.

    Raises
    ------
    MeasurementError
        Rear spin axes or stand-offs are not known.
    """
    need_axles(poses, REAR, "place along the car")
    need_references(REAR, reference_known, "place along the car")
    body = point_body(name)

    def place(state: PoseSet) -> Array:
        frame = line_frame(state, "thrust")
        return np.asarray((state[body].translation_mm - frame.rear_mid_mm) @ frame.axes[:, :2], dtype=float)

    axles = [axle_body(wheel) for wheel in WHEELS if axle_body(wheel) in poses]
    return poses.of([FLOOR, *axles, body]).propagate(ON_CAR, place)


def length_between(poses: PoseSet, a: str, b: str) -> Estimate:
    """Distance of two touched points, name `length_mm`.

    Raises
    ------
    MeasurementError
        They are the same point.
    """
    if a == b:
        raise MeasurementError(f"{a} and {b} are the same point", hint="name two touched points")

    def length(state: PoseSet) -> Array:
        gap = state[point_body(a)].translation_mm - state[point_body(b)].translation_mm
        return np.array([float(np.linalg.norm(gap))])

    return poses.of([point_body(a), point_body(b)]).propagate(("length_mm",), length)
