"""Photos to sightings: read, match to a lens profile, find the boards; on all cores, and never twice for the same content."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from vision.boards import BoardSet
from vision.camera import Camera, LensProfile
from vision.detect import DEFAULTS, detect_boards, sightings_in
from vision.frames import Pose
from vision.kept import (
    PhotoFile,
    first_look_key,
    first_look_text,
    keep,
    kept_at,
    kept_find,
    kept_first_look,
    kept_second_look,
    photo_file,
    predicted_px,
    second_look_key,
    second_look_text,
)
from vision.parallel import in_parallel
from vision.photo_match import match_lens
from vision.photos import read_photo
from vision.sightings import PhotoSightings, Sighting


@dataclass(frozen=True, slots=True)
class PhotoTask:
    """One photo to look at.

    Attributes
    ----------
    name : str
        How messages and results call it.
    path : Path
    profiles : tuple of LensProfile
        Profiles to choose from; a single one is taken only when it fits the photo.
    """

    name: str
    path: Path
    profiles: tuple[LensProfile, ...]


@dataclass(frozen=True, slots=True, eq=False)
class SeenPhoto:
    """A photo's boards and the name of the lens profile it belongs to; `key` stands for all that the first look rested on."""

    path: Path
    lens: str
    sha256: str
    sightings: PhotoSightings
    key: str = ""

    @property
    def name(self) -> str:
        return self.sightings.photo


Expected = tuple[SeenPhoto, Camera, Mapping[str, Pose]]
"""A photo, its adjusted camera, and `cam_from_board` by board name of what other photos predict in it."""


def gather(
    tasks: Sequence[PhotoTask],
    boards: BoardSet,
    cache: Path | None = None,
    tick: Callable[[str], None] = lambda _name: None,
) -> list[SeenPhoto]:
    """Look at all photos; `tick` is called after each with its name. New sightings are kept in `cache` when all are done.

    Raises
    ------
    PhotoError, LensError
        A photo that cannot be read or fits no lens profile; nothing is returned and nothing kept then.
    """
    kept = [_kept(task, boards, cache) for task in tasks]
    looks = in_parallel(_look, [(task, boards) for task, seen in zip(tasks, kept, strict=True) if seen is None])
    out: list[SeenPhoto] = []
    new: dict[Path, str] = {}
    for seen in (seen or next(looks) for seen in kept):
        out.append(seen)
        if cache is not None and not kept_at(cache, seen.key).is_file():
            new[kept_at(cache, seen.key)] = first_look_text(seen.sightings, seen.lens)
        tick(seen.name)
    keep(new)
    return out


def look_again(
    photos: Sequence[Expected],
    boards: BoardSet,
    cache: Path | None = None,
    tick: Callable[[str], None] = lambda _name: None,
) -> tuple[list[SeenPhoto], dict[Path, str]]:
    """Second look at photos in which other photos predict boards that were not found.

    A board looked for before at the same place is not looked for again.

    Returns
    -------
    seen : list of SeenPhoto
        The same objects where nothing more was found.
    new : dict of Path to str
        What to keep (`vision.kept.keep`) so that these looks need not be taken again; nothing without a `cache`.
    """
    known = [_known_outcomes(one, boards, cache) for one in photos]
    missing = [
        (seen, camera, {board: pose for board, pose in predicted.items() if board not in have})
        for (seen, camera, predicted), have in zip(photos, known, strict=True)
    ]
    looks = in_parallel(_look_again, [(one, boards) for one in missing if one[2]])
    out: list[SeenPhoto] = []
    new: dict[Path, str] = {}
    for (seen, camera, predicted), have in zip(missing, known, strict=True):
        outcomes = dict(have)
        if predicted:
            outcomes |= next(looks)
            new |= _outcomes_to_keep(seen, camera, predicted, outcomes, boards, cache)
        out.append(_merged(seen, outcomes, boards))
        tick(seen.name)
    return out, new


def with_earlier_finds(photos: Sequence[SeenPhoto], boards: BoardSet, cache: Path) -> list[SeenPhoto]:
    """The photos with what kept second looks found in them, wherever the board was predicted then; nothing is looked at."""
    out = []
    for seen in photos:
        found = {sighting.board for sighting in seen.sightings.found}
        kept = {
            board.name: kept_find(cache, second_look_key(seen.key, board.name))
            for board in boards
            if board.name not in found and seen.key
        }
        out.append(_merged(seen, kept, boards))
    return out


def _kept(task: PhotoTask, boards: BoardSet, cache: Path | None) -> SeenPhoto | None:
    if cache is None or not cache.is_dir():
        return None
    file = photo_file(task.path)
    key = first_look_key(file, boards, task.profiles, DEFAULTS)
    found = kept_first_look(cache, key, task.name)
    return SeenPhoto(task.path, found[1], file.sha256, found[0], key) if found else None


def _look(work: tuple[PhotoTask, BoardSet]) -> SeenPhoto:
    task, boards = work
    file: PhotoFile = photo_file(task.path)
    photo = read_photo(task.path, name=task.name)
    profile = match_lens(photo, task.profiles)
    key = first_look_key(file, boards, task.profiles, DEFAULTS)
    return SeenPhoto(task.path, profile.name, file.sha256, sightings_in(photo, boards, profile.camera), key)


Outcomes = Mapping[str, Sighting | None]
"""What a second look found, by board name; None where it found nothing."""


def _known_outcomes(one: Expected, boards: BoardSet, cache: Path | None) -> Outcomes:
    seen, camera, predicted = one
    if cache is None or not seen.key:
        return {}
    out: dict[str, Sighting | None] = {}
    for board, pose in predicted.items():
        found = kept_second_look(cache, second_look_key(seen.key, board), predicted_px(pose, camera, boards[board]))
        if found is not None:
            out[board] = found[0] if found else None
    return out


def _outcomes_to_keep(
    seen: SeenPhoto, camera: Camera, predicted: Mapping[str, Pose], outcomes: Outcomes, boards: BoardSet, cache: Path | None
) -> dict[Path, str]:
    if cache is None or not seen.key:
        return {}
    return {
        kept_at(cache, second_look_key(seen.key, board)): second_look_text(
            seen.sightings, outcomes[board], predicted_px(pose, camera, boards[board])
        )
        for board, pose in predicted.items()
    }


def _look_again(work: tuple[Expected, BoardSet]) -> Outcomes:
    (seen, camera, predicted), boards = work
    photo = read_photo(seen.path, name=seen.name)
    wanted = BoardSet(tuple(board for board in boards if board.name in predicted))
    # Where the first look read markers of such a board, they may lead to it now that the lens is known better.
    marked = any(refusal.board in predicted for refusal in seen.sightings.refused)
    found, _ = detect_boards(photo.gray, wanted, camera, predicted=predicted, read=marked)
    return dict.fromkeys(predicted) | {sighting.board: sighting for sighting in found}


def _merged(seen: SeenPhoto, outcomes: Outcomes, boards: BoardSet) -> SeenPhoto:
    """The photo with what the second look found beside what was found before."""
    new = {board: sighting for board, sighting in outcomes.items() if sighting is not None}
    if not new:
        return seen
    old = seen.sightings
    have = new | {sighting.board: sighting for sighting in old.found}
    refused = tuple(refusal for refusal in old.refused if refusal.board not in have)
    return replace(seen, sightings=replace(old, found=tuple(_in_order(have, boards)), refused=refused))


def _in_order(have: Mapping[str, Sighting], boards: BoardSet) -> Iterable[Sighting]:
    return (have[board.name] for board in boards if board.name in have)
