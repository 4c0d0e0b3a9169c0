"""Sightings kept by content: what was seen in a photo is never looked for twice under the same circumstances.

A first look rests on the photo's content (and its side file), the boards looked for, the lens profiles to choose from, the
settings and this program's way of looking. A second look for one board rests on the same and on where the board was predicted:
it counts while every corner is predicted near where it was. What was found is in the photo, whatever led to it; that nothing
was found counts for the place itself only.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from vision.boards import Board, BoardSet
from vision.camera import Camera, LensProfile
from vision.frames import Array, Pose
from vision.judging import Settings
from vision.photos import read_bytes, side_file
from vision.sightings import PhotoSightings, Sighting
from vision.sightings_io import from_document, to_document
from vision.toml_io import write_whole

LOOKS = "11"
"""To be raised with every change of what a look finds: nothing kept before counts any longer."""
STILL_FOUND_PX = 3.0
"""The standard deviation that a look allows its prediction."""
STILL_NOTHING_PX = 1.0
"""A third of it."""


@dataclass(frozen=True, slots=True)
class PhotoFile:
    """A photo's bytes as far as keeping goes: `sha256` of the file, and of the side file beside it ("" without one)."""

    sha256: str
    side_sha256: str = ""


def photo_file(path: Path) -> PhotoFile:
    """Fingerprint of a photo as it lies there.

    Raises
    ------
    PhotoError
        Missing, empty or unreadable.
    """
    side = side_file(path)
    return PhotoFile(_sha256(path), _sha256(side) if side.is_file() else "")


def first_look_key(photo: PhotoFile, boards: BoardSet, profiles: Sequence[LensProfile], settings: Settings) -> str:
    """Fingerprint of all that a first look rests on."""
    lenses = [
        (
            p.name,
            (p.camera.width_px, p.camera.height_px, p.camera.parameters.tolist()),
            (p.make, p.model, p.focal_length_mm, p.device),
        )
        for p in profiles
    ]
    return _fingerprint(LOOKS, photo, boards, lenses, settings, cv2.__version__)


def second_look_key(first: str, board: str) -> str:
    return _fingerprint(first, board)


def kept_at(cache: Path, key: str) -> Path:
    return cache / f"{key}.json"


def first_look_text(seen: PhotoSightings, lens: str) -> str:
    return json.dumps({"lens": lens, "sightings": to_document(seen)})


def kept_first_look(cache: Path, key: str, name: str) -> tuple[PhotoSightings, str] | None:
    """What was seen, under the photo's present name, and the name of its lens profile; None when not kept."""
    doc = _read(kept_at(cache, key))
    return (from_document(doc["sightings"] | {"photo": name}), doc["lens"]) if doc else None


def predicted_px(pose: Pose, camera: Camera, board: Board) -> Array:
    """Where a look at a predicted board starts: its corners (n, 2), NaN for those outside the photo."""
    px = camera.project(pose.apply(board.corners_mm()))
    inside = np.asarray(((px >= 0) & (px <= [camera.width_px - 1, camera.height_px - 1])).all(axis=1))
    return np.where(inside[:, None], px, np.nan)


def second_look_text(seen: PhotoSightings, found: Sighting | None, predicted: Array) -> str:
    """`found` in this photo at a look from `predicted`, shape (n, 2), or that there was nothing."""
    one = PhotoSightings(seen.photo, seen.width_px, seen.height_px, (found,) if found else ())
    places = [None if np.isnan(px).any() else np.round(px, 4).tolist() for px in predicted]
    return json.dumps({"predicted_px": places, "sightings": to_document(one)})


def kept_second_look(cache: Path, key: str, predicted: Array) -> tuple[Sighting, ...] | None:
    """The sighting (or none) of a kept look that started where this one would; None when there is no such look."""
    doc = _read(kept_at(cache, key))
    if not doc:
        return None
    then = np.array([[np.nan, np.nan] if place is None else place for place in doc["predicted_px"]])
    found = from_document(doc["sightings"]).found
    allowed_px = STILL_FOUND_PX if found else STILL_NOTHING_PX
    both = ~np.isnan(predicted[:, 0]) & ~np.isnan(then[:, 0])
    if not both.any() or np.linalg.norm(predicted[both] - then[both], axis=1).max() > allowed_px:
        return None
    return found


def kept_find(cache: Path, key: str) -> Sighting | None:
    """What a kept second look found, wherever it started; None when there is no such look or it found nothing."""
    doc = _read(kept_at(cache, key))
    found = from_document(doc["sightings"]).found if doc else ()
    return found[0] if found else None


def keep(new: Mapping[Path, str]) -> None:
    """Write all or, when stopped in the middle, what was there before."""
    before = {path: path.read_text(encoding="utf-8") if path.is_file() else None for path in new}
    touched: list[Path] = []
    try:
        for path, text in new.items():
            touched.append(path)
            write_whole(path, text)
    except BaseException:
        for path in touched:
            old = before[path]
            if old is None:
                path.unlink(missing_ok=True)
            else:
                write_whole(path, old)
        raise


def _read(path: Path) -> dict[str, Any]:
    """Empty when not there; a damaged one counts as not there: the photo is looked at again."""
    try:
        doc = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return doc if isinstance(doc, dict) else {}


def _fingerprint(*what: object) -> str:
    return hashlib.sha256(repr(what).encode()).hexdigest()[:32]


def _sha256(path: Path) -> str:
    return hashlib.sha256(read_bytes(path)).hexdigest()
