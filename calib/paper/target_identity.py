"""Whether the stand that was described carries the target that the sheet asks for."""

from __future__ import annotations

from pathlib import Path

from calib.paper.placements import Sheet
from calib.paper.stand import Stand
from vision.errors import FileError


def need_right_target(sheet: Sheet, sheet_path: Path, stand: Stand, stand_path: Path) -> None:
    """Refuse a stand file that describes another target than the placement's, by the boards both name.

    Raises
    ------
    FileError
    """
    called = sheet.name or sheet.target
    if sheet.kind == "mat":
        raise FileError(
            f"{sheet_path}: {called} is a mat, placed by its marked points: no stand shows where it lies",
            hint="touch its marks with the stylus (bayfix touch JOB NAME), then: bayfix check JOB --placement NAME",
        )
    missing = [board for board in sheet.target_boards if board not in stand.names]
    if missing:
        raise FileError(
            f"{stand_path}: not the right target: it has {', '.join(stand.names)}, the sheet's {called} is known by "
            f"{', '.join(missing)}",
            hint=f"put up the right target and name its stand file, or correct target_boards in {sheet_path.name}",
        )
