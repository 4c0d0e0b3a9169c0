"""The floor against what a sheet asks of it, by the same decision rule as a placement: said before anything else."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from calib.decision.verdict import COVERAGE, Rule, Verdict, conformance_probability, verdict_of
from calib.geometry.floor_map import FloorMap, slope_between
from calib.geometry.lines import FLOOR, FRONT, REAR, Poses, axle_body, need_axles
from calib.geometry.places import need_places, sheet_direction
from calib.paper.sheet import Sheet
from vision.errors import MeasurementError
from vision.frames import Array, Estimate

AWAY_MM = 600.0
"""Floor boards further from the axle on the target's side than this lie around the stand, the others under the car."""
FLATNESS = "floor_flatness_mm"
NO_SLOPE = "three floor boards under the car and three around the stand, not on a line, are needed"


@dataclass(frozen=True, slots=True)
class FloorRow:
    """One limit of the floor, rad or mm as its name says.

    Attributes
    ----------
    name : str
        "floor_pitch_rad" (+ falls away ahead), "floor_roll_rad" (+ higher on the car's left) or "floor_flatness_mm" (the board
        that stands out most from the plane through all, + upwards).
    most : float
        What it may be, either way.
    measured, U : float or None
        None when it was not measured; `reason` then says why.
    where : str
        Board of the flatness; "" for a slope.
    """

    name: str
    most: float
    measured: float | None
    U: float | None  # noqa: N815 - the trade's symbol
    probability: float | None
    verdict: Verdict
    where: str = ""
    reason: str = ""

    @property
    def blocks(self) -> bool:
        """Whether no placement on this floor conforms, unless it is overruled."""
        return self.verdict is not Verdict.CONFORMS


def judge_floor(
    poses: Poses, floor: FloorMap, uneven_pm_mm: float, sheet: Sheet, rule: Rule = Rule.PROBABILITY
) -> tuple[FloorRow, ...]:
    """Every limit a sheet sets to the floor; none when it sets none.

    Parameters
    ----------
    poses : Poses
        With "floor", spin axes and the places the sheet's line runs through.
    floor : FloorMap
    uneven_pm_mm : float
        Unevenness of the floor (k = 2): a few boards stand for a part of it.
    """
    limits = sheet.floor_limits.given
    rows = []
    slopes = [name for name in ("pitch_rad", "roll_rad") if name in limits]
    if slopes:
        found = _slope(poses, floor, uneven_pm_mm, sheet)
        for name in slopes:
            rows.append(_slope_row(f"floor_{name}", limits[name], found, rule))
    if "flatness_mm" in limits:
        rows.append(_flatness_row(floor, limits["flatness_mm"], rule))
    return tuple(rows)


def _slope_row(name: str, most: float, found: Estimate | str, rule: Rule) -> FloorRow:
    if isinstance(found, str):
        return FloorRow(name, most, None, None, None, Verdict.UNDECIDED, reason=found)
    value, u = float(found.value[found.index(name)]), found.sigma(name)
    probability = conformance_probability(value, u, -most, most)
    return FloorRow(name, most, value, COVERAGE * u, probability, verdict_of(value, u, -most, most, rule))


def _flatness_row(floor: FloorMap, most: float, rule: Rule) -> FloorRow:
    """The board that is least probably within the limit."""
    rows = []
    for i, board in enumerate(floor.boards):
        value, u = float(floor.heights.value[i]), math.sqrt(float(floor.heights.cov[i, i]))
        if not u > 0.0:
            # Of three boards each lies on the plane through them, whatever the floor does.
            return FloorRow(
                FLATNESS, most, None, None, None, Verdict.UNDECIDED, reason="more than three floor boards are needed"
            )
        probability = conformance_probability(value, u, -most, most)
        rows.append(FloorRow(FLATNESS, most, value, COVERAGE * u, probability, verdict_of(value, u, -most, most, rule), board))
    return min(rows, key=lambda row: (row.probability, -abs(row.measured or 0.0)))


def _slope(poses: Poses, floor: FloorMap, uneven_pm_mm: float, sheet: Sheet) -> Estimate | str:
    """How the floor around the stand leans against that under the car, along and across the sheet's line."""
    axle, away = (FRONT, 1.0) if sheet.side == "ahead" else (REAR, -1.0)
    try:
        need_axles(poses, (*REAR, *axle), "slope of the floor")
        for place in sheet.line_places:
            need_places(poses, (place,), "slope of the floor")
        ahead = _on_floor(poses, sheet_direction(poses, sheet))
    except MeasurementError as err:
        return err.what
    floor_from_survey = poses[FLOOR].inverse()
    middle = floor_from_survey.apply(np.mean([poses[axle_body(wheel)].translation_mm for wheel in axle], axis=0))[:2]
    around_stand = away * ((floor.place_mm - middle) @ ahead) > AWAY_MM
    found = slope_between(floor, list(~around_stand), list(around_stand), ahead, uneven_pm_mm)
    return f"slope of the floor is not measured: {NO_SLOPE}" if found is None else found


def _on_floor(poses: Poses, direction: Array) -> Array:
    flat = (poses[FLOOR].rotation.T @ direction)[:2]
    return np.asarray(flat / np.linalg.norm(flat), dtype=float)
