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
from calib.decision.floor_limits import FloorRow, judge_floor
from calib.decision.moves import Move, moves_of
from calib.decision.verdict import Judgement, Rule, at_best_undecided, boards_unsettled, judge
from calib.geometry.flange import apply_flanges
from calib.geometry.floor import Flatness, floor_flatness, floor_plane
from calib.geometry.floor_map import FloorMap, floor_map
from calib.geometry.floor_shape import WHEEL_PLANE, shows_wheel_plane, with_wheel_plane
from calib.geometry.floor_sides import one_sided
from calib.geometry.placement import Placement, not_measured, placement
from calib.geometry.places import with_board_marks
from calib.geometry.stand import BoardGap, second_board_gaps, target_pose
from calib.geometry.unevenness import BelievedFloor, believed
from calib.geometry.vehicle import VehicleFigures, vehicle_figures
from calib.geometry.wheel_data import CORNER_MM
from calib.geometry.wheel_path import roll_advice
from calib.geometry.wheels import Mode, MotionPrior, StandOff, WheelFit, WheelSpec, apply_standoffs, fit_wheels
from calib.paper.job import Job, WheelBoard
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


NOT_ROLLED: Mapping[Mode, tuple[str, ...]] = {
    Mode.ROLLED: (),
    Mode.SPIN: (
        "not rolled: the wheels were turned by hand on a lift; toe, camber and heights are those of hanging wheels, not of a "
        "car that stands on them",
    ),
    Mode.STATIC: (
        "not rolled: the spin axes are where the holders of the wheel boards are said to put them; how square and central they "
        "sit (mounting_pm_deg, centring_pm_mm) is in every U, and no photo checks it",
    ),
}


@dataclass(frozen=True, slots=True, eq=False)
class Car:
    """The car as it stands in `rest`: poses with floor and spin axes, the roll fit, the alignment table, the floor."""

    poses: PoseSet
    fit: WheelFit
    figures: VehicleFigures
    flatness: Flatness
    floor: FloorMap
    uneven: BelievedFloor

    @property
    def remarks(self) -> tuple[str, ...]:
        """What to mind about wheels and floor, as sentences."""
        sides = one_sided(self.poses, self.floor.boards)
        return (*NOT_ROLLED[self.fit.mode], *roll_advice(self.fit.rolling), *self.fit.remarks, *sides)


@dataclass(frozen=True, slots=True)
class CarStayed:
    """A board on a wheel or on the body seen in a check, compared with `rest`."""

    board: str
    shift_mm: float
    u_shift_mm: float
    turn_rad: float
    moved: bool
    on_body: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class CheckOutcome:
    """One measured placement with its verdict, what to move, and what was seen of the car and of a second stand board.

    `poses` are the bodies it was computed from: floor, spin axes and target among them. `floor` are the limits the sheet sets
    to the floor.
    """

    placement: Placement
    judgement: Judgement
    moves: tuple[Move, ...]
    gaps: tuple[BoardGap, ...]
    stand_board: str
    poses: PoseSet
    floor: tuple[FloorRow, ...]
    uneven: BelievedFloor


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
    wheels = {wheel.wheel: _spec(wheel, boards) for wheel in job.wheels}
    standoffs = {
        wheel.wheel: StandOff(wheel.standoff.mm, wheel.standoff.pm_mm) for wheel in job.wheels if wheel.standoff is not None
    }
    motion = MotionPrior.on_lift(job.turning.lift_pm_mm) if job.turning.mode is Mode.SPIN else uneven.motion
    fit = fit_wheels(
        with_floor,
        wheels,
        epochs,
        motion.settling(job.body.settle_pm_mm),
        standoffs=standoffs,
        mode=job.turning.mode,
        body_boards=job.body.boards,
    )
    known = {wheel: standoff for wheel, standoff in standoffs.items() if f"axle:{wheel}" in fit.poses}
    placed = apply_flanges(apply_standoffs(fit.poses, known, job.standoff_common_pm_mm), job.flanges)
    reference = {*known, *(wheel for wheel in job.flanges if f"axle:{wheel}" in fit.poses)}
    return Car(placed, fit, vehicle_figures(placed, reference), floor_flatness(poses, boards, floor), shape, uneven)


def _spec(wheel: WheelBoard, boards: BoardSet) -> WheelSpec:
    x, y, z = boards[wheel.board].centre_mm.tolist()
    return WheelSpec(wheel.board, (x, y, z), wheel.centring_pm_mm, wheel.mounting_pm_rad)


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
    if sheet.height_from == "wheels" and WHEEL_PLANE not in poses and shows_wheel_plane(poses, car.floor):
        poses = with_wheel_plane(poses, boards, car.floor, car.uneven.rougher)
    reasons = not_measured(poses, sheet, job.reference_known)
    wanted = [name for name in FIGURES if name not in reasons]
    measured = placement(poses, sheet, job.reference_known, wanted)
    if without:
        need_sources(without, measured.measured.parts)
        measured = Placement(measured.measured.without(without), measured.error.without(without))
    judgement = judge(measured, sheet, rule, {name: err.what for name, err in reasons.items()})
    floor = judge_floor(poses, car.floor, car.uneven.pm_mm, sheet, rule)
    floor_blocks = any(row.blocks for row in floor) and job.floor_overruled is None
    gaps = second_board_gaps(car.poses, seen, boards, body_of_board)
    if not car_shown or floor_blocks or boards_unsettled([gap.agrees for gap in gaps]):
        judgement = replace(judgement, verdict=at_best_undecided(judgement.verdict))
    step = moves_of(measured, sheet, stand)
    return CheckOutcome(measured, judgement, step, gaps, seen.boards[0].board, poses, floor, car.uneven)


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
    """Every board on wheels and body seen in the check, compared with its place in `rest`; empty when none was seen.

    A body may settle on its springs by what the job says before it counts as moved.
    """
    out = []
    for name in job.car_boards():
        before, after = f"{name}@{REST}", f"{name}@{epoch}"
        if before not in poses or after not in poses:
            continue
        change = pose_change(poses, before, after, boards[name].centre_mm)
        score = float(change.value @ np.linalg.solve(change.cov, change.value))
        shift, turn = (float(np.linalg.norm(change.value[part])) for part in (slice(3, 6), slice(0, 3)))
        u_shift = 2.0 * math.sqrt(float(np.linalg.eigvalsh(change.cov[3:, 3:])[-1]))
        on_body = name in job.body.boards
        settle_mm = job.body.settle_pm_mm if on_body else 0.0
        beyond = shift > max(CAR_STAYED_MM, settle_mm) or turn > max(CAR_STAYED_RAD, settle_mm / CORNER_MM)
        out.append(CarStayed(name, shift, u_shift, turn, score > chdtri(6, CAR_FALSE_ALARM) and beyond, on_body))
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
