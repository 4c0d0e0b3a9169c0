"""Wheel reference points from touches: where the spin axis pierces the plane through points on the rim's outer flange."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from calib.geometry.lines import axle_body
from calib.geometry.stylus import point_body
from vision.errors import MeasurementError
from vision.frames import Array, Pose, skew
from vision.poses import PoseSet

LEAST_SPREAD_MM = 60.0
"""RMS of the points off the line through them: less is no plane across a rim."""
STEEPEST_RAD = math.radians(5.0)
"""Between the plane's normal and the spin axis; rim run-out and three touches make a fraction of a degree."""
ON_FLANGE = ":flange"


def apply_flanges(poses: PoseSet, flanges: Mapping[str, Sequence[str]]) -> PoseSet:
    """Move the origins of these wheels' axle frames to where the spin axis pierces the touched flange planes.

    Joint covariance: the origin hangs on the spin axis and on all points, with what these share.

    Parameters
    ----------
    flanges : mapping of wheel to names of touched points
        Touched in `rest`; at least three a wheel.

    Raises
    ------
    MeasurementError
        A point was not touched, the points lie nearly on a line, or their plane is not square to the spin axis.
    """
    wheels = [wheel for wheel in flanges if axle_body(wheel) in poses]
    if not wheels:
        return poses
    for wheel in wheels:
        _need_plane(poses, wheel, flanges[wheel])
    pierced = [_pierced(poses, wheel, flanges[wheel]) for wheel in wheels]
    jac = np.concatenate([_jacobian(poses, wheel, flanges[wheel], pose) for wheel, pose in zip(wheels, pierced, strict=True)])
    placed = poses.with_derived(pierced, jac)
    axles = {axle_body(wheel) for wheel in wheels}
    return _renamed(placed.of([body + ON_FLANGE if body in axles else body for body in poses.bodies]))


def _renamed(poses: PoseSet) -> PoseSet:
    named = tuple(Pose(pose.target, pose.source.removesuffix(ON_FLANGE), pose.transform) for pose in poses)
    return PoseSet(named, poses.cov, poses.parts)


def _points(poses: PoseSet, names: Sequence[str]) -> Array:
    return np.array([poses[point_body(name)].translation_mm for name in names])


def _pierced(poses: PoseSet, wheel: str, names: Sequence[str]) -> Pose:
    """The axle frame with its origin on the plane; the axis itself stays."""
    axle = poses[axle_body(wheel)]
    middle, normal, _ = _plane(_points(poses, names))
    axis = axle.rotation[:, 2]
    along = float(normal @ (middle - axle.translation_mm)) / float(normal @ axis)
    return Pose.from_rt(poses.target, axle_body(wheel) + ON_FLANGE, axle.rotation, axle.translation_mm + along * axis)


def _plane(points: Array) -> tuple[Array, Array, Array]:
    """Middle, unit normal, and for every point (n, 3) its offset from the middle over the square sums along the plane."""
    middle = points.mean(axis=0)
    _, spread, axes = np.linalg.svd(points - middle)
    along = (points - middle) @ axes[:2].T / spread[:2] ** 2
    return middle, axes[2], along @ axes[:2]


def _jacobian(poses: PoseSet, wheel: str, names: Sequence[str], pierced: Pose) -> Array:
    """Left perturbation of the pierced frame by those of all poses, shape (6, 6 n).

    The axle's own movement slides the point back along the axis into the plane; a touched point lifts the plane where the axis
    pierces it by its weight there (exact for three points, and as far as more lie in a plane).
    """
    middle, normal, lever = _plane(_points(poses, names))
    axis, at = pierced.rotation[:, 2], pierced.translation_mm
    slide = np.outer(axis, normal) / float(normal @ axis)
    jac = np.zeros((6, len(poses.cov)))
    axle = poses.rows([axle_body(wheel)])
    jac[:3, axle[:3]] = np.eye(3)
    jac[3:, axle[:3]] = slide @ skew(at)
    jac[3:, axle[3:]] = np.eye(3) - slide
    for name, share in zip(names, 1.0 / len(names) + lever @ (at - middle), strict=True):
        rows = poses.rows([point_body(name)])
        jac[3:, rows[:3]] += -share * slide @ skew(poses[point_body(name)].translation_mm)
        jac[3:, rows[3:]] += share * slide
    return jac


def _need_plane(poses: PoseSet, wheel: str, names: Sequence[str]) -> None:
    words = wheel.replace("_", " ")
    lost = [name for name in names if point_body(name) not in poses]
    if lost:
        raise MeasurementError(
            f"point {lost[0]} on the {words} flange was not touched", hint=f"touch it in rest: bayfix touch JOB {lost[0]}"
        )
    points = _points(poses, names)
    _, spread, axes = np.linalg.svd(points - points.mean(axis=0))
    hint = "touch the rim's outer edge at three places a third of the way round from one another"
    if spread[1] / math.sqrt(len(points)) < LEAST_SPREAD_MM:
        raise MeasurementError(f"the points touched on the {words} flange ({', '.join(names)}) lie nearly on a line", hint=hint)
    lean = math.acos(min(1.0, abs(float(axes[2] @ poses[axle_body(wheel)].rotation[:, 2]))))
    if lean > STEEPEST_RAD:
        raise MeasurementError(
            f"the plane through the points touched on the {words} flange ({', '.join(names)}) leans {math.degrees(lean):.0f}° "
            "from square to the wheel's spin axis",
            hint=hint,
        )
