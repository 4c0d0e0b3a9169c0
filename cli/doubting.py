"""What the photos contradict: asked of every adjusted network, cured where that is possible, told in any case."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from calib.bodies import ELSEWHERE, board_of, epoch_of_body
from calib.doubts import (
    EARLIER,
    Cure,
    Doubt,
    Guess,
    doubt_about,
    in_wrong_folder,
    opened,
    parted,
    stop,
    zoom_at,
)
from calib.paper.job import Job
from vision.boards import BoardSet
from vision.camera import LensProfile
from vision.errors import NetworkError
from vision.gather import SeenPhoto
from vision.network import Network, start_of
from vision.network_start import Start
from vision.observations import View
from vision.odd_photos import is_mirrored, restored, rougher, same_views, shown_at
from vision.rolling_shutter import steadied
from vision.row_drift import may_drift, settled_drift
from vision.snooping import snoop
from vision.suppositions import Moved, Sheared, Typed, Zoomed
from vision.zoom_break import zoom_placed

if TYPE_CHECKING:
    from cli.stations import Desk

MOST_CURES = 3
"""Faults cured one after another; a job with more of them should be photographed again."""
BENT = "bent: "
MIRRORED = "{0} is a mirror image, no board can be read in it: left out; switch mirroring off in the camera and take it again"
EMPTY = "{0}: no board was found in it: left out; take it again, boards whole, sharp and lit"
COPIED = "{0} is the same picture as {1}, saved again: left out; a copy adds nothing"
DRIFTING = (
    "the pictures drift from row to row by some {0:.1f} px over 1000 rows, as when the camera moves while they are read "
    "(rolling shutter): U allows for it; hold the camera still, arms on something firm"
)
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


@dataclass(frozen=True, slots=True, eq=False)
class Inquiry:
    """How views are adjusted with boards (from a start, if there is one; robustly or not; with photos that drift from row to
    row by so many px), and what is supposed of them."""

    job: Job
    lenses: Mapping[str, LensProfile]
    adjust: Callable[[Sequence[View], BoardSet, Start | None, bool, float], Network]
    guesses_of: Callable[[Sequence[View]], list[Guess]]
    row_drift_px: float = 0.0

    def adjusted(self, views: Sequence[View], boards: BoardSet, start: Start | None, robust: bool) -> Network:
        return self.adjust(views, boards, start, robust, self.row_drift_px)

    def doubt(self, network: Network, views: Sequence[View], boards: BoardSet) -> Doubt | None:
        """What the views contradict most; sightings left out that were only a little beside their place count again for it.

        A sighting that is left out contradicts nothing any more.
        """
        if network.rejected:
            misfiled(network, views, boards, self.lenses)
            again = restored(network, views, beside(network, views, boards, self.lenses))
            try:
                doubt = self._doubt_in(self.adjusted(again, boards, _start(network, again), False), again, boards)
            except NetworkError:
                doubt = None
            if doubt is not None:
                return doubt
            for rough in rougher(views):
                try:
                    doubt = self._doubt_in(self.adjusted(rough, boards, _start(network, rough), True), rough, boards)
                except NetworkError:
                    continue
                if doubt is not None:
                    return doubt
        return self._doubt_in(network, views, boards)

    def first(self, views: Sequence[View], boards: BoardSet) -> Network:
        """The first adjustment; where it does not settle, what a rougher one doubts is told instead.

        Raises
        ------
        MeasurementError
        """
        try:
            return self.adjusted(views, boards, None, True)
        except NetworkError as err:
            for rough in rougher(views):
                try:
                    doubt = self._doubt_in(self.adjusted(rough, boards, None, True), rough, boards)
                except NetworkError:
                    continue
                if doubt is not None:
                    raise stop(self.placed(doubt, views, boards)) from err
            raise

    def placed(self, doubt: Doubt, views: Sequence[View], boards: BoardSet) -> Doubt:
        """The doubt; of a zoom between two photos, with its moment and size told by adjusting without it."""
        what = doubt.found.what
        if not isinstance(what, Zoomed):
            return doubt

        def plainly(some: Sequence[View]) -> Network:
            return self.adjusted(some, boards, None, False)

        camera, size = self.lenses[what.lens].camera, float(doubt.found.value[0])
        try:
            return zoom_at(doubt, views, *zoom_placed(views, camera, what, size, plainly))
        except NetworkError:
            return doubt

    def _doubt_in(self, network: Network, views: Sequence[View], boards: BoardSet) -> Doubt | None:
        misfiled(network, views, boards, self.lenses)
        return doubt_in(network, self.guesses_of(views), boards, self.job, views)


def settled(views: Sequence[View], boards: BoardSet, inquiry: Inquiry) -> Settled:
    """Adjust, doubt, cure, and again, until nothing contradicts.

    Raises
    ------
    MeasurementError
        A doubt that stops the measurement; a photo in the wrong folder.
    """
    remarks: list[str] = []
    network = inquiry.first(views, boards)
    for _ in range(MOST_CURES):
        inquiry, network, doubt = doubted(inquiry, network, views, boards)
        if doubt is None:
            break
        if doubt.stops:
            raise stop(inquiry.placed(doubt, views, boards))
        remarks.append(f"{doubt.words}; {doubt.hint}")
        if doubt.cure is Cure.NONE:
            break
        views, boards = steadied(parted(views, doubt), doubt.drift_px), opened(boards, doubt)
        network = inquiry.adjusted(views, boards, _start(network, views), True)
    if inquiry.row_drift_px:
        remarks.append(DRIFTING.format(inquiry.row_drift_px))
    return Settled(network, tuple(views), boards, tuple(remarks))


def doubted(
    inquiry: Inquiry, network: Network, views: Sequence[View], boards: BoardSet
) -> tuple[Inquiry, Network, Doubt | None]:
    """What the views contradict most, and inquiry and network: with a drift of all photos where they ask for it and nothing
    else is left to doubt then.

    Whatever is wrong looks a little like drifting photos, and these like other faults: what is doubted in spite of the drift is
    wrong. Of the same fault it is told what the photos show without a drift, which would hide a part of it.
    """
    drifting = _drifting(inquiry, network, views, boards)
    if drifting is None:
        return inquiry, network, inquiry.doubt(network, views, boards)
    allowed = replace(inquiry, row_drift_px=drifting.state.row_drift_px)
    left = allowed.doubt(drifting, views, boards)
    if left is None:
        return allowed, drifting, None
    plain = inquiry.doubt(network, views, boards)
    return inquiry, network, plain if plain and _fault(plain) == _fault(left) else left


def _drifting(inquiry: Inquiry, network: Network, views: Sequence[View], boards: BoardSet) -> Network | None:
    """The network with a drift of all photos, where they ask for it."""

    def adjust(px: float) -> Network:
        return inquiry.adjust(views, boards, _start(network, views), True, px)

    try:
        return settled_drift(adjust) if may_drift(network) else None
    except NetworkError:
        return None


def _fault(doubt: Doubt) -> tuple[object, ...]:
    """What is doubted, without when and by how much."""
    what = doubt.found.what
    if isinstance(what, Moved):
        return (Moved, frozenset(what.later))
    if isinstance(what, Zoomed):
        return (Zoomed, what.lens)
    return (Typed, what.kind, what.of) if isinstance(what, Typed) else (Sheared,)


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


def beside(
    network: Network, views: Sequence[View], boards: BoardSet, lenses: Mapping[str, LensProfile]
) -> set[tuple[str, str]]:
    """(photo, body) of sightings left out that show their body only a little beside its place."""
    lost = {(r.photo, r.body) for r in network.rejected if r.body in network.bodies_seen}
    return {
        (view.photo, seen.body)
        for view in views
        for seen in view.seen
        if (view.photo, seen.body) in lost and shown_at(network, view, seen, [seen.body], boards, lenses)
    }


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
