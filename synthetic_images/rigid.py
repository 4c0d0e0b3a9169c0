"""Rotations and 4x4 transforms of the synthetic bay: its own, so that a sign error of the measuring side cannot hide here.

Homogeneous matrices `a_from_b`, translations in mm, angles in rad, right-handed.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def rot_x(angle_rad: float) -> Array:
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]])


def rot_y(angle_rad: float) -> Array:
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])


def rot_z(angle_rad: float) -> Array:
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def rigid(rotation: ArrayLike, translation_mm: ArrayLike) -> Array:
    """Homogeneous matrix of a rotation matrix (3, 3) and a translation (3,)."""
    out = np.eye(4)
    out[:3, :3] = rotation
    out[:3, 3] = translation_mm
    return out


def inverse(a_from_b: Array) -> Array:
    rotation = a_from_b[:3, :3].T
    return rigid(rotation, -rotation @ a_from_b[:3, 3])


def apply(a_from_b: Array, points_in_b: ArrayLike) -> Array:
    """Points, shape (3,) or (n, 3), of frame b in frame a."""
    return np.asarray(points_in_b, dtype=float) @ a_from_b[:3, :3].T + a_from_b[:3, 3]


def unit(vector: ArrayLike) -> Array:
    vector = np.asarray(vector, dtype=float)
    return np.asarray(vector / np.linalg.norm(vector))


def across(vector: ArrayLike, normal: Array) -> Array:
    """Unit vector of what is left of `vector` when its share along the unit vector `normal` is taken away."""
    vector = np.asarray(vector, dtype=float)
    return unit(vector - float(vector @ normal) * normal)


def look_at(position_mm: ArrayLike, point_mm: ArrayLike, roll_rad: float = 0.0) -> Array:
    """`bay_from_cam` of a camera (x right, y down, z into the scene) that looks at a point.

    Positive roll turns the camera clockwise as its holder sees it, so that the picture turns counter-clockwise.
    """
    position = np.asarray(position_mm, dtype=float)
    forward = unit(np.asarray(point_mm, dtype=float) - position)
    right = unit(np.cross(forward, [0.0, 0.0, 1.0]))
    down = np.cross(forward, right)
    return rigid(np.column_stack([right, down, forward]) @ rot_z(roll_rad), position)
