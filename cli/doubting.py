"""What the photos contradict: asked of every adjusted network, cured where that is possible, told in any case."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from calib.bodies import ELSEWHERE, board_of, epoch_of_body
from calib.doubts import EARLIER, Cure, Doubt, Guess, doubt_about, in_wrong_folder, opened, parted, stop
from calib.paper.job import Job
from vision.boards import BoardSet
from vision.camera import LensProfile
from vision.errors import NetworkError
from vision.gather import SeenPhoto
from vision.network import Network, start_of
from vision.network_start import Start
from vision.observations import View
from vision.odd_photos import blurred, is_mirrored, same_views, shown_at
from vision.snooping import snoop

if TYPE_CHECKING:
    from cli.stations import Desk

MOST_CURES = 3
"""Faults cured one after another; a job with more of them should be photographed again."""
BENT = "bent: "
MIRRORED = "{0} is a mirror image, no board can be read in it: left out; switch mirroring off in the camera and take it again"
EMPTY = "{0}: no board was found in it: left out; take it again, boards whole, sharp and lit"
COPIED = "{0} is the same picture as {1}, saved again: left out; a copy adds nothing"
FROM_ELSEWHERE = "the second adds little, take it 30° to 90° beside the first"


@dataclass(frozen=True, slots=True, eq=False)
class Settled:
    """A network, what it was adjusted from, and what had to be said."""

    network: Network
    views: tuple[View, ...]
    boards: BoardSet
    remarks: tuple[str, ...]


def doubt_in(network: Network, guesses: Sequence[Guess], boards: BoardSet, job: Job, views: Sequence[View]) -> Doubt | None:
    """What the network contradicts most, if anything."""
    if network.inside is None:
        raise ValueError("this network does not know what it was adjusted from")
    problem, solution = network.inside
    found = snoop(problem, solution, [guess.what for guess in guesses], network.state.variance_factor)
    return doubt_about(found, guesses, boards, network.poses, job, views)


def settled(
    views: Sequence[View],
    boards: BoardSet,
    job: Job,
    adjust: Callable[[Sequence[View], BoardSet, Start | None], Network],
    guesses_of: Callable[[Sequence[View]], list[Guess]],
) -> Settled:
    """Adjust, doubt, cure, and again, until nothing contradicts.

    Raises
    ------
    MeasurementError
        A doubt that cannot be cured and would pull a board by more than its U.
    """
    remarks: list[str] = []
    network = _adjusted(views, boards, job, adjust, guesses_of)
    for _ in range(MOST_CURES):
        doubt = doubt_in(network, guesses_of(views), boards, job, views)
        if doubt is None:
            break
        if doubt.stops:
            raise stop(doubt)
        remarks.append(f"{doubt.words}; {doubt.hint}")
        if doubt.cure is Cure.NONE:
            break
        views, boards = parted(views, doubt), opened(boards, doubt)
        network = adjust(views, boards, _start(network, views))
    return Settled(network, tuple(views), boards, tuple(remarks))


def _adjusted(
    views: Sequence[View],
    boards: BoardSet,
    job: Job,
    adjust: Callable[[Sequence[View], BoardSet, Start | None], Network],
    guesses_of: Callable[[Sequence[View]], list[Guess]],
) -> Network:
    """The first adjustment; where photos contradict each other so much that it does not settle, what a rough one doubts.

    Raises
    ------
    MeasurementError
    """
    try:
        return adjust(views, boards, None)
    except NetworkError as err:
        rough = blurred(views)
        try:
            network = adjust(rough, boards, None)
        except NetworkError:
            raise err from None
        doubt = doubt_in(network, guesses_of(rough), boards, job, rough)
        if doubt is None:
            raise
        raise stop(doubt) from err


def _start(network: Network, views: Sequence[View]) -> Start | None:
    """Where the adjusted network stands, a floor board's earlier place beside its present one; none if a body is new."""
    start = start_of(network)
    wanted = {s.body for view in views for s in view.seen}
    bodies = dict(start.bodies)
    for body in wanted - set(bodies):
        if body.endswith(f"@{EARLIER}") and board_of(body) in start.bodies:
            bodies[body] = start.bodies[board_of(body)]
    known = wanted <= set(bodies) and all(view.photo in start.photos for view in views if view.seen)
    return replace(start, bodies=bodies) if known else None


def misfiled(network: Network, views: Sequence[View], boards: BoardSet, lenses: Mapping[str, LensProfile]) -> None:
    """Refuse a photo that shows boards where another epoch has them; looked for where sightings had to be left out.

    Raises
    ------
    MeasurementError
        Names the photo and the folder it belongs into.
    """
    lost = {rejected.body for rejected in network.rejected if epoch_of_body(rejected.body) and rejected.misfit > ELSEWHERE}
    known = set(network.bodies_seen)
    for body in sorted(lost):
        others = sorted(other for other in known if board_of(other) == board_of(body) and other != body)
        for view in views:
            for seen in view.seen:
                there = shown_at(network, view, seen, others, boards, lenses) if seen.body == body else []
                if there:
                    raise in_wrong_folder(view.photo, body, there[0])


def _bent(seen: Sequence[SeenPhoto]) -> list[str]:
    """Boards that were refused as bent, in one sentence each."""
    found: dict[str, list[str]] = {}
    for photo in seen:
        for refusal in photo.sightings.refused:
            if refusal.reason.startswith(BENT):
                found.setdefault(refusal.board, []).append(f"{photo.name}: {refusal.reason.removeprefix(BENT).strip()}")
    return [
        f"{board} is bent, seen in {len(rows)} photo{'s' if len(rows) > 1 else ''} and left out there ({rows[0]}); glue it to "
        "something stiff and flat and take its photos again"
        for board, rows in found.items()
    ]


def odd_photos(desk: Desk, seen: Sequence[SeenPhoto], epoch: Mapping[str, str]) -> tuple[list[SeenPhoto], list[str]]:
    """The photos without copies saved again; what is to be said of mirror images, empty photos and photos from one place."""
    remarks = []
    for photo in seen:
        if not photo.sightings.found:
            mirrored = is_mirrored(photo, desk.in_use, desk.lenses[photo.lens])
            remarks.append(MIRRORED.format(photo.name) if mirrored else EMPTY.format(photo.name))
    remarks += _bent(seen)
    again: set[str] = set()
    near: list[str] = []
    for one in dict.fromkeys(epoch.values()):
        copies, places = same_views([photo.sightings for photo in seen if epoch[photo.name] == one])
        remarks += [COPIED.format(later, earlier) for earlier, later in copies if later not in again]
        again |= {later for _, later in copies}
        near += [f"{earlier} and {later}" for earlier, later in places if later not in again]
    if near:
        remarks.append(f"taken from one place: {'; '.join(near[:3])}{' …' if len(near) > 3 else ''}: {FROM_ELSEWHERE}")
    return [photo for photo in seen if photo.name not in again], remarks
