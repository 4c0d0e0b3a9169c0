"""True figures of the bay: floor plane, thrust line, alignment, and where the target stands. Own formulas, not `calib`'s.

Definitions: DESIGN section 3 (ISO 8855 directions and signs).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from synthetic_images.rigid import Array, across, rigid, rot_x, rot_y, rot_z

if TYPE_CHECKING:
    from synthetic_images.bay import Bay, Stand


@dataclass(frozen=True, slots=True, eq=False)
class LineFrame:
    """Line frame of a placement: axes as columns (x along the line, y left, z up), and the three reference points."""

    axes: Array
    origin_mm: Array
    rear_middle_mm: Array
    foot_mm: Array

    def place(self, stand: Stand) -> Array:
        """`bay_from_target` from the six figures."""
        along = np.array(
            [
                stand.distance_mm + float(self.origin_mm @ self.axes[:, 0]),
                stand.lateral_mm + float(self.rear_middle_mm @ self.axes[:, 1]),
                stand.height_mm + float(self.foot_mm @ self.axes[:, 2]),
            ]
        )
        turn = rot_z(stand.yaw_rad) @ rot_y(stand.pitch_rad) @ rot_x(stand.roll_rad)
        return rigid(self.axes @ turn, self.axes @ along)

    def figures(self, bay_from_target: Array) -> dict[str, float]:
        """The six figures from the pose: the way back of `place`."""
        turn = self.axes.T @ bay_from_target[:3, :3]
        centre = bay_from_target[:3, 3]
        return {
            "distance_mm": float((centre - self.origin_mm) @ self.axes[:, 0]),
            "lateral_mm": float((centre - self.rear_middle_mm) @ self.axes[:, 1]),
            "height_mm": float((centre - self.foot_mm) @ self.axes[:, 2]),
            "yaw_deg": math.degrees(math.atan2(turn[1, 0], turn[0, 0])),
            "pitch_deg": math.degrees(-math.asin(turn[2, 0])),
            "roll_deg": math.degrees(math.atan2(turn[2, 1], turn[2, 2])),
        }


def floor_plane(bay: Bay) -> tuple[Array, Array]:
    """Middle of the feet and the unit normal ("up") of the least-squares plane through them (orthogonal distances)."""
    feet = bay.floor_feet()
    middle = feet.mean(axis=0)
    normal = np.linalg.svd(feet - middle)[2][2]
    return middle, normal * math.copysign(1.0, normal[2])


def reference_point(bay: Bay, position: str, epoch: str = "rest") -> Array:
    """Wheel reference point in the bay, mm."""
    return np.array(bay.bay_from_wheel(position, epoch)[:3, 3])


def spin_axis(bay: Bay, position: str, epoch: str = "rest") -> Array:
    """Unit spin axis in the bay, pointing outboard."""
    return np.array(bay.bay_from_wheel(position, epoch)[:3, 2])


def axle_middle(bay: Bay, axle: str, epoch: str = "rest") -> Array:
    return (reference_point(bay, f"{axle}_left", epoch) + reference_point(bay, f"{axle}_right", epoch)) / 2


def forward_direction(bay: Bay, position: str, epoch: str = "rest") -> Array:
    """Where the wheel would roll to: unit vector in the floor plane."""
    up = floor_plane(bay)[1]
    axis = spin_axis(bay, position, epoch)
    left = axis if position.endswith("left") else -axis
    return across(np.cross(left, up), up)


def thrust_direction(bay: Bay, epoch: str = "rest") -> Array:
    """Bisector of the rear wheels' forward directions, unit, in the floor plane."""
    up = floor_plane(bay)[1]
    return across(forward_direction(bay, "rear_left", epoch) + forward_direction(bay, "rear_right", epoch), up)


def centreline_direction(bay: Bay, epoch: str = "rest") -> Array:
    """From R to F, projected along up, unit."""
    up = floor_plane(bay)[1]
    return across(axle_middle(bay, "front", epoch) - axle_middle(bay, "rear", epoch), up)


def yaw_between(start: Array, end: Array, up: Array) -> float:
    """Angle from one direction in the floor plane to another, rad, counter-clockwise seen from above."""
    return math.atan2(float(np.cross(start, end) @ up), float(start @ end))


def line_frame(bay: Bay, stand: Stand, epoch: str = "rest") -> LineFrame:
    """Raises ValueError for an unknown line or origin."""
    if stand.line not in ("thrust", "centreline"):
        raise ValueError(f"line must be 'thrust' or 'centreline', not {stand.line!r}")
    middle, up = floor_plane(bay)
    ahead = thrust_direction(bay, epoch) if stand.line == "thrust" else centreline_direction(bay, epoch)
    axes = np.column_stack([ahead, np.cross(up, ahead), up])
    return LineFrame(axes, _origin(bay, stand.origin, epoch), axle_middle(bay, "rear", epoch), middle)


def _origin(bay: Bay, origin: str, epoch: str) -> Array:
    if origin in ("front_axle", "rear_axle"):
        return axle_middle(bay, origin.removesuffix("_axle"), epoch)
    if origin in [wheel.position for wheel in bay.wheels]:
        return reference_point(bay, origin, epoch)
    raise ValueError(f"unknown origin {origin!r}")


def alignment(bay: Bay, epoch: str = "rest") -> dict[str, float]:
    """Toe, camber, thrust angle, wheelbase, tracks and setback of the car in an epoch."""
    up = floor_plane(bay)[1]
    ahead = centreline_direction(bay, epoch)
    out: dict[str, float] = {}
    for axle in ("front", "rear"):
        left = yaw_between(ahead, forward_direction(bay, f"{axle}_left", epoch), up)
        right = yaw_between(ahead, forward_direction(bay, f"{axle}_right", epoch), up)
        out[f"{axle}_toe_left_deg"] = math.degrees(-left)
        out[f"{axle}_toe_right_deg"] = math.degrees(right)
        out[f"{axle}_total_toe_deg"] = math.degrees(right - left)
        gap = reference_point(bay, f"{axle}_left", epoch) - reference_point(bay, f"{axle}_right", epoch)
        out[f"{axle}_track_mm"] = float(gap @ np.cross(up, ahead))
        out[f"{axle}_setback_mm"] = float(gap @ ahead)
    for wheel in bay.wheels:
        axis = spin_axis(bay, wheel.position, epoch)
        out[f"{wheel.position}_camber_deg"] = math.degrees(math.asin(-float(axis @ up)))
    out["thrust_angle_deg"] = math.degrees(yaw_between(ahead, thrust_direction(bay, epoch), up))
    out["wheelbase_mm"] = float((axle_middle(bay, "front", epoch) - axle_middle(bay, "rear", epoch)) @ ahead)
    return out


def placement(bay: Bay, epoch: str) -> dict[str, float]:
    """The six figures of the target in a check epoch, from its pose."""
    stand = bay.epoch(epoch).stand
    if stand is None:
        raise ValueError(f"no stand is set up in epoch {epoch}")
    return line_frame(bay, stand, epoch).figures(bay.bay_from_target(epoch))


def figures(bay: Bay, check: str | None = "check-1") -> dict[str, float]:
    """All true figures by the names of the demo's table; without a check epoch only those of the car at rest."""
    return alignment(bay) | (placement(bay, check) if check else {})
