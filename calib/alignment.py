"""The car before a target is placed: floor, wheels, lines, tyres, and all of it against the limits of its vehicle file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.decision.limits import LimitRow, judge_limits
from calib.decision.verdict import Rule
from calib.geometry import lines
from calib.geometry.floor_map import FloorMap, floor_map, slope_between
from calib.geometry.lines import FLOOR, WHEELS
from calib.geometry.tyres import tyre_figures
from calib.geometry.wheel_path import LEAST_WAY_MM, TRAVEL
from calib.geometry.wheels import Mode
from calib.paper.job import Job
from calib.paper.vehicle import LENGTHS, Vehicle
from calib.pipeline import Car
from vision.boards import BoardSet
from vision.frames import Array, Estimate

AHEAD_MM = 600.0
"""Floor boards further ahead of the front axle than this lie around the stand, the others under the car."""
NO_SLOPE = "not measured: three floor boards around the car and three ahead of it, not on a line, are needed"
NO_LINE = "not measured: stand-off missing, so nobody knows where the car ends"


@dataclass(frozen=True, slots=True, eq=False)
class Alignment:
    """Everything about the car as it stands in `rest`.

    Attributes
    ----------
    car : Car
    floor : FloorMap
    estimates : tuple of Estimate
        Floor, alignment table, tyres; names with unit.
    missing : dict of figure name without unit to str
        What could not be measured, and why.
    limits : tuple of LimitRow
        Empty without a vehicle file.
    """

    car: Car
    floor: FloorMap
    estimates: tuple[Estimate, ...]
    missing: dict[str, str]
    limits: tuple[LimitRow, ...]

    @property
    def blocking(self) -> tuple[LimitRow, ...]:
        """Limits that are not shown to be kept, and not overruled: no placement on this car conforms."""
        return tuple(row for row in self.limits if row.blocks)


def alignment(car: Car, job: Job, boards: BoardSet, vehicle: Vehicle | None = None, rule: Rule = Rule.PROBABILITY) -> Alignment:
    """Floor, wheels, lines and tyres of a measured car, judged by its vehicle file when there is one."""
    floor = floor_map(car.poses, boards, [name for name in job.floor if name in car.poses])
    missing = {figure.name: figure.reason for figure in car.figures.missing}
    estimates = [floor.departure()]
    slope = _slope(car, floor, job.reference_known)
    if isinstance(slope, Estimate):
        estimates.append(slope)
    else:
        missing |= {"floor_pitch": slope, "floor_roll": slope}
    rolled = [car.fit.rolling.of([TRAVEL])] if TRAVEL in car.fit.rolling.names else []
    tyres = tyre_figures(car.fit.rolling, dict(vehicle.tyres) if vehicle else None)
    estimates += [car.figures.estimate, *rolled, tyres]
    missing |= _not_rolled(car, [*tyres.names, *(name for way in rolled for name in way.names)])
    limits = judge_limits(vehicle, estimates, missing, rule) if vehicle else ()
    return Alignment(car, floor, tuple(estimates), missing, limits)


def _not_rolled(car: Car, measured: Sequence[str]) -> dict[str, str]:
    """What rolling alone shows and could not be had, with the reason."""
    out = {}
    for name in (TRAVEL.removesuffix("_rad"), *(name for name in LENGTHS if name.startswith("rolling_"))):
        if f"{name}_mm" in measured or f"{name}_rad" in measured:
            continue
        if car.fit.mode is not Mode.ROLLED:
            out[name] = f'not measured: not rolled (mode = "{car.fit.mode}")'
        elif TRAVEL.startswith(name):
            out[name] = f"not measured: not rolled far enough ({LEAST_WAY_MM / 1000.0:.1f} m)"
        else:
            needed = [wheel for wheel in WHEELS if wheel in name or _axle(wheel) in name or "front_minus_rear" in name]
            lost = [wheel for wheel in needed if lines.axle_body(wheel) not in car.poses]
            out[name] = f"not measured: no spin axis of the {', '.join(w.replace('_', ' ') for w in lost)} wheel"
    return out


def _axle(wheel: str) -> str:
    return f"difference_{wheel.split('_')[0]}"


def _slope(car: Car, floor: FloorMap, reference_known: Sequence[str]) -> Estimate | str:
    """How the floor around the stand leans against that under the car."""
    if not set(WHEELS) <= set(reference_known) or any(lines.axle_body(wheel) not in car.poses for wheel in WHEELS):
        return NO_LINE
    around_stand, ahead = stand_boards(car, floor)
    return slope_between(floor, list(~around_stand), list(around_stand), ahead, car.uneven.pm_mm) or NO_SLOPE


def stand_boards(car: Car, floor: FloorMap) -> tuple[NDArray[np.bool_], Array]:
    """Which floor boards lie around the stand rather than under the car, and the centreline's direction on the floor, (2,)."""
    floor_from_survey = car.poses[FLOOR].inverse()
    front = floor_from_survey.apply(lines.front_mid_mm(car.poses))[:2]
    ahead = (floor_from_survey.rotation @ lines.centreline_direction(car.poses))[:2]
    return np.asarray((floor.place_mm - front) @ ahead > AHEAD_MM, dtype=bool), ahead
