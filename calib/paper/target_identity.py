"""Which target is on a stand, by the boards it is known by: the one the sheet asks for, another one that is known, or none."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from pathlib import Path

from calib.paper.job import Job
from calib.paper.placements import Sheet
from calib.paper.sheet import read_sheets
from calib.paper.stand import Stand, read_stand
from vision.errors import FileError


def need_right_target(sheet: Sheet, job: Job, stand: Stand, stand_path: Path) -> None:
    """Refuse a stand file that describes another target than the placement's, by the boards both name.

    Raises
    ------
    FileError
        Says which target it is, where another placement of the sheet or its stand file is known by the same board.
    """
    sheet_path = job.need_sheet()
    called = sheet.name or sheet.target
    if sheet.kind == "mat":
        raise FileError(
            f"{sheet_path}: {called} is a mat, placed by its marked points: no stand shows where it lies",
            hint="touch its marks with the stylus (bayfix touch JOB NAME), then: bayfix check JOB --placement NAME",
        )
    if lacking(sheet, stand.names):
        others = owned_words(stand.names, other_targets(job, sheet))
        raise wrong_target(
            sheet, stand.names, stand_path, sheet_path, "put up the right target and name its stand file", others
        )


def lacking(sheet: Sheet, boards: Collection[str]) -> list[str]:
    """Boards that the sheet knows the target by, and that are not among those of its file."""
    return [board for board in sheet.target_boards if board not in boards]


def wrong_target(
    sheet: Sheet, boards: Collection[str], file: Path, sheet_path: Path, remedy: str, others: str = ""
) -> FileError:
    """A stand or mat file that is `lacking` a board of the sheet's target; `others` says whose boards it has."""
    return FileError(
        f"{file}: not the right target: it has {', '.join(boards)}, the sheet's {sheet.name or sheet.target} is known by "
        f"{', '.join(lacking(sheet, boards))}{f'; {others}' if others else ''}",
        hint=f"{remedy}, or correct target_boards in {sheet_path.name}",
    )


def other_targets(job: Job, sheet: Sheet, shared: Collection[str] = ()) -> dict[str, str]:
    """Boards that other targets are known by, each with the target in words.

    By the other placements of the sheet, and by the stand files that the job names for them. A board that the wanted target
    has as well tells nothing; nor do `shared` ones in a stand file: one stand may carry one target after another.

    Raises
    ------
    FileError
        One of the files cannot be read.
    """
    placements = read_sheets(job.need_sheet()).placements
    own = {*sheet.target_boards}
    mats = {one.name for one in placements if one.kind == "mat"}
    out: dict[str, str] = {}
    for one in placements:
        if one.name != sheet.name:
            out |= {board: f"{one.target} (placement {one.name})" for board in one.target_boards if board not in own}
    for name, file in job.stands:
        if name != sheet.name and name not in mats and file.is_file():  # a stand may be taught later
            words = next((f"{one.target} (placement {name})" for one in placements if one.name == name), f"the stand of {name}")
            out |= {board: words for board in read_stand(file).names if board not in {*own, *shared, *out}}
    return out


def owned_words(boards: Iterable[str], owners: Mapping[str, str]) -> str:
    """Whose boards these are, as a sentence; "" when none is known."""
    return "; ".join(f"{board} is a board of {owners[board]}" for board in boards if board in owners)
