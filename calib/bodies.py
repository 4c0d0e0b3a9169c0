"""What moved when: floor boards keep their place through a job, wheel and stand boards have one body per epoch."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from itertools import pairwise

from calib.paper.epochs import epoch_order
from calib.paper.job import Job
from calib.paper.stand import Stand
from vision.errors import MeasurementError
from vision.observations import BodySighting, Distance, View
from vision.sightings import PhotoSightings, Rejected

REST = "rest"
SUSPECT_SIGHTINGS, SUSPECT_SHARE = 2, 1 / 3
"""A board that loses so many sightings is suspect itself, not its photos."""
ELSEWHERE = 20.0
"""Misfit over uncertainty that blur or a bad corner does not make: the board was somewhere else."""


def body_of(board: str, epoch: str, floor: Collection[str]) -> str:
    """Body name of a board in an epoch: floor boards are one body in all epochs."""
    return board if board in floor else f"{board}@{epoch}"


def held_body(board: str, photo: str) -> str:
    """Body name of a board held by hand: it is another body in every photo."""
    return f"{board}@{photo}"


def touch_view(seen: PhotoSightings, lens: str, epoch: str, job: Job, stylus: str, without: Collection[str] = ()) -> View:
    """A photo of the stylus: its board is a body of this photo alone; boards on floor and car tie it to both."""
    tying = {*job.floor, *job.car_boards()} - set(without)
    found = [BodySighting(body_of(s.board, epoch, job.floor), s) for s in seen.found if s.board in tying]
    held = [BodySighting(held_body(stylus, seen.photo), s) for s in seen.found if s.board == stylus]
    return View(seen.photo, lens, (*found, *held))


def board_of(body: str) -> str:
    return body.split("@", 1)[0]


def epoch_of_body(body: str) -> str:
    """Epoch of a body, "" for the floor boards."""
    return body.partition("@")[2]


def known_boards(job: Job, stand: Stand | None) -> set[str]:
    """Boards that belong to this job; others in the photos (the lens board, boards not listed) are passed over."""
    return {*job.floor, *job.car_boards(), *(stand.names if stand else ())}


def view_of(seen: PhotoSightings, lens: str, epoch: str, job: Job, boards: Collection[str]) -> View:
    """The photo's sightings of the job's boards as bodies of its epoch."""
    found = tuple(BodySighting(body_of(s.board, epoch, job.floor), s) for s in seen.found if s.board in boards)
    return View(seen.photo, lens, found)


def tape_distances(job: Job) -> tuple[Distance, ...]:
    return tuple(Distance(tape.a, tape.b, tape.mm, tape.pm_mm) for tape in job.distances)


def not_tied_in_words(groups: Sequence[Sequence[str]], job: Job, views: Sequence[View]) -> MeasurementError:
    """Which parts of the bay are not tied, in the words of the bay, and the photo that would tie them.

    Parameters
    ----------
    views : sequence of View
        What the photos show: boards to ask for are those seen beside a wheel near the corner to stand at.
    """
    parts = [_part_in_words(group, job) for group in groups]
    shown = "; ".join(f"{part}: {', '.join(group)}" for part, group in zip(parts, groups, strict=True))
    corner, axle = _corner_between(groups[0], groups[1], job)
    one, two = (_best_tie(group, job, axle, views) for group in groups[:2])
    return MeasurementError(
        f"{parts[0]} and {parts[1]} are not tied: no photo shows boards of both ({shown})",
        hint=f"add a photo {corner} showing {one} and {two} together",
    )


def _part_in_words(group: Iterable[str], job: Job) -> str:
    sides = {wheel for body in group for wheel, board in job.wheel_boards().items() if board_of(body) == board}
    epochs = {epoch_of_body(body) for body in group} - {""}
    if sides and all(wheel.endswith("left") for wheel in sides):
        return "the car's left side"
    if sides and all(wheel.endswith("right") for wheel in sides):
        return "the car's right side"
    if len(epochs) == 1 and not any(body in job.floor for body in group):
        return f"epoch {epochs.pop()}"
    return "one part of the bay"


def _corner_between(one: Sequence[str], two: Sequence[str], job: Job) -> tuple[str, str]:
    """Where to stand, and the axle near there ("" when it is not at a corner of the car)."""
    wheels = {wheel for body in (*one, *two) for wheel, board in job.wheel_boards().items() if board_of(body) == board}
    if any(w.endswith("left") for w in wheels) and any(w.endswith("right") for w in wheels):
        axle = "front" if any(w.startswith("front") for w in wheels) else "rear"
        return f"from the {axle} left corner", axle
    return "from further away", ""


def _best_tie(group: Sequence[str], job: Job, axle: str, views: Sequence[View]) -> str:
    """A board to ask for: the floor board most often seen beside the axle's wheels, since floor boards serve all epochs."""
    on_floor = [body for body in group if body in job.floor]
    if not on_floor:
        return board_of(group[0])
    wheels = {board for wheel, board in job.wheel_boards().items() if axle and wheel.startswith(axle)}
    beside = [seen for seen in ({s.body for s in view.seen} for view in views) if wheels & {board_of(body) for body in seen}]
    return max(on_floor, key=lambda body: sum(body in seen for seen in beside))


def suspicions(all_rejected: Sequence[Rejected], used: Iterable[tuple[str, str]], epoch: Mapping[str, str]) -> list[str]:
    """What left-out sightings hint at, in words: a board that is wrong everywhere, a photo in the wrong epoch.

    Parameters
    ----------
    used : iterable of (photo, body)
        Sightings that were used.
    epoch : mapping of photo to epoch
    """
    out = []
    lost: dict[str, list[Rejected]] = {}
    for rejected in all_rejected:
        lost.setdefault(board_of(rejected.body), []).append(rejected)
    count = Counter(board_of(body) for _, body in used)
    suspects = set()
    for board, rows in lost.items():
        seen = len(rows) + count[board]
        if len(rows) >= SUSPECT_SIGHTINGS and len(rows) >= SUSPECT_SHARE * seen:
            suspects.add(board)
            out.append(
                f"{board}: {len(rows)} of its {seen} sightings do not fit the other boards: measure its check bars, see that "
                "it is flat and that it is the board it says"
            )
    for rejected in all_rejected:
        board, when = board_of(rejected.body), epoch.get(rejected.photo, "")
        if when and epoch_of_body(rejected.body) == when and board not in suspects and rejected.misfit > ELSEWHERE:
            out.append(
                f"{rejected.photo}: {board} is not where the other photos of {when} have it: is the photo in the right folder, "
                "and did nothing move in this round?"
            )
        if when and not epoch_of_body(rejected.body) and board not in suspects and rejected.misfit > ELSEWHERE:
            out.append(
                f"{rejected.photo}: {board} is not where the other photos have it: left out there; was it carried about, or "
                "does the photo show another print of it, a screen or a mirror?"
            )
    return out


def possible_bumps(job: Job, epoch: Mapping[str, str]) -> list[tuple[str, str, frozenset[str]]]:
    """Floor boards that somebody may have kicked between two epochs: in words, the body, the photos taken after it.

    Parameters
    ----------
    epoch : mapping of photo to epoch
    """
    order = sorted(set(epoch.values()), key=epoch_order)
    out = []
    for board in job.floor:
        for before, after in pairwise(order):
            late = frozenset(photo for photo, when in epoch.items() if epoch_order(when) >= epoch_order(after))
            out.append((f"{board} moved between {before} and {after}", board, late))
    return out
