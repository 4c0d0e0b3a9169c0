"""Photos of a job by epoch: `DIR/photos/roll-1` … `roll-n`, then `rest` (photographed last), then `check-1` …"""

from __future__ import annotations

import re
from pathlib import Path

from calib.paper.job import Job
from calib.paper.sheet import POINT_NAME
from vision.errors import FileError, MeasurementError

EPOCH_RULE = "roll-1, roll-2, … while the car is rolled, then rest, then check-1, check-2, …; touch-NAME for a touched point"
PICTURE_SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".bmp", ".webp", ".heic", ".heif")
_EPOCH = re.compile(r"(roll|check)-([1-9]\d*)|rest")
_TOUCH = re.compile(rf"touch-({POINT_NAME.pattern})")
_PHASES = ("roll", "rest", "check")


def epoch_order(epoch: str) -> tuple[int, int]:
    """Sort key: roll-1 … roll-n, rest, check-1 … in natural order.

    Raises
    ------
    MeasurementError
        Not the name of an epoch.
    """
    match = _EPOCH.fullmatch(epoch)
    if match is None:
        raise MeasurementError(f"{epoch!r} is no name of an epoch", hint=f"epochs are called {EPOCH_RULE}")
    return _PHASES.index(match[1] or "rest"), int(match[2] or 0)


def epochs(job: Job) -> tuple[str, ...]:
    """Epochs that have a photo, in natural order.

    Raises
    ------
    FileError
        No photo at all, a photo outside an epoch folder, or a folder that is no epoch.
    """
    return tuple(photos(job))


def photos(job: Job) -> dict[str, tuple[Path, ...]]:
    """Photos of every epoch that has one, epochs in natural order, photos by name (numbers in natural order).

    Photos of touched points are no epoch (`touch_photos`). Files that are no pictures by their suffix (notes beside a picture)
    and hidden files are passed over.

    Raises
    ------
    FileError
        No photo at all, a photo outside an epoch folder, or a folder that is no epoch.
    """
    root = job.photos_folder
    entries = [entry for entry in root.iterdir() if not entry.name.startswith(".")] if root.is_dir() else []
    for entry in sorted(entries):
        if entry.is_file() and entry.suffix.lower() in PICTURE_SUFFIXES:
            raise FileError(f"{entry}: this photo belongs to no epoch", hint=f"move it into a folder: {EPOCH_RULE}")
        if entry.is_dir() and _EPOCH.fullmatch(entry.name) is None and _TOUCH.fullmatch(entry.name) is None:
            raise FileError(f"{entry}: {entry.name!r} is no name of an epoch", hint=f"rename the folder: {EPOCH_RULE}")
    in_order = (entry for entry in entries if entry.is_dir() and _EPOCH.fullmatch(entry.name))
    folders = sorted(in_order, key=lambda entry: epoch_order(entry.name))
    found = {entry.name: pictures(entry) for entry in folders}
    found = {epoch: files for epoch, files in found.items() if files}
    if not found:
        raise FileError(f"{root}: no photo", hint=f"put the photos of each epoch into its folder: {EPOCH_RULE}")
    return found


def touch_folder(name: str) -> str:
    """Folder below `photos/` of a touched point, and the name its photos go by.

    Raises
    ------
    MeasurementError
        The name cannot be that of a point.
    """
    if POINT_NAME.fullmatch(name) is None:
        raise MeasurementError(
            f"{name!r} is no name of a point", hint="letters, digits, hyphens, dots and underscores, such as bumper or rim-1"
        )
    return f"touch-{name}"


def touch_photos(job: Job, name: str) -> tuple[Path, ...]:
    """Photos of a touched point, below `photos/touch-NAME`.

    Raises
    ------
    FileError
        There are none.
    """
    folder = job.photos_folder / touch_folder(name)
    found = pictures(folder) if folder.is_dir() else ()
    if not found:
        raise FileError(
            f"{folder}: no photo of point {name}",
            hint=f"photograph the stylus with its tip on {name} four times, floor boards beside it, and put the photos there",
        )
    return found


def pictures(folder: Path) -> tuple[Path, ...]:
    """Pictures in a folder and the folders below it, in natural order."""
    files = (path for path in folder.rglob("*") if path.suffix.lower() in PICTURE_SUFFIXES and path.is_file())
    visible = (path for path in files if not any(part.startswith(".") for part in path.relative_to(folder).parts))
    return tuple(sorted(visible, key=lambda path: _natural(path.relative_to(folder).as_posix())))


def epoch_of(job: Job, photo: Path) -> str:
    """Epoch a photo below `photos/` belongs to."""
    return photo.relative_to(job.photos_folder).parts[0]


def _natural(name: str) -> list[tuple[int, int, str]]:
    pieces = re.findall(r"\d+|\D+", name)
    return [(0, int(piece), piece) if piece.isdecimal() else (1, 0, piece.casefold()) for piece in pieces]
