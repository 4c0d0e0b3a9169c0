"""Which photos a check looks at, and that they show surveyed floor boards."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from calib.paper.epochs import photos as photos_of
from cli.stations import Desk
from cli.targets import Target
from vision.errors import FileError, MeasurementError
from vision.observations import View

ANY_CHECK = "check"


def check_photos(desk: Desk, given: Sequence[Path]) -> tuple[str, list[Path], list[str]]:
    """Epoch, files and names of the photos given, or of the newest check.

    Raises
    ------
    FileError
    """
    job = desk.job
    if not given:
        checks = {epoch: files for epoch, files in photos_of(job).items() if epoch.startswith("check-")}
        if not checks:
            raise FileError(
                f"{job.photos_folder}: no photo of a check", hint="put photos of the stand into photos/check-1, or name them"
            )
        epoch, files = list(checks.items())[-1]
        return epoch, list(files), [path.relative_to(job.photos_folder).as_posix() for path in files]
    given = [photo for path in given for photo in (_in_folder(desk, path) if path.is_dir() else [path])]
    missing = [path for path in given if not path.is_file()]
    if missing:
        raise FileError(f"{missing[0]}: no such photo", hint="check the name, or put the photos into photos/check-1")
    inside = [path.resolve() for path in given]
    root = job.photos_folder.resolve()
    roots = {path.relative_to(root).parts[0] if path.is_relative_to(root) else "" for path in inside}
    epoch = roots.pop() if len(roots) == 1 else ""
    names = [path.relative_to(root).as_posix() if path.is_relative_to(root) else path.name for path in inside]
    if len(set(names)) < len(names):
        raise FileError("two photos of this check have the same name", hint="rename one of them")
    return epoch if epoch.startswith("check-") else ANY_CHECK, list(given), names


def _in_folder(desk: Desk, folder: Path) -> list[Path]:
    """Photos of a job that lie in a folder, as when each is named: an earlier round is checked again by its folder."""
    inside = [
        path for files in photos_of(desk.job).values() for path in files if path.resolve().is_relative_to(folder.resolve())
    ]
    if not inside:
        raise FileError(
            f"{folder}: no photo of this job in this folder", hint=f"name photos, or a folder in {desk.job.photos_folder}"
        )
    return inside


def need_floor_board(desk: Desk, targets: Sequence[Target], views: Sequence[View], epoch: str) -> None:
    if not {s.board for view in views for s in view.seen} & set(desk.job.floor):
        stand = "the stands" if len(targets) > 1 else "the mat" if targets[0].mat else "the stand"
        raise MeasurementError(
            f"no surveyed floor board is seen together with {stand} in {epoch}",
            hint=f"step back or sideways so that a photo shows {stand} and floor boards ({', '.join(desk.job.floor)})",
        )
