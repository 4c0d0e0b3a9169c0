"""Floor plane: least-squares plane through the feet of the floor boards, with its joint covariance to everything else."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vision.boards import BoardSet
from vision.errors import MeasurementError
from vision.frames import Array, Pose, skew
from vision.poses import PoseSet

FLOOR = "floor"
FLOOR_PM_MM = 2.0
"""Floor unevenness, half-width at k = 2, when nobody typed one: common practice, no source."""
LYING_FLAT_RAD = math.radians(10.0)
LEAST_SPREAD_MM = 200.0
"""RMS spread of the feet across their longest line, below which their plane is called a line."""


@dataclass(frozen=True, slots=True)
class Flatness:
    """How far the feet stand from the floor plane.

    Attributes
    ----------
    heights_mm : tuple of (board name, height)
        Height of each foot above the plane, mm.
    rms_mm : float
        Root of the squared heights over the redundancy; 0 when three feet leave none.
    """

    heights_mm: tuple[tuple[str, float], ...]
    rms_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class _Plane:
    feet: Array
    centre: Array
    axes: Array  # rows: along the feet, across, normal (up)
    spread: Array  # scatter of the feet along each axis, mm²

    @property
    def up(self) -> Array:
        return np.asarray(self.axes[2], dtype=float)

    @property
    def heights(self) -> Array:
        return np.asarray((self.feet - self.centre) @ self.up, dtype=float)


def floor_plane(poses: PoseSet, boards: BoardSet, floor_names: Sequence[str], floor_pm_mm: float = FLOOR_PM_MM) -> PoseSet:
    """Add the body "floor" to the poses.

    The plane passes through the feet (printed centre mark, then `thickness_mm` into the board); z is up, the origin is the foot
    of the first floor board seen, brought onto the plane along z; x is that board's x axis, brought into the plane.

    Parameters
    ----------
    poses : PoseSet
        `survey_from_board`, floor boards among them.
    floor_names : sequence of str
        Floor boards; those that are not in `poses` were not seen and are left out.
    floor_pm_mm : float
        Unevenness, half-width at k = 2: the plane through a few feet stands for the whole floor.

    Returns
    -------
    PoseSet
        With the sources "thickness" and "floor" added, independent per board. Says nothing about the slope to gravity.

    Raises
    ------
    MeasurementError
        Fewer than three floor boards, all on one line, or one that does not lie flat on its back.
    """
    names = _seen(poses, floor_names)
    plane = _plane(poses, boards, names)
    first = poses[names[0]]
    toward = first.rotation[:, 0]
    flat = toward - plane.up * (toward @ plane.up)
    length = float(np.linalg.norm(flat))
    x = flat / length
    y = np.cross(plane.up, x)
    origin = plane.feet[0] - plane.up * plane.heights[0]
    pose = Pose.from_rt(poses.target, FLOOR, np.column_stack([x, y, plane.up]), origin)

    by_feet = _by_feet(plane, y, toward, length, origin)
    jac = np.zeros((6, len(poses.cov)))
    for i, name in enumerate(names):
        columns = poses.rows([name])
        jac[:, columns] += by_feet[i] @ np.hstack([-skew(plane.feet[i]), np.eye(3)])
    jac[:3, poses.rows(names[:1])[:3]] += np.outer(plane.up, np.cross(toward, y)) / length
    jac[3:, poses.rows(names[:1])[:3]] += skew(origin) @ np.outer(plane.up, np.cross(toward, y)) / length

    own = {"thickness": np.zeros((6, 6)), "floor": np.zeros((6, 6))}
    for i, name in enumerate(names):
        down = by_feet[i] @ poses[name].rotation[:, 2] * boards[name].thickness_pm_mm / 2.0
        rise = by_feet[i] @ plane.up * floor_pm_mm / 2.0
        own["thickness"] += np.outer(down, down)
        own["floor"] += np.outer(rise, rise)
    return poses.with_derived([pose], jac, own)


def floor_flatness(poses: PoseSet, boards: BoardSet, floor_names: Sequence[str]) -> Flatness:
    """Heights of the feet above their plane: what the boards themselves show of the floor's unevenness."""
    names = _seen(poses, floor_names)
    heights = _plane(poses, boards, names).heights
    redundancy = len(names) - 3
    rms_mm = math.sqrt(float(heights @ heights) / redundancy) if redundancy else 0.0
    return Flatness(tuple(zip(names, heights.tolist(), strict=True)), rms_mm)


def _seen(poses: PoseSet, floor_names: Sequence[str]) -> list[str]:
    names = [name for name in floor_names if name in poses]
    if len(names) < 3:
        raise MeasurementError(
            f"{len(names)} floor boards were measured ({', '.join(names) or 'none'}), a plane needs three",
            hint="lay down at least four floor boards on each side of the car and show them in the photos",
        )
    return names


def _plane(poses: PoseSet, boards: BoardSet, names: Sequence[str]) -> _Plane:
    feet = np.array([poses[n].apply(boards[n].centre_mm + [0.0, 0.0, boards[n].thickness_mm]) for n in names])
    face = -np.array([poses[n].rotation[:, 2] for n in names])
    centre = feet.mean(axis=0)
    _, scale, axes = np.linalg.svd(feet - centre, full_matrices=False)
    # Against the middle of the directions the faces look to, one board on its face cannot turn the floor over.
    if np.median(face @ axes[2]) < 0:
        axes = axes * np.array([[1.0], [1.0], [-1.0]])
    if scale[1] / math.sqrt(len(names)) < LEAST_SPREAD_MM:
        raise MeasurementError(
            f"the floor boards {', '.join(names)} lie on one line: no plane can be laid through them",
            hint="add floor boards on the other side of the car",
        )
    for name, lean in zip(names, np.arccos(np.clip(face @ axes[2], -1.0, 1.0)), strict=True):
        if lean > LYING_FLAT_RAD:
            raise MeasurementError(
                f"floor board {name} does not lie flat: its face leans {math.degrees(lean):.0f}° from the others' plane",
                hint=f"lay {name} flat, face up, and take the photos again, or strike it from the list of floor boards",
            )
    return _Plane(feet, centre, axes, scale**2)


def _by_feet(plane: _Plane, y: Array, toward: Array, length: float, origin: Array) -> list[Array]:
    """Left perturbation of the floor's pose by a shift of each foot: (6, 3) each, exact.

    The normal is the eigenvector of the feet's scatter with the smallest eigenvalue; its derivative by perturbation theory.
    """
    up, arms = plane.up, plane.feet - plane.centre
    out = []
    for i, (arm, height) in enumerate(zip(arms, plane.heights, strict=True)):
        normal = np.zeros((3, 3))
        for axis, spread in zip(plane.axes[:2], plane.spread[:2], strict=True):
            normal += np.outer(axis, height * axis + (axis @ arm) * up) / (plane.spread[2] - spread)
        turn = skew(up) @ normal - np.outer(up, (toward @ up) / length * (y @ normal))
        shift = -normal * plane.heights[0] - np.outer(up, arms[0] @ normal) + np.outer(up, up) / len(arms)
        if i == 0:
            shift = shift + np.eye(3) - np.outer(up, up)
        out.append(np.vstack([turn, shift + skew(origin) @ turn]))
    return out
