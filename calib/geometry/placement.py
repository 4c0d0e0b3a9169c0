"""Where the target stands in the line frame, and how far that is from what the sheet asks for."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from calib.geometry.floor_shape import WHEEL_PLANE
from calib.geometry.lines import (
    FLOOR,
    REAR,
    WHEELS,
    Poses,
    along,
    axle_body,
    check_sides,
    need_axles,
    need_references,
)
from calib.geometry.places import check_line, need_places, origin_mm, sheet_direction, zero_mm
from calib.geometry.stand import TARGET
from calib.geometry.unevenness import FEWEST
from calib.paper.sheet import FIGURES, Sheet
from vision.errors import MeasurementError
from vision.frames import Array, Estimate
from vision.poses import PoseSet

ANGLES = FIGURES[3:]


@dataclass(frozen=True, slots=True, eq=False)
class Placement:
    """One measured placement.

    Attributes
    ----------
    measured : Estimate
        Figures in the line frame, names from `FIGURES`: the distance is the signed x (negative behind the car); angles are
        those of line_from_target = Rz(yaw) Ry(pitch) Rx(roll).
    error : Estimate
        Measured − required of the figures the sheet gives, same names; angles are those of required_from_measured.
    """

    measured: Estimate
    error: Estimate


def placement(
    poses: PoseSet, sheet: Sheet, reference_known: Collection[str] = WHEELS, figures: Sequence[str] = FIGURES
) -> Placement:
    """Figures of the target in the sheet's line frame, and their errors, with joint covariance and its split by source.

    Parameters
    ----------
    poses : PoseSet
        Bodies "floor", "axle:…" (those that are known), "point:…" and "board:…" where the sheet names them, and "target" in one
        frame.
    sheet : Sheet
    reference_known : collection of str
        Wheels whose axle body has its origin at the wheel reference point (the stand-off is known).
    figures : sequence of str
        What to measure, names from `FIGURES`; leave out what `not_measured` names.

    Raises
    ------
    MeasurementError
        A figure asked for cannot be measured: spin axis or stand-off missing, target not seen, wheels exchanged.
    """
    reasons = not_measured(poses, sheet, reference_known)
    for name in figures:
        if name in reasons:
            raise reasons[name]
    if not figures:
        raise ValueError("no figure asked for")
    bodies = [body for body in (FLOOR, WHEEL_PLANE, *map(axle_body, WHEELS), *sheet.used_places, TARGET) if body in poses]
    used = poses.of(bodies)
    if {axle_body(wheel) for wheel in REAR} <= set(bodies):
        check_sides(used, reference_known)
    errors = [name for name in sheet.names if name in figures]
    names = [*figures, *(f"error_{name}" for name in errors)]

    def all_of(state: PoseSet) -> Array:
        measured = figures_of(state, sheet, figures)
        error = errors_of(measured, sheet)
        return np.array([*(measured[name] for name in figures), *(error[name] for name in errors)])

    joint = used.propagate(names, all_of)
    error = joint.of(names[len(figures) :])
    return Placement(joint.of(figures), Estimate(tuple(errors), error.value, error.cov, error.parts))


def figures_of(poses: Poses, sheet: Sheet, figures: Sequence[str] = FIGURES) -> dict[str, float]:
    """The figures alone, without covariance and without asking whether they can be had (`not_measured`).

    Angles come along whenever any figure beside the height is asked for.
    """
    survey_from_target = poses[TARGET]
    centre = survey_from_target.translation_mm
    floor = poses[FLOOR]
    base = poses[WHEEL_PLANE] if sheet.height_from == "wheels" and "height_mm" in figures else floor
    out = {"height_mm": float((centre - base.translation_mm) @ base.rotation[:, 2])}
    if set(figures) <= {"height_mm"}:
        return out
    axes = along(sheet_direction(poses, sheet), floor.rotation[:, 2])
    out.update(zip(ANGLES, euler(axes.T @ survey_from_target.rotation), strict=True))
    if "distance_mm" in figures:
        out["distance_mm"] = float((centre - origin_mm(poses, sheet)) @ axes[:, 0])
    if "lateral_mm" in figures:
        out["lateral_mm"] = float((centre - zero_mm(poses, sheet)) @ axes[:, 1])
    return out


def not_measured(poses: Poses, sheet: Sheet, reference_known: Collection[str]) -> dict[str, MeasurementError]:
    """Figures that cannot be had from these bodies, each with the reason."""
    axles, line_points = line_wheels(sheet)
    zero = () if sheet.line_places else REAR
    points = {"distance_mm": (*line_points, *sheet.origin_wheels), "lateral_mm": (*line_points, *zero), "height_mm": ()}
    reasons: dict[str, MeasurementError] = {}
    for name in FIGURES:
        wanted = points.get(name, line_points)
        needed = wanted if name == "height_mm" else tuple(dict.fromkeys((*axles, *wanted)))
        label = name.rsplit("_", 1)[0]
        try:
            if TARGET not in poses:
                raise MeasurementError("the target was not seen", hint="photograph a stand board together with floor boards")
            if name == "height_mm" and sheet.height_from == "wheels" and WHEEL_PLANE not in poses:
                need_axles(poses, WHEELS, "height above the plane the wheels stand on")
                raise MeasurementError(
                    "height is not measured: the floor boards are too few to show the plane the wheels stand on",
                    hint=f"lay {FEWEST} floor boards or more beside the car, near its wheels, and survey again",
                )
            if name != "height_mm" and sheet.line_places:
                need_places(poses, sheet.line_places, label)
                check_line(poses, sheet)
            if name == "distance_mm" and sheet.origin_place:
                need_places(poses, (sheet.origin_place,), label)
            need_axles(poses, needed, label)
            need_references(tuple(dict.fromkeys(wanted)), reference_known, label)
        except MeasurementError as err:
            reasons[name] = err
    return reasons


def line_wheels(sheet: Sheet) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Wheels whose spin axes, and wheels whose reference points, the sheet's line is made of."""
    if sheet.line_places:
        return (), ()
    return (REAR, ()) if sheet.line == "thrust" else (WHEELS, WHEELS)


def euler(rotation: Array) -> tuple[float, float, float]:
    """Yaw, pitch, roll of rotation = Rz(yaw) Ry(pitch) Rx(roll), rad; pitch within ±90°."""
    yaw = math.atan2(rotation[1, 0], rotation[0, 0])
    pitch = math.atan2(-rotation[2, 0], math.hypot(rotation[0, 0], rotation[1, 0]))
    roll = math.atan2(rotation[2, 1], rotation[2, 2])
    return yaw, pitch, roll


def from_euler(yaw_rad: float, pitch_rad: float, roll_rad: float) -> Array:
    """Rz(yaw) Ry(pitch) Rx(roll), shape (3, 3)."""
    (cy, sy), (cp, sp), (cr, sr) = ((math.cos(a), math.sin(a)) for a in (yaw_rad, pitch_rad, roll_rad))
    return np.array(
        [
            [cy * cp, cy * sp * sr - sy * cr, cy * sp * cr + sy * sr],
            [sy * cp, sy * sp * sr + cy * cr, sy * sp * cr - cy * sr],
            [-sp, cp * sr, cp * cr],
        ]
    )


def errors_of(measured: dict[str, float], sheet: Sheet) -> dict[str, float]:
    """Measured − required of the figures that are both measured and given.

    An angle the sheet leaves open counts as zero when it is pitch or roll, and as measured when it is yaw: so a free yaw does
    not leak into the errors of pitch and roll.
    """
    out = {name: measured[name] - sheet[name].value for name in sheet.names if name in measured and name not in ANGLES}
    if not all(name in measured for name in ANGLES):
        return out
    line_from_measured = from_euler(*(measured[name] for name in ANGLES))
    open_angles = {"yaw_rad": measured["yaw_rad"], "pitch_rad": 0.0, "roll_rad": 0.0}
    wanted = [sheet[name].value if name in sheet else open_angles[name] for name in ANGLES]
    turn = euler(from_euler(*wanted).T @ line_from_measured)
    out.update({name: angle for name, angle in zip(ANGLES, turn, strict=True) if name in sheet})
    return out
