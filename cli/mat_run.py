"""The stations of a mat's check: its marks on top of the survey, the car, their places, the verdict.

Without a mat file it needs no photos of its own: the marks are touched with the stylus once the mat lies. Boards on the mat,
whose places on it a mat file tells, show its marks in photos of a check.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Unpack

from calib.decision.floor_limits import judge_floor
from calib.decision.mat_moves import mat_moves, misfit_words
from calib.decision.verdict import Rule, at_best_undecided, judge, need_tolerance
from calib.geometry.mat_boards import MARK, MatFit, with_mat_marks
from calib.geometry.mats import mat_move, mat_placement
from calib.geometry.placement import Placement
from calib.geometry.places import with_board_marks
from calib.paper.mat import Mat
from calib.paper.sheet import Sheet
from calib.pipeline import Car, CarStayed, CheckOutcome, need_sources
from cli.car_stayed import car_in, reason_given, settled_words, unseen_words
from cli.check import CheckRun, How
from cli.check_run import Looked, moved_words, on_this_car, rule_of
from cli.kept_survey import Survey
from cli.points_kept import needed_points, read_points
from cli.stations import Desk, car_from
from cli.targets import Target
from cli.touching import points_on
from vision.errors import FileError


def run_mat(
    desk: Desk,
    sheet: Sheet,
    survey: Survey,
    given: Sequence[Path] = (),
    **how: Unpack[How],
) -> CheckRun:
    """Measure where the marks of a mat lie.

    Raises
    ------
    MeasurementError
        Photos were given; no tolerance on the sheet; a mark was not touched, or on another survey; no line or origin.
    """
    need_no_photo(sheet, given)
    need_tolerance(sheet)
    network, points = points_on(desk, survey, needed_points(desk.job, sheet))
    survey = replace(survey, state=network.state, points=(*survey.points, *points))
    car = car_from(desk, survey, network.poses)
    stayed = stayed_at_touches(desk, sheet)
    outcome, remarks = _judged(desk, sheet, car, stayed, how)
    outcome, told = on_this_car(desk, car, outcome)
    photos = tuple(dict.fromkeys(photo for row in _rows(desk, sheet) for photo in _photo_names(row)))
    unseen = unseen_words(stayed, how)
    epoch = f"mat-{sheet.name}" if sheet.name else "mat"
    return CheckRun(epoch, outcome, stayed, (), network, photos, (*unseen, *car.remarks, *remarks, *told))


def need_no_photo(sheet: Sheet, given: Sequence[Path]) -> None:
    """Refuse photos of a mat whose marks are all touched."""
    if given:
        raise FileError(
            f"{given[0]}: {sheet.name or sheet.target} is a mat, a photo of a check does not show where it lies",
            hint="touch its marks with the stylus: bayfix touch JOB NAME, then check without photos",
        )


def mat_in_photos(
    target: Target,
    looked: Looked,
    car: Car,
    **how: Unpack[How],
) -> CheckRun:
    """A mat in photos that were looked at; its touched marks are in the survey already.

    Raises
    ------
    MeasurementError
        The car moved; a mark was neither touched nor shown by a board; boards and marks that contradict each other; no line.
    """
    desk, sheet = target.desk, target.sheet
    network, moved = looked.adjusted
    stayed = car_in(desk, network, looked.epoch) or stayed_at_touches(desk, sheet)
    found = _by_boards(target, car, looked.epoch)
    marked, car = (sheet, car) if found is None else (marked_sheet(sheet, target.mat), replace(car, poses=found.poses))
    outcome, remarks = _judged(desk, marked, car, stayed, how)
    outcome, told = on_this_car(desk, car, outcome)
    if found is not None:
        outcome = replace(outcome, gaps=found.gaps)
        remarks += [*_unseen_words(target.mat, car, looked.epoch), *_board_words(found)]
    unseen = unseen_words(stayed, how)
    told = [*moved_words(moved, looked.views, desk), *settled_words(stayed), *unseen, *car.remarks, *remarks, *told]
    return CheckRun(looked.epoch, outcome, stayed, moved, network, tuple(view.photo for view in looked.views), tuple(told))


def _judged(desk: Desk, sheet: Sheet, car: Car, stayed: Sequence[CarStayed], how: How) -> tuple[CheckOutcome, list[str]]:
    shown = bool(stayed) or reason_given(how)
    return mat_outcome(desk, sheet, car, how.get("without", ()), car_shown=shown, rule=rule_of(how))


def _by_boards(target: Target, car: Car, epoch: str) -> MatFit | None:
    """Marks of the mat by its boards; None of a mat without boards."""
    if target.mat is None:
        return None
    bodies = {board: f"{board}@{epoch}" for board in target.mat.board_names if f"{board}@{epoch}" in car.poses}
    touched = {
        mark.name: target.sheet.place(mark.at)
        for mark in target.sheet.marks
        if mark.name in target.mat.mark_names and all(body in car.poses for body, _ in target.sheet.place(mark.at))
    }
    return with_mat_marks(car.poses, target.mat, target.desk.boards, bodies, touched)


def marked_sheet(sheet: Sheet, mat: Mat | None) -> Sheet:
    """The placement with the marks of the mat file measured by its boards; the others are touched."""
    by_boards = mat.mark_names if mat else ()
    marks = tuple(replace(mark, at=f"{MARK}{mark.name}") if mark.name in by_boards else mark for mark in sheet.marks)
    return replace(sheet, marks=marks)


def points_of(target: Target, survey: Survey) -> tuple[str, ...]:
    """Touched points that a target is made of; those of marks that boards show only if they were touched on this survey."""
    names = needed_points(target.desk.job, target.sheet)
    if target.mat is None:
        return names
    must = needed_points(target.desk.job, marked_sheet(target.sheet, target.mat))
    kept = {row["name"] for row in read_points(target.desk.job) if row["survey"]["id"] == survey.id}
    return tuple(name for name in names if name in must or name in kept)


def _unseen_words(mat: Mat | None, car: Car, epoch: str) -> list[str]:
    """Boards of the mat that no photo shows."""
    names = mat.board_names if mat else ()
    seen = [name for name in names if f"{name}@{epoch}" in car.poses]
    return [f"{name} was not seen: the mat's place comes from {' and '.join(seen)}" for name in names if name not in seen]


def _board_words(found: MatFit) -> list[str]:
    boards = "the mat is taken as rigid and flat between its boards and its marks"
    if not found.redundancy:
        return [f"{boards}; nothing checks the mat file: a second board, or a touched mark, does"]
    return [f"{boards}; what was seen and touched of it fits within {found.residual_mm:.1f} mm RMS"]


def mat_outcome(
    desk: Desk, sheet: Sheet, car: Car, without: Sequence[str], *, car_shown: bool, rule: Rule
) -> tuple[CheckOutcome, list[str]]:
    """Places, verdict and moves of a mat on a measured car, and what is to be said of its marks."""
    poses = with_board_marks(car.poses, sheet, desk.boards)
    placed = mat_placement(poses, sheet, desk.job.reference_known)
    if without:
        need_sources(without, placed.measured.parts)
        placed = Placement(placed.measured.without(without), placed.error.without(without))
    judgement = judge(placed, sheet, rule)
    floor = judge_floor(poses, car.floor, car.uneven.pm_mm, sheet, rule)
    if not car_shown or (any(row.blocks for row in floor) and desk.job.floor_overruled is None):
        judgement = replace(judgement, verdict=at_best_undecided(judgement.verdict))
    move = mat_move(placed, sheet)
    misfit = misfit_words(move, sheet)
    outcome = CheckOutcome(placed, judgement, mat_moves(move), (), "", poses, floor, car.uneven)
    return outcome, [misfit] if misfit else []


def stayed_at_touches(desk: Desk, sheet: Sheet) -> tuple[CarStayed, ...]:
    """Boards of the car seen while the sheet's points were touched, each where it was farthest from `rest`; none moved."""
    worst: dict[str, CarStayed] = {}
    for row in _rows(desk, sheet):
        for seen in row["car_seen"]:
            one = CarStayed(seen["board"], seen["shift_mm"], seen["U_shift_mm"], math.radians(seen["turn_deg"]), False)
            if one.board not in worst or worst[one.board].shift_mm < one.shift_mm:
                worst[one.board] = one
    return tuple(worst.values())


def _rows(desk: Desk, sheet: Sheet) -> list[dict[str, Any]]:
    return [row for row in read_points(desk.job) if row["name"] in sheet.touched_points]


def _photo_names(row: dict[str, Any]) -> list[str]:
    return [str(photo["name"]) for photo in row["photos"]]
