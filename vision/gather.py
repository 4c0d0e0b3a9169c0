"""Photos to sightings: read, match to a lens profile, find the boards; on all cores, and never twice for the same content."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2

from vision.boards import BoardSet
from vision.camera import Camera, LensProfile
from vision.detect import DEFAULTS, detect_boards, sightings_in
from vision.frames import Pose
from vision.parallel import in_parallel
from vision.photo_match import match_lens
from vision.photos import read_photo
from vision.sightings import PhotoSightings, Sighting
from vision.sightings_io import from_document, to_document
from vision.toml_io import write_whole

CACHE_VERSION = "1"


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
    """A photo's boards and the name of the lens profile it belongs to."""

    path: Path
    lens: str
    sha256: str
    sightings: PhotoSightings

    @property
    def name(self) -> str:
        return self.sightings.photo


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
    work = [(task, boards, cache) for task in tasks]
    out, new = [], {}
    for seen, keep_at in in_parallel(_look, work):
        out.append(seen)
        if keep_at is not None:
            new[keep_at] = json.dumps(to_document(seen.sightings))
        tick(seen.name)
    _keep(new)
    return out


def look_again(
    photos: Sequence[tuple[SeenPhoto, Camera, Mapping[str, Pose]]],
    boards: BoardSet,
    tick: Callable[[str], None] = lambda _name: None,
) -> list[SeenPhoto]:
    """Second look at photos in which other photos predict boards (`cam_from_board` by board name) that were not found."""
    out = []
    for seen in in_parallel(_look_again, [(seen, camera, predicted, boards) for seen, camera, predicted in photos]):
        out.append(seen)
        tick(seen.name)
    return out


def kept_at(cache: Path, sha256: str, boards: BoardSet, camera: Camera) -> Path:
    """File of the sightings of a photo with this content, looked at for these boards with this camera."""
    recipe = repr((CACHE_VERSION, sha256, boards, camera.parameters.tolist(), DEFAULTS, cv2.__version__))
    return cache / f"{hashlib.sha256(recipe.encode()).hexdigest()[:32]}.json"


def _keep(new: Mapping[Path, str]) -> None:
    """Write all or, when stopped in the middle, none."""
    written: list[Path] = []
    try:
        for path, text in new.items():
            written.append(path)
            write_whole(path, text)
    except BaseException:
        for path in written:
            path.unlink(missing_ok=True)
        raise


def _look(work: tuple[PhotoTask, BoardSet, Path | None]) -> tuple[SeenPhoto, Path | None]:
    """The photo's boards, and where to keep them if they were not kept already."""
    task, boards, cache = work
    photo = read_photo(task.path, name=task.name)
    profile = match_lens(photo, task.profiles)
    sha = hashlib.sha256(task.path.read_bytes()).hexdigest()
    kept = kept_at(cache, sha, boards, profile.camera) if cache else None
    if kept is not None and kept.is_file():
        doc = json.loads(kept.read_text(encoding="utf-8"))
        return SeenPhoto(task.path, profile.name, sha, from_document(doc | {"photo": task.name})), None
    return SeenPhoto(task.path, profile.name, sha, sightings_in(photo, boards, profile.camera)), kept


def _look_again(work: tuple[SeenPhoto, Camera, Mapping[str, Pose], BoardSet]) -> SeenPhoto:
    seen, camera, predicted, boards = work
    photo = read_photo(seen.path, name=seen.name)
    wanted = BoardSet(tuple(board for board in boards if board.name in predicted))
    found, _ = detect_boards(photo.gray, wanted, camera, predicted=predicted)
    old = seen.sightings
    have = {sighting.board: sighting for sighting in old.found}
    if not any(sighting.board not in have for sighting in found):
        return seen
    for sighting in found:
        if sighting.board not in have or len(sighting.corner_ids) > len(have[sighting.board].corner_ids):
            have[sighting.board] = sighting
    refused = tuple(refusal for refusal in old.refused if refusal.board not in have)
    merged = PhotoSightings(old.photo, old.width_px, old.height_px, tuple(_in_order(have, boards)), refused)
    return SeenPhoto(seen.path, seen.lens, seen.sha256, merged)


def _in_order(have: Mapping[str, Sighting], boards: BoardSet) -> Iterable[Sighting]:
    return (have[board.name] for board in boards if board.name in have)
