"""A car of spin axes on a floor, built from numbers by hand: truth for tests of lines, placement and verdict."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from vision.frames import Pose
from vision.poses import PoseSet

POINTS_MM = {
    "rear_left": (0.0, 750.0, 310.0),
    "rear_right": (0.0, -750.0, 310.0),
    "front_left": (2700.0, 760.0, 310.0),
    "front_right": (2700.0, -760.0, 310.0),
}


def axle_pose(wheel: str, point_mm, yaw_deg: float = 0.0, camber_deg: float = 0.0) -> Pose:
    """Wheel whose forward direction has yaw `yaw_deg` (to the left); outboard spin axis as z, by elementary trigonometry."""
    side = 1.0 if wheel.endswith("left") else -1.0
    yaw, camber = math.radians(yaw_deg), math.radians(camber_deg)
    z = np.array([-side * math.sin(yaw) * math.cos(camber), side * math.cos(yaw) * math.cos(camber), -math.sin(camber)])
    x = np.cross([0.0, 0.0, 1.0], z)
    x /= np.linalg.norm(x)
    return Pose.from_rt("survey", f"axle:{wheel}", np.column_stack([x, np.cross(z, x), z]), point_mm)


def car(
    yaw_deg: Mapping[str, float] | None = None,
    camber_deg: Mapping[str, float] | None = None,
    points_mm: Mapping[str, tuple[float, float, float]] | None = None,
) -> dict[str, Pose]:
    """Floor and four axles by body name; survey frame = x forward, y left, z up with the floor at z = 0."""
    poses = {"floor": Pose.identity("survey", "floor")}
    for wheel, point in {**POINTS_MM, **(points_mm or {})}.items():
        poses[f"axle:{wheel}"] = axle_pose(wheel, point, (yaw_deg or {}).get(wheel, 0.0), (camber_deg or {}).get(wheel, 0.0))
    return poses


def as_set(poses: Mapping[str, Pose], cov: np.ndarray | None = None, source: str = "corners") -> PoseSet:
    """Pose set with the given joint covariance, or 0.05 mm and 0.005° for every body independently."""
    if cov is None:
        cov = np.diag(np.tile([math.radians(0.005) ** 2] * 3 + [0.05**2] * 3, len(poses)))
    return PoseSet(tuple(poses.values()), cov, {source: cov})


def moved(poses: Mapping[str, Pose], new_from_survey: Pose) -> dict[str, Pose]:
    """The whole bay carried into another frame."""
    return {body: new_from_survey @ pose for body, pose in poses.items()}


def mirrored_vector(v) -> np.ndarray:
    """Mirror at the plane y = 0."""
    return np.asarray(v, dtype=float) * np.array([1.0, -1.0, 1.0])
