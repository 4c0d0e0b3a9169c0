"""The stations of a budget: the survey adjusted anew with its single errors, the figure, and what they would do to it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from calib.bodies import known_boards, possible_bumps, view_of
from calib.decision.budget import budget, find_figure, printed_factor
from calib.decision.monte_carlo import Drawn, compare, draw
from calib.decision.verdict import Rule
from calib.geometry.floor_shape import WHEEL_PLANE
from calib.geometry.mat_boards import MARK
from calib.geometry.mats import mat_places
from calib.geometry.placement import figures_of
from calib.geometry.touch_slips import TouchSlip, touch_slips
from calib.geometry.vehicle import value_of
from calib.paper.job_state import open_placement
from calib.paper.sheet import Sheet, chosen, read_sheets
from calib.paper.stand import read_stand
from calib.pipeline import Car, CheckOutcome, check_of
from cli.budget import BudgetRun
from cli.check_inputs import states_of
from cli.check_run import looked_at, run_check
from cli.kept_survey import Survey
from cli.mat_run import marked_sheet, mat_in_photos, mat_outcome, need_no_photo, points_of
from cli.points_kept import needed_points
from cli.sheet_words import PLUS
from cli.stations import Desk, Tick, car_from, settled_survey
from cli.targets import desk_of, targets_of
from cli.touching import photo_of, points_on
from cli.wheels import for_programs
from vision.errors import MeasurementError
from vision.frames import Estimate, Pose
from vision.network import Network
from vision.reliability import PROBE, SingleError, Suspect, hidden, noncentrality, single_errors, with_probes
from vision.sightings_io import from_document

OBSERVED = 0.005
"""Share of an error that shows, below which nothing in the photos checks a typed value: it is taken on trust."""
CHECK_WORDS = {
    "distance_mm": "of a check: from the sheet's origin along its line to the target's centre",
    "lateral_mm": f"of a check: the target's centre from the line, {PLUS['lateral']}",
    "height_mm": "of a check: the target's centre above the floor",
    **{f"{name}_deg": f"of a check: {PLUS[name]}" for name in ("yaw", "pitch", "roll")},
}
TYPED = ("scale", "flatness", "lens", "tape")
IN_SURVEY, IN_TOUCH, OF_TIP, IN_CHECK = "survey", "touch", "tip", "check"


@dataclass(frozen=True, slots=True, eq=False)
class _Measured:
    """Everything a figure may be asked of: the car, the check when its figure was asked for, and what could be wrong."""

    car: Car
    outcome: CheckOutcome | None
    sheet: Sheet | None
    errors: Mapping[str, list[SingleError]]

    @property
    def estimates(self) -> list[Estimate]:
        placed = [self.outcome.placement.measured] if self.outcome else []
        return [*placed, self.car.figures.estimate, self.car.fit.rolling]


def typed_name(typed: str) -> str:
    """A figure as it is called in results, for one that was typed as it is printed: "thrust angle", "yaw"."""
    name = "_".join(typed.split())
    of_check = {printed.rsplit("_", 1)[0]: printed for printed in CHECK_WORDS}
    return of_check.get(name, name)


def of_a_check(figure: str) -> bool:
    """Whether a figure, as it is typed, is one of a check: it needs the sheet, the stand and photos of the target."""
    return figure in CHECK_WORDS


def placement_for(desk: Desk, figure: str, name: str | None) -> Sheet | None:
    """The placement whose check a figure is of: the one asked for, else the open one of the job, as `bayfix check` chooses.

    Returns
    -------
    Sheet or None
        None for a figure of the car, which needs no sheet.

    Raises
    ------
    MeasurementError
        Also: the placement is a mat, and the figure is of another target.
    """
    if not of_a_check(figure) and not figure.removesuffix("_mm").endswith(("_ahead", "_left")):
        return None
    if not of_a_check(figure) and desk.job.sheet is None:
        return None
    path = desk.job.need_sheet()
    sheets = read_sheets(path)
    sheet = chosen(sheets, path, name or open_placement(states_of(desk.job, sheets)))
    if sheet.kind != "mat":
        return sheet if of_a_check(figure) else None
    if of_a_check(figure):
        raise MeasurementError(
            f"{path}: {sheet.name or sheet.target} is a mat, placed by its marked points: it has no {figure}",
            hint=f"its figures: {', '.join(required.name for required in sheet.required)}",
        )
    return sheet if figure.removesuffix("_mm") in [one.name.removesuffix("_mm") for one in sheet.required] else None


def run_budget(
    desk: Desk,
    survey: Survey,
    figure: str,
    given: Sequence[Path],
    tick: Tick,
    *,
    sheet: Sheet | None = None,
    car_not_seen: str | None = None,
    draws: int = 0,
    seed: int = 1,
) -> BudgetRun:
    """The budget of one figure of the kept survey, or of a check by this placement (`placement_for`) on top of it.

    Raises
    ------
    MeasurementError
        No such figure, or it was not measured.
    """
    tick("network", "what could be wrong in the survey")
    network, errors = _survey_again(desk, survey)
    if sheet is not None:
        with_check = _with_mat if sheet.kind == "mat" else _with_check
        measured = with_check(desk, survey, (network, errors), given, tick, sheet, car_not_seen)
    else:
        probed, slips = _probed(desk, survey, network, errors, needed_points(desk.job))
        measured = _Measured(car_from(desk, probed, probed.state.pose_set()), None, None, slips)
    estimate, name = find_figure(figure, measured.estimates, _words_of(measured.car))
    labels = tuple(f"{label}:" for label in measured.errors)
    found = budget(estimate, name, [source for source in estimate.parts if not source.startswith(labels)])
    factor = printed_factor(name)
    rows = [
        (one, factor * move)
        for label, some in measured.errors.items()
        for one, move in zip(some, hidden(estimate, name, some, label), strict=True)
    ]
    seen = sorted((row for row in rows if not _on_trust(row[0])), key=lambda row: -row[1])
    trusted = tuple(one for one, _ in rows if _on_trust(one))
    drawn = None
    if draws:
        tick("network", f"{draws} draws")
        drawn = _drawn(measured, desk, name, (float(estimate.value[estimate.index(name)]), estimate.sigma(name)), draws, seed)
    return BudgetRun(found, tuple(seen), trusted, drawn, measured.sheet)


def _words_of(car: Car) -> dict[str, str]:
    """Figures that a person can ask for, as they are typed, with what they are."""
    rows = {f"{row.name}_{row.unit}": row.note for row in car.figures.figures}
    return {name: note for name, note in rows.items() if not for_programs(name)} | CHECK_WORDS


def _on_trust(one: SingleError) -> bool:
    return math.isinf(one.smallest) or (one.kind in TYPED and one.share < OBSERVED)


def _survey_again(desk: Desk, survey: Survey) -> tuple[Network, list[SingleError]]:
    """The survey's network from its kept sightings, cured as it was, and what could be wrong in it."""
    rows = {photo["name"]: photo for photo in survey.document["photos"]}
    epoch = {name: photo["epoch"] for name, photo in rows.items()}
    known = known_boards(desk.job, desk.stand)
    sightings = [from_document(document) for document in survey.document["sightings"]]
    views = [view_of(seen, rows[seen.photo]["lens"], epoch[seen.photo], desk.job, known) for seen in sightings]
    bumps = [Suspect(label, body, late) for label, body, late in possible_bumps(desk.job, epoch)]
    network = settled_survey(desk, views).network
    return network, single_errors(network, bumps)


def _with_check(
    desk: Desk,
    survey: Survey,
    surveyed: tuple[Network, list[SingleError]],
    given: Sequence[Path],
    tick: Tick,
    sheet: Sheet,
    car_not_seen: str | None,
) -> _Measured:
    probed, slips = _probed(desk, survey, *surveyed, needed_points(desk.job, sheet))
    run = run_check(desk, sheet, probed, given, tick, car_not_seen=car_not_seen)
    late = single_errors(run.network)
    state = with_probes(run.network.state, late, IN_CHECK)
    car = car_from(desk, probed, state.pose_set())
    outcome = check_of(car, desk.job, sheet, read_stand(desk.job.need_stand()), desk.boards, run.epoch)
    return _Measured(car, outcome, sheet, slips | {IN_CHECK: late})


def _with_mat(
    desk: Desk,
    survey: Survey,
    surveyed: tuple[Network, list[SingleError]],
    given: Sequence[Path],
    tick: Tick,
    sheet: Sheet,
    car_not_seen: str | None,
) -> _Measured:
    """As `_with_check`, of a mat: by the boards on it, by its touched marks, or by both."""
    sheets = read_sheets(desk.job.need_sheet())
    together = targets_of(desk, sheets, sheet, stand_given=False)
    target = next(one for one in together if one.sheet.name == sheet.name)
    probed, slips = _probed(desk, survey, *surveyed, points_of(target, survey))
    if target.mat is None:
        need_no_photo(sheet, given)
        car = car_from(desk, probed, probed.state.pose_set())
        outcome, _ = mat_outcome(desk, sheet, car, (), car_shown=True, rule=Rule.PROBABILITY)
        return _Measured(car, outcome, sheet, slips)
    looked = looked_at(desk_of((target,)), (target,), probed, given, tick)
    late = single_errors(looked.adjusted[0])
    car = car_from(desk, probed, with_probes(looked.adjusted[0].state, late, IN_CHECK).pose_set())
    run = mat_in_photos(target, looked, car, car_not_seen=car_not_seen)
    return _Measured(car, run.outcome, marked_sheet(sheet, target.mat), slips | {IN_CHECK: late})


def _probed(
    desk: Desk, survey: Survey, network: Network, errors: list[SingleError], names: Sequence[str]
) -> tuple[Survey, dict[str, list[SingleError]]]:
    """The survey and the touched points the figures are made of, single errors of both riding along; and these errors."""
    probed = replace(survey, state=with_probes(network.state, errors, IN_SURVEY))
    if not names:
        return probed, {IN_SURVEY: errors}
    touched, points = points_on(desk, probed, names)
    beside = [one for one in single_errors(touched) if not _held_by_hand(one)]
    slips = touch_slips(touched.poses, points, noncentrality(3))
    points = [
        replace(point, riders={f"{OF_TIP}:{k}": slip.rider(PROBE) for k, slip in enumerate(slips) if slip.point == point.name})
        for point in points
    ]
    state = with_probes(touched.state, beside, IN_TOUCH)
    found = {IN_SURVEY: errors, IN_TOUCH: beside, OF_TIP: [_tip_elsewhere(slip) for slip in slips]}
    return replace(probed, state=state, points=(*probed.points, *points)), found


def _held_by_hand(one: SingleError) -> bool:
    """A board that is a body of this photo alone: its own place takes such an error up, the tip's other photos tell of it."""
    body, _, photo = one.what.partition(" in ")
    return one.kind == "sighting" and body.endswith(f"@{photo}")


def _tip_elsewhere(slip: TouchSlip) -> SingleError:
    what = f"{slip.point} in {photo_of(slip.body)}"
    return SingleError("tip", what, "mm", slip.share, slip.smallest_mm, slip.statistic, slip.effect_mm)


def _placed(sheet: Sheet, name: str) -> Callable[[Mapping[str, Pose]], float]:
    if sheet.kind == "mat":
        return lambda state: float(mat_places(state, sheet)[sheet.names.index(name)])
    return lambda state: figures_of(state, sheet, [name])[name]


def _drawn(measured: _Measured, desk: Desk, name: str, told: tuple[float, float], draws: int, seed: int) -> Drawn:
    poses = measured.car.poses
    function: Callable[[Mapping[str, Pose]], float]
    if measured.outcome and measured.sheet and name in measured.outcome.placement.measured.names:
        poses, function = measured.outcome.poses, _placed(measured.sheet, name)
    elif name in measured.car.figures.estimate.names:
        function = value_of(name, desk.job.reference_known)
    else:
        raise MeasurementError(f"{name} is a by-product of the roll fit: no draws for it", hint="leave --draws away")
    whole = ("floor", "target", WHEEL_PLANE)
    bodies = [body for body in poses.bodies if body in whole or body.startswith(("axle:", "point:", "board:", MARK))]
    value, sigma = told
    return compare(draw(poses.of(bodies), function, draws, seed), value, 2.0 * sigma)
