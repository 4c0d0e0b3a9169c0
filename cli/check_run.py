"""The stations of one check, in order: photos, moved floor boards, sequential adjustment, car, target, verdict."""

from __future__ import annotations

import functools
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Unpack

from calib.alignment import alignment
from calib.bodies import REST, board_of, epoch_of_body, not_tied_in_words, suspicions
from calib.decision.verdict import Rule, at_best_undecided, need_tolerance
from calib.doubts import Cure, Doubt, check_guesses, opened, stop, without_moved
from calib.paper.held_back import CAR_LIMITS
from calib.paper.sheet import Sheet
from calib.paper.stand import read_stand
from calib.paper.target_identity import need_right_target
from calib.paper.vehicle import read_vehicle
from calib.pipeline import Car, CheckOutcome, check_of
from cli.car_stayed import car_in, reason_given, settled_words, shown_to_stay, unseen_words
from cli.check import CheckRun, How
from cli.check_photos import check_photos, need_floor_board
from cli.doubting import MOST_CURES, doubt_in, odd_photos
from cli.kept_survey import Survey
from cli.right_target import need_target_seen
from cli.stations import Desk, Tick, car_from, look_at, looked_again, unfound, views_of
from cli.targets import STAND, Target, target_of
from vision.errors import MeasurementError
from vision.gather import SeenPhoto
from vision.moved import Moved, MovedSearch, find_moved
from vision.network import Network, NetworkState, adjust_network
from vision.network_start import NotTiedError, Start
from vision.observations import View
from vision.odd_photos import rougher
from vision.rolling_shutter import steadied

LEAST_FLOOR_BOARDS = 3


def run_check(
    desk: Desk,
    sheet: Sheet,
    survey: Survey,
    given: Sequence[Path],
    tick: Tick,
    **how: Unpack[How],
) -> CheckRun:
    """Measure one placement on top of the survey.

    Raises
    ------
    MeasurementError
        No tolerance on the sheet, no photo, stand or floor boards not seen, the car moved, too few floor boards stayed.
    """
    need_right_target(sheet, desk.job, read_stand(desk.job.need_stand()), desk.job.need_stand())
    target = target_of(desk, sheet)
    looked = looked_at(desk, (target,), survey, given, tick)
    run = outcome_of(
        desk,
        sheet,
        survey,
        looked.epoch,
        looked.views,
        looked.adjusted,
        **how,
    )
    return replace(run, remarks=(*looked.told_of(target), *run.remarks))


@dataclass(frozen=True, slots=True, eq=False)
class Looked:
    """Photos of one or more targets, looked at and adjusted on top of the survey."""

    epoch: str
    seen: tuple[SeenPhoto, ...]
    views: tuple[View, ...]
    adjusted: tuple[Network, tuple[Moved, ...]]
    remarks: tuple[str, ...]

    def told_of(self, target: Target) -> tuple[str, ...]:
        """What is to be said of the photos, and of boards of this target that could not be used."""
        left_out = [
            f"{photo.name}: {r.board} left out: {r.reason}"
            for photo in self.seen
            for r in photo.sightings.refused
            if r.board in target.boards
        ]
        return (*self.remarks, *left_out)


def looked_at(desk: Desk, targets: Sequence[Target], survey: Survey, given: Sequence[Path], tick: Tick) -> Looked:
    """One set of photos of targets that stand at the same time, all in one adjustment.

    Parameters
    ----------
    desk : Desk
        Looks for the boards of all targets.

    Raises
    ------
    MeasurementError
        As `run_check`, of any of the targets.
    """
    for target in targets:
        need_tolerance(target.sheet)
    epoch, paths, names = check_photos(desk, given)
    when = dict.fromkeys(names, epoch)
    seen, remarks = look_at(desk, paths, names, tick)
    seen, odd = odd_photos(desk, seen, when)
    views = views_of(desk, seen, when)
    need_target_seen(desk, targets, views, epoch, look=lambda opened: look_at(opened, paths, names, tick)[0])
    need_floor_board(desk, targets, views, epoch)
    tick("network", "what moved since the survey")
    carriers = {target.carrier: target.boards for target in targets if target.boards}
    network, moved, told = looked_into(desk, survey, views, epoch, carriers)
    again = unfound(desk, seen, network, _there(network, epoch, {m.body for m in moved}))
    more, _ = looked_again(desk, again, seen, tick)
    if more != seen:
        seen = more
        views = views_of(desk, seen, when)
        network, moved, told = looked_into(desk, survey, views, epoch, carriers)
    remarks = [*remarks, *odd, *told, *suspicions(network.rejected, network.rms_px, when)]
    return Looked(epoch, tuple(seen), tuple(views), (network, moved), tuple(remarks))


def outcome_of(
    desk: Desk,
    sheet: Sheet,
    survey: Survey,
    epoch: str,
    views: Sequence[View],
    adjusted: tuple[Network, tuple[Moved, ...]],
    *,
    car: Car | None = None,
    **how: Unpack[How],
) -> CheckRun:
    """From the check's network and what moved to the verdict.

    Parameters
    ----------
    car : Car, optional
        By this network, if it is known already (`cli.stations.car_from`).

    Raises
    ------
    MeasurementError
        The car moved.
    """
    network, moved = adjusted
    stand = read_stand(desk.job.need_stand())
    remarks = moved_words(moved, views, desk)
    stayed = car_in(desk, network, epoch)
    remarks += [*settled_words(stayed), *unseen_words(stayed, how)]
    car = car or car_from(desk, survey, network.poses)
    remarks += car.remarks
    outcome = check_of(
        car,
        desk.job,
        sheet,
        stand,
        desk.boards,
        epoch,
        without=how.get("without", ()),
        car_shown=shown_to_stay(stayed, sheet) or reason_given(how),
        rule=rule_of(how),
    )
    outcome, told = on_this_car(desk, car, outcome)
    remarks += told
    if outcome.stand_board != stand.boards[0].board:
        remarks.append(f"{stand.boards[0].board} was not seen: the target's place comes from {outcome.stand_board}")
    if len(views) == 1:
        remarks.append("one photo: stand 30° to 45° beside the target's normal, or add a second photo from the other side")
    return CheckRun(epoch, outcome, stayed, moved, network, tuple(view.photo for view in views), tuple(remarks))


def rule_of(how: How) -> Rule:
    return Rule.GUARD_BAND if how.get("guard_band") else Rule.PROBABILITY


def on_this_car(desk: Desk, car: Car, outcome: CheckOutcome) -> tuple[CheckOutcome, list[str]]:
    """A car that is not shown to be within the limits of its vehicle file: no placement on it conforms, unless overruled."""
    if desk.job.vehicle is None:
        return outcome, []
    found = alignment(car, desk.job, desk.boards, read_vehicle(desk.job.vehicle))
    told = [
        f"limit of {row.name.replace('_', ' ')} overruled by {row.overruled.by}: {row.overruled.reason}"
        for row in found.limits
        if row.overruled
    ]
    if found.blocking:
        names = ", ".join(row.name.replace("_", " ") for row in found.blocking)
        told.append(
            f"{CAR_LIMITS} ({names}): put it right first, or overrule the limit with a reason "
            f"in {desk.job.vehicle.name}; see: bayfix vehicle {desk.job.folder}"
        )
        verdict = at_best_undecided(outcome.judgement.verdict)
        outcome = replace(outcome, judgement=replace(outcome.judgement, verdict=verdict))
    return outcome, told


def on_survey(desk: Desk, survey: Survey, views: Sequence[View]) -> tuple[Network, tuple[Moved, ...]]:
    """The check's photos on top of the survey, with the floor boards that moved since freed.

    Raises
    ------
    MeasurementError
        Not tied to the survey; too few floor boards stayed.
    """
    found = _search(desk, survey, views)
    _need_enough(desk, views, found.moved)
    return found.network, found.moved


def looked_into(
    desk: Desk, survey: Survey, views: Sequence[View], epoch: str, carriers: Mapping[str, Collection[str]] | None = None
) -> tuple[Network, tuple[Moved, ...], tuple[str, ...]]:
    """As `on_survey`; what else the photos contradict is cured or told.

    Parameters
    ----------
    carriers : mapping of str to names of boards, optional
        What carries boards and may have moved by itself, as for `check_guesses`; without it the job's stand.

    Raises
    ------
    MeasurementError
        Also: the stand or the car moved between the photos, or the lens was zoomed.
    """
    carriers = carriers or {STAND: read_stand(desk.job.need_stand()).names}
    remarks: list[str] = []
    for _ in range(MOST_CURES):
        found = _search(desk, survey, views)
        doubt = _doubt(desk, survey, views, found, carriers, epoch)
        if doubt is None or doubt.since_survey:
            break
        if doubt.stops:
            raise stop(doubt)
        remarks.append(f"{doubt.words}; {doubt.hint}")
        if doubt.cure is Cure.NONE:
            break
        views = steadied(without_moved(views, doubt), doubt.drift_px)
        desk = replace(desk, boards=opened(desk.boards, doubt))
    else:
        found = _search(desk, survey, views)
    _need_enough(desk, views, found.moved)
    return found.network, found.moved, tuple(remarks)


def _doubt(
    desk: Desk,
    survey: Survey,
    views: Sequence[View],
    found: MovedSearch,
    carriers: Mapping[str, Collection[str]],
    epoch: str,
) -> Doubt | None:
    """What the check contradicts most with no floor board freed; with sightings left out, as a rougher look sees it."""
    looks = [(list(views), found)]
    if found.network.rejected:
        looks = [(rough, _search(desk, survey, rough)) for rough in rougher(views)] + looks
    for some, search in looks:
        doubt = doubt_in(search.unfreed, check_guesses(some, desk.job, carriers, epoch), desk.boards, desk.job, some)
        if doubt is not None:
            return doubt
    return None


def _search(desk: Desk, survey: Survey, views: Sequence[View]) -> MovedSearch:
    try:
        return find_moved(views, desk.job.floor, desk.boards, survey.state, functools.partial(_adjust_on, desk))
    except NotTiedError as err:
        raise not_tied_in_words(err.groups, desk.job, views) from err


def _need_enough(desk: Desk, views: Sequence[View], moved: Sequence[Moved]) -> None:
    stayed = [name for name in _floor_seen(desk, views) if name not in {m.body for m in moved}]
    if moved and len(stayed) < LEAST_FLOOR_BOARDS:
        names = " and ".join(f"{m.body} (by {m.shift_mm:.1f} mm)" for m in moved)
        raise MeasurementError(
            f"{names} moved since the survey, and only {len(stayed)} other floor boards are seen: too few to say what stayed",
            hint="take another photo that shows at least four floor boards, or survey again",
        )


def _adjust_on(
    desk: Desk, views: Sequence[View], prior: NetworkState, *, robust: bool, start: Start | None, whole: bool
) -> Network:
    return adjust_network(views, desk.boards, desk.lenses, prior=prior, robust=robust, start=start, whole=whole)


def _there(network: Network, epoch: str, moved: Collection[str]) -> dict[str, str]:
    """Bodies a photo of this check can show: floor boards that stayed, wheel boards where `rest` left them, the stand."""
    epochs = ("", REST, epoch)
    there = {body: board_of(body) for body in network.poses.bodies if body not in moved and epoch_of_body(body) in epochs}
    now = {board for body, board in there.items() if epoch_of_body(body) == epoch}
    return {body: board for body, board in there.items() if not (epoch_of_body(body) == REST and board in now)}


def _floor_seen(desk: Desk, views: Sequence[View]) -> list[str]:
    seen = {s.board for view in views for s in view.seen}
    return [name for name in desk.job.floor if name in seen]


def moved_words(moved: Sequence[Moved], views: Sequence[View], desk: Desk) -> list[str]:
    """Floor boards that moved since the survey."""
    out = [f"{board_of(m.body)} moved by {m.shift_mm:.1f} mm since the survey: left out of this check" for m in moved]
    seen = len(_floor_seen(desk, views))
    if len(moved) > 1:
        out.append(
            f"{len(moved)} of {seen} floor boards seen moved: take another photo that shows more floor boards, "
            "and find out what touched them"
        )
    return out
