"""What a plan is made of, and the job that it would be."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from calib.geometry.intended import STANDOFF_MM, tape_between
from calib.geometry.intended_targets import Intended
from calib.paper.bay import BayPlan
from calib.paper.job import Job, Standoff, TapeDistance, WheelBoard
from vision.boards import BoardSet
from vision.camera import LensProfile
from vision.errors import MeasurementError
from vision.imagined import Light

WHEEL_BOARDS = {
    "rear_left": "wheel-rear-left",
    "rear_right": "wheel-rear-right",
    "front_left": "wheel-front-left",
    "front_right": "wheel-front-right",
}


@dataclass(frozen=True, slots=True, eq=False)
class Setting:
    """Everything a plan is made of; places of floor boards and photos are given (`calib.geometry.walk`).

    `targets` stand at the same time, in the sheet's order; mostly it is one. `touches` is the number of photos in which each
    mark is touched that no board shows.
    """

    bay: BayPlan
    targets: tuple[Intended, ...]
    boards: BoardSet
    lens: LensProfile
    light: Light
    touches: int = 6

    @property
    def words(self) -> str:
        """The targets in words."""
        (first, *others) = self.targets
        return " and ".join(target.name for target in self.targets) if others else first.sheet.target


def job_of(setting: Setting) -> Job:
    """The job that the setting would be."""
    bay, hands = setting.bay, setting.bay.by_hand
    missing = [board for board in WHEEL_BOARDS.values() if board not in setting.boards]
    if missing:
        raise MeasurementError(
            f"the board set has no {', '.join(missing)}",
            hint="take the starter set (bayfix boards new) or name the boards like it",
        )
    standoff = Standoff(STANDOFF_MM, hands.standoff_pm_mm)
    tapes: tuple[TapeDistance, ...] = ()
    if hands.tape_pm_mm is not None:
        a, b, mm = tape_between(bay)
        tapes = (TapeDistance(a, b, mm, hands.tape_pm_mm),)
    return Job(
        folder=Path(),
        lens=(),
        lens_for=(),
        boards=Path(),
        sheet=None,
        stand=None,
        floor=tuple(place.board for place in bay.floor),
        wheels=tuple(WheelBoard(wheel, board, standoff) for wheel, board in WHEEL_BOARDS.items()),
        distances=tapes,
        floor_pm_mm=hands.floor_pm_mm,
        standoff_common_pm_mm=0.0,
    )
