"""The errors of targets that are measured together, with what they have in common: one survey, one car, one lens."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from calib.geometry.floor_shape import WHEEL_PLANE
from calib.geometry.lines import FLOOR, WHEELS, axle_body
from calib.geometry.mats import mat_places
from calib.geometry.placement import Placement, errors_of, figures_of
from calib.geometry.stand import TARGET
from calib.paper.sheet import Sheet
from vision.frames import Array, Estimate, Pose
from vision.poses import PoseSet

ITS_OWN = "#"
"""Between a body of one target ("target", "mark:a") and the number of that target."""


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """One target's placement; the sheet's marks are where they were measured."""

    sheet: Sheet
    placement: Placement


def set_aside(before: PoseSet, after: PoseSet, number: int) -> PoseSet:
    """The set with the bodies that one target brought in called its own, so that the next target can bring its in.

    The plane the wheels stand on is one for all targets.
    """
    own = set(after.bodies) - set(before.bodies) - {WHEEL_PLANE}
    poses = [
        Pose(pose.target, f"{pose.source}{ITS_OWN}{number}", pose.transform) if pose.source in own else pose for pose in after
    ]
    return PoseSet(tuple(poses), after.cov, after.parts)


def joint_errors(poses: PoseSet, placed: Sequence[Placed]) -> Estimate:
    """Measured − required of all targets with their joint covariance; names "0:distance_mm", by number and figure.

    Parameters
    ----------
    poses : PoseSet
        Of the car and floor, and of every target its own bodies (`set_aside`), all derived one upon another.
    """
    used = poses.of([body for body in poses.bodies if _is_used(body, placed)])
    names = [f"{i}:{name}" for i, one in enumerate(placed) for name in one.placement.error.names]

    def errors(state: PoseSet) -> Array:
        return np.concatenate([_errors(_of_target(state, i), one) for i, one in enumerate(placed)])

    return used.propagate(names, errors)


def _is_used(body: str, placed: Sequence[Placed]) -> bool:
    name, _, number = body.partition(ITS_OWN)
    if name in (FLOOR, WHEEL_PLANE, TARGET, *map(axle_body, WHEELS)):
        return True
    own = [placed[int(number)]] if number else placed
    return any(name in one.sheet.used_places for one in own)


def _of_target(state: PoseSet, number: int) -> dict[str, Pose]:
    """Bodies as this target sees them: its own by their plain names, without those of the others."""
    out = {}
    for pose in state:
        name, _, own = pose.source.partition(ITS_OWN)
        if own in ("", str(number)):
            out[name] = Pose(pose.target, name, pose.transform)
    return out


def _errors(poses: Mapping[str, Pose], one: Placed) -> Array:
    if one.sheet.kind == "mat":
        wanted = np.array([required.value for required in one.sheet.required])
        return np.asarray(mat_places(poses, one.sheet) - wanted, dtype=float)
    measured = figures_of(poses, one.sheet, one.placement.measured.names)
    errors = errors_of(measured, one.sheet)
    return np.array([errors[name] for name in one.placement.error.names])
