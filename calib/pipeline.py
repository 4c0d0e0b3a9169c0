"""The stations of the house in order, from the network's poses to a verdict; each station is one function.

poses -> floor -> wheels -> (stand-offs) -> alignment figures
poses -> floor -> wheels -> (stand-offs) -> target -> placement -> verdict -> moves
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtri

from calib.bodies import REST, body_of
from calib.decision.moves import Move, moves
from calib.decision.verdict import Judgement, Rule, Verdict, at_best_undecided, judge
from calib.geometry.flange import apply_flanges
from calib.geometry.floor import Flatness, floor_flatness, floor_plane
from calib.geometry.floor_map import FloorMap, floor_map
from calib.geometry.floor_shape import shows_wheel_plane, with_wheel_plane
from calib.geometry.placement import Placement, not_measured, placement
from calib.geometry.places import with_board_marks
from calib.geometry.stand import BoardGap, second_board_gaps, target_pose
from calib.geometry.unevenness import BelievedFloor, believed
from calib.geometry.vehicle import VehicleFigures, vehicle_figures
from calib.geometry.wheels import StandOff, WheelFit, WheelSpec, apply_standoffs, fit_wheels
from calib.paper.job import Job
from calib.paper.sheet import FIGURES, Sheet
from calib.paper.stand import Stand
from vision.boards import BoardSet
from vision.errors import MeasurementError
from vision.poses import PoseSet, pose_change

CAR_FALSE_ALARM = 1e-4
"""Probability that a wheel board that stayed is called moved."""
CAR_STAYED_MM = 0.5
CAR_STAYED_RAD = 5e-4
"""Below both the car is said to have stayed: no figure of a placement is touched by more than its U."""


@dataclass(frozen=True, slots=True, eq=False)
class Car:
    """The car as it stands in `rest`: poses with floor and spin axes, the roll fit, the alignment table, the floor."""

    poses: PoseSet
    fit: WheelFit
    figures: VehicleFigures
    flatness: Flatness
    floor: FloorMap
    uneven: BelievedFloor


@dataclass(frozen=True, slots=True)
class CarStayed:
    """A wheel board seen in a check, compared with `rest`."""

    board: str
    shift_mm: float
    u_shift_mm: float
    turn_rad: float
    moved: bool


@dataclass(frozen=True, slots=True, eq=False)
class CheckOutcome:
    """One measured placement with its verdict, what to move, and what was seen of the car and of a second stand board.

    `poses` are the bodies it was computed from: floor, spin axes and target among them.
    """

    placement: Placement
    judgement: Judgement
    moves: tuple[Move, ...]
    gaps: tuple[BoardGap, ...]
    stand_board: str
    poses: PoseSet


def car_of(poses: PoseSet, job: Job, boards: BoardSet, epochs: Sequence[str]) -> Car:
    """Floor, wheels and alignment figures from the network's poses.

    Parameters
    ----------
    poses : PoseSet
        `survey_from_board` of the survey, or of the survey after a check.
    epochs : sequence of str
        Epochs of the survey, `rest` last.

    Raises
    ------
    MeasurementError
        Floor or wheels cannot be had from these epochs; says what is missing.
    """
    floor = [name for name in job.floor if name in poses]
    with_floor, shape, uneven = floor_of(poses, job, boards, epochs)
    wheels = {wheel.wheel: WheelSpec(wheel.board) for wheel in job.wheels}
    standoffs = {
        wheel.wheel: StandOff(wheel.standoff.mm, wheel.standoff.pm_mm) for wheel in job.wheels if wheel.standoff is not None
    }
    fit = fit_wheels(with_floor, wheels, epochs, uneven.motion, standoffs=standoffs)
    known = {wheel: standoff for wheel, standoff in standoffs.items() if f"axle:{wheel}" in fit.poses}
    placed = apply_flanges(apply_standoffs(fit.poses, known, job.standoff_common_pm_mm), job.flanges)
    reference = {*known, *(wheel for wheel in job.flanges if f"axle:{wheel}" in fit.poses)}
    return Car(placed, fit, vehicle_figures(placed, reference), floor_flatness(poses, boards, floor), shape, uneven)


def floor_of(poses: PoseSet, job: Job, boards: BoardSet, epochs: Sequence[str]) -> tuple[PoseSet, FloorMap, BelievedFloor]:
    """The poses with the floor's plane, its shape as the boards show it, and how uneven it is taken to be.

    Raises
    ------
    MeasurementError
        No plane can be laid through the floor boards seen.
    """
    names = [name for name in job.floor if name in poses]
    with_floor = floor_plane(poses, boards, names, job.floor_pm_mm)
    shape = floor_map(with_floor, boards, names)
    wheels = [f"{board}@{epoch}" for board in job.wheel_boards().values() for epoch in epochs]
    seen = [body for body in wheels if body in poses]
    uneven = believed(with_floor, shape, seen, job.floor_pm_mm, typed=job.floor_typed)
    if uneven.pm_mm != job.floor_pm_mm:
        with_floor = floor_plane(poses, boards, names, uneven.pm_mm)
    return with_floor, shape, uneven


def check_of(
    car: Car,
    job: Job,
    sheet: Sheet,
    stand: Stand,
    boards: BoardSet,
    epoch: str,
    *,
    without: Collection[str] = (),
    car_shown: bool = True,
    rule: Rule = Rule.PROBABILITY,
) -> CheckOutcome:
    """Placement, verdict and moves of the stand in one check epoch.

    Parameters
    ----------
    without : collection of str
        Sources of uncertainty to leave out of U, to see their share.
    car_shown : bool
        Whether it was shown (or accepted with a reason) that the car stayed; else no figure conforms.

    Raises
    ------
    MeasurementError
        No stand board seen; a source to leave out that there is not.
    """
    body_of_board = {name: body_of(name, epoch, job.floor) for name in stand.names}
    seen = _stand_as_seen(car.poses, stand, body_of_board)
    poses = with_board_marks(target_pose(car.poses, seen, boards, body_of_board, sheet.side), sheet, boards)
    if sheet.height_from == "wheels" and shows_wheel_plane(poses, car.floor):
        poses = with_wheel_plane(poses, boards, car.floor, car.uneven.rougher)
    reasons = not_measured(poses, sheet, job.reference_known)
    wanted = [name for name in FIGURES if name not in reasons]
    measured = placement(poses, sheet, job.reference_known, wanted)
    if without:
        need_sources(without, measured.measured.parts)
        measured = Placement(measured.measured.without(without), measured.error.without(without))
    judgement = judge(measured, sheet, rule, {name: err.what for name, err in reasons.items()})
    if not car_shown:
        judgement = replace(judgement, verdict=at_best_undecided(judgement.verdict))
    gaps = second_board_gaps(car.poses, seen, boards, body_of_board)
    return CheckOutcome(measured, judgement, moves(measured, sheet, stand.pivot), gaps, seen.boards[0].board, poses)


def need_sources(without: Collection[str], known: Collection[str]) -> None:
    """Refuse a source of uncertainty that there is not.

    Raises
    ------
    MeasurementError
    """
    unknown = [source for source in without if source not in known]
    if unknown:
        raise MeasurementError(
            f"there is no source of uncertainty {unknown[0]!r} here", hint=f"sources: {', '.join(sorted(known))}"
        )


def car_stayed(poses: PoseSet, job: Job, boards: BoardSet, epoch: str) -> tuple[CarStayed, ...]:
    """Every wheel board seen in the check, compared with its place in `rest`; empty when none was seen."""
    out = []
    for name in job.wheel_boards().values():
        before, after = f"{name}@{REST}", f"{name}@{epoch}"
        if before not in poses or after not in poses:
            continue
        change = pose_change(poses, before, after, boards[name].centre_mm)
        score = float(change.value @ np.linalg.solve(change.cov, change.value))
        shift, turn = (float(np.linalg.norm(change.value[part])) for part in (slice(3, 6), slice(0, 3)))
        u_shift = 2.0 * math.sqrt(float(np.linalg.eigvalsh(change.cov[3:, 3:])[-1]))
        beyond = shift > CAR_STAYED_MM or turn > CAR_STAYED_RAD
        out.append(CarStayed(name, shift, u_shift, turn, score > chdtri(6, CAR_FALSE_ALARM) and beyond))
    return tuple(out)


def _stand_as_seen(poses: PoseSet, stand: Stand, body_of_board: Mapping[str, str]) -> Stand:
    """The stand with the first board that was seen in front: the others are compared with it."""
    seen = [entry for entry in stand.boards if body_of_board[entry.board] in poses]
    if not seen:
        names = ", ".join(stand.names)
        raise MeasurementError(
            f"no stand board was found in the photos of this check (looked for {names})",
            hint="photograph the stand from 2 to 3 m, 30° to 45° beside its normal, with its boards whole, lit and sharp",
        )
    rest = [entry for entry in stand.boards if entry is not seen[0]]
    return replace(stand, boards=(seen[0], *rest))


def undecided_reasons(judgement: Judgement) -> list[str]:
    """Names of the figures that are undecided, worst first."""
    open_figures = [figure for figure in judgement.figures if figure.verdict is Verdict.UNDECIDED]
    return [figure.name for figure in sorted(open_figures, key=lambda figure: figure.probability or 0.0)]
