"""Mats on the floor: where their marked points lie along and beside the sheet's line, and how the whole mat is to be moved."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from calib.geometry.lines import FLOOR, REAR, WHEELS, Poses, along, axle_body, check_sides, need_axles, need_references, up
from calib.geometry.placement import Placement, line_wheels
from calib.geometry.places import check_line, need_places, origin_mm, place_mm, sheet_direction, zero_mm
from calib.paper.sheet import Sheet
from vision.frames import Array, Estimate
from vision.poses import PoseSet

MOVE = ("ahead_mm", "left_mm", "turn_rad")


@dataclass(frozen=True, slots=True, eq=False)
class MatMove:
    """How a mat lies beside its place, as a whole.

    Attributes
    ----------
    error : Estimate
        `MOVE`: measured − required of the middle of its marks, and the turn, + counter-clockwise seen from above.
    misfit : Estimate
        What the marks differ by besides, in the order of `Sheet.required`: a stretched mat, or a mark mistaken for another.
    """

    error: Estimate
    misfit: Estimate


def mat_placement(poses: PoseSet, sheet: Sheet, reference_known: Collection[str] = WHEELS) -> Placement:
    """Places of a mat's marks in the sheet's line frame, and their errors, with joint covariance.

    Parameters
    ----------
    poses : PoseSet
        Bodies "floor", "axle:…", and the points the sheet names.
    sheet : Sheet
        Of a mat; names of the figures are those of `Sheet.required`.

    Raises
    ------
    MeasurementError
        A mark was not touched; the sheet's line or origin cannot be had.
    """
    _need(poses, sheet, reference_known)
    bodies = [body for body in (FLOOR, *map(axle_body, WHEELS), *sheet.used_places) if body in poses]
    used = poses.of(bodies)
    if {axle_body(wheel) for wheel in REAR} <= set(bodies):
        check_sides(used, reference_known)
    required = np.array([one.value for one in sheet.required])

    measured = used.propagate(sheet.names, lambda state: mat_places(state, sheet))
    return Placement(measured, Estimate(sheet.names, measured.value - required, measured.cov, measured.parts))


def mat_places(poses: Poses, sheet: Sheet) -> Array:
    """Places of a mat's marks in the sheet's line frame, ahead and left of each, in the order of `Sheet.required`."""
    axes = along(sheet_direction(poses, sheet), up(poses))
    origin, zero = origin_mm(poses, sheet), zero_mm(poses, sheet)
    found = [place_mm(poses, sheet.place(mark.at)) for mark in sheet.marks]
    return np.array([part for at in found for part in ((at - origin) @ axes[:, 0], (at - zero) @ axes[:, 1])])


def mat_move(placement: Placement, sheet: Sheet) -> MatMove:
    """The shift and small turn that explain the errors of a mat's marks best, all marks alike (least squares).

    Notes
    -----
    With r the marks' required places from their middle: shift = mean error, turn = Σ r × e / Σ |r|².
    """
    arm = _arms_mm(sheet)
    n = len(arm)
    fit = np.zeros((3, 2 * n))
    fit[0, 0::2] = fit[1, 1::2] = 1.0 / n
    fit[2, 0::2], fit[2, 1::2] = -arm[:, 1] / np.sum(arm**2), arm[:, 0] / np.sum(arm**2)
    back = _shifts(arm)
    error = placement.error
    rest = np.eye(2 * n) - back @ fit
    return MatMove(
        error.through(MOVE, fit @ error.value, fit),
        error.through(error.names, rest @ error.value, rest),
    )


def mat_shift_mm(sheet: Sheet, ahead_mm: float, left_mm: float, turn_rad: float) -> Array:
    """What a move of the whole mat does to each of its marks, in the order of `Sheet.required`, shape (2 n,)."""
    return np.asarray(_shifts(_arms_mm(sheet)) @ [ahead_mm, left_mm, turn_rad], dtype=float)


def _arms_mm(sheet: Sheet) -> Array:
    """The marks' required places from their middle, shape (n, 2)."""
    places = np.array([one.value for one in sheet.required]).reshape(-1, 2)
    return np.asarray(places - places.mean(axis=0), dtype=float)


def _shifts(arm: Array) -> Array:
    """Marks' shifts by `MOVE`, shape (2 n, 3)."""
    back = np.zeros((2 * len(arm), 3))
    back[0::2, 0] = back[1::2, 1] = 1.0
    back[0::2, 2], back[1::2, 2] = -arm[:, 1], arm[:, 0]
    return back


def _need(poses: PoseSet, sheet: Sheet, reference_known: Collection[str]) -> None:
    if sheet.kind != "mat":
        raise ValueError(f"{sheet.name} is no mat")
    for mark in sheet.marks:
        need_places(poses, (sheet.place(mark.at),), f"mark {mark.name}")
    if sheet.line_places:
        need_places(poses, sheet.line_places, "the line")
        check_line(poses, sheet)
    if sheet.origin_place:
        need_places(poses, (sheet.origin_place,), "the origin")
    axles, references = line_wheels(sheet)
    references = (*references, *sheet.origin_wheels, *(() if sheet.line_places else REAR))
    need_axles(poses, tuple(dict.fromkeys((*axles, *references))), "the mat's place")
    need_references(tuple(dict.fromkeys(references)), reference_known, "the mat's place")
