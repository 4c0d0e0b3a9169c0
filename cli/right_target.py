"""Whether the photos of a check show the right target; if not, which one they show, as far as sheet and stand files know it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from calib.paper.target_identity import other_targets, owned_words
from cli.stations import Desk
from cli.targets import Target
from vision.errors import MeasurementError
from vision.gather import SeenPhoto
from vision.observations import View
from vision.strange import markers_in_words, strange_markers

Look = Callable[[Desk], Sequence[SeenPhoto]]


def need_target_seen(desk: Desk, targets: Sequence[Target], views: Sequence[View], epoch: str, look: Look) -> None:
    """Refuse photos that show no board of a target, or none of those the sheet knows it by: another one may be on the stand.

    Parameters
    ----------
    look : function of Desk to photos
        Looks at the same photos again, for the boards of another desk: what else they show is asked only when something lacks.

    Raises
    ------
    MeasurementError
        Names the target that is there instead, or the other boards that are seen.
    """
    seen = {s.board for view in views for s in view.seen}
    for target in (one for one in targets if one.boards):
        if not seen & set(target.boards):
            instead = _instead(desk, targets, target, seen, look)
            raise _not_seen(target, views, epoch, instead, [one for one in targets if seen & set(one.boards)])
        known_by = target.sheet.target_boards
        if known_by and not seen & set(known_by):
            raise _not_shown(target, views, _instead(desk, targets, target, seen, look))


def strangers(desk: Desk, look: Look) -> tuple[set[str], str]:
    """Boards of the set in the photos that nothing in this job carries, and what else is seen, as the end of a sentence."""
    known = {board.name for board in desk.in_use}
    opened = replace(desk, held=tuple(board.name for board in desk.boards if board.is_charuco and board.name not in known))
    photos = look(opened)
    strange = {s.board for photo in photos for s in photo.sightings.found} - known
    words = [f"other boards seen: {', '.join(sorted(strange))}"] if strange else []
    markers = markers_in_words(strange_markers([photo.path for photo in photos], desk.boards))
    words += [f"of no board in {desk.job.boards.name} are {markers}"] if markers else []
    return strange, "".join(f"; {one}" for one in words)


def _instead(desk: Desk, targets: Sequence[Target], target: Target, seen: set[str], look: Look) -> str:
    """What the photos show instead, as the end of a sentence."""
    strange, words = strangers(desk, look)
    checked = {board for one in targets for board in one.boards}
    owned = owned_words(sorted(strange | (seen - checked)), other_targets(target.desk.job, target.sheet, target.boards))
    if owned:
        return f"; {owned}: the wrong target is there"
    return words or "; no board of another target is seen"


def _not_seen(target: Target, views: Sequence[View], epoch: str, instead: str, others: Sequence[Target]) -> MeasurementError:
    names, photos = ", ".join(target.boards), ", ".join(view.photo for view in views)
    of_which = f" of {target.sheet.name}" if target.one_of_several else ""
    if target.mat is not None:
        return MeasurementError(
            f"no board of the mat {target.sheet.name} seen: looked for {names} in {photos} ({epoch}){instead}",
            hint="photograph the mat from 1.5 to 2.5 m, from both sides, its boards and floor boards in the picture; or "
            "touch its marks and take it out of [stands] in job.toml",
        )
    return MeasurementError(
        f"stand board{of_which} not seen: looked for {names} in {photos} ({epoch}){instead}",
        hint="photograph the stand from 2 to 3 m, 30° to 45° beside its normal, its boards whole, lit and sharp"
        + "".join(f"; to check {other.sheet.name} alone: {other.alone}" for other in others if not other.mat),
    )


def _not_shown(target: Target, views: Sequence[View], instead: str) -> MeasurementError:
    boards, photos = ", ".join(target.sheet.target_boards), ", ".join(view.photo for view in views)
    return MeasurementError(
        f"not shown to be the right target: {target.sheet.name or target.sheet.target} is known by {boards}, none of it is in "
        f"{photos}{instead}",
        hint="see that the right target is on the stand, and photograph its own board as well",
    )
