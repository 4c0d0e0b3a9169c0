"""What a plan is made of, read from files or taken as usual, and where its results go."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from calib.geometry.walk import with_usual_places
from calib.paper.bay import BayPlan, read_bay
from calib.paper.drawing import Drawing
from calib.paper.placements import PlacementSheet, Sheet
from calib.paper.sheet import chosen, read_sheets
from cli.plan_job import WHEEL_BOARDS, Setting
from cli.plan_targets import files_of, need_free, need_known, targets_of
from cli.sheet import write_drawing
from vision.boards import NOMINAL_BAR_MM, BoardSet
from vision.boards_io import read_boards, starter_boards
from vision.camera_io import read_profile
from vision.errors import FileError
from vision.imagined import LIGHTS
from vision.toml_io import write_whole

BAR_PM_MM = 0.1
FLOOR = "floor-"


def open_setting(
    sheet: Path,
    camera: Path,
    *,
    placement: str = "",
    bay: Path | None = None,
    boards: Path | None = None,
    stands: Sequence[str] = (),
    dim: bool = False,
) -> Setting:
    """Everything read, what is not given taken as usual.

    Parameters
    ----------
    stands : sequence of str
        A stand file or mat file, or "NAME=FILE" for each of several targets.

    Raises
    ------
    FileError, BoardError, MeasurementError
        A file that cannot be read, a board that is in no file or in two places, a sheet without any tolerance.
    """
    known = read_boards(boards) if boards else _measured(starter_boards("a4"))
    sheets = read_sheets(sheet)
    files = files_of(sheets, sheet, stands)
    wanted = _wanted(sheets, sheet, placement or next(iter(files.named), ""))
    boards_words = str(boards or "the starter set")
    targets = targets_of(sheets, wanted, sheet, files, known, boards_words)
    plan = with_usual_places(read_bay(bay) if bay else BayPlan(), targets, known, _floor_boards(known))
    for place in plan.floor:
        need_known(place.board, bay or "the usual bay", known, boards_words)
    need_free(targets, dict.fromkeys(WHEEL_BOARDS.values(), "on a wheel"))
    need_free(targets, dict.fromkeys((place.board for place in plan.floor), "on the floor"))
    return Setting(plan, targets, known, read_profile(camera), LIGHTS["dim" if dim else "good"])


def _wanted(sheets: PlacementSheet, path: Path, placement: str) -> Sheet:
    """The placement that was named, the only one, or the first of a sheet whose targets all stand at the same time."""
    first = sheets.placements[0]
    if not placement and len(sheets.together(first.name)) == len(sheets.placements):
        return first
    return chosen(sheets, path, placement)


def not_planned(sheet: Path, setting: Setting) -> list[str]:
    """Names of placements whose targets stand at the same time as the planned one and are not in this plan."""
    planned = [target.sheet.name for target in setting.targets]
    return [other.name for other in read_sheets(sheet).together(planned[0]) if other.name not in planned]


def touched_words(setting: Setting) -> list[str]:
    """What is said of mats whose marks are reckoned as touched."""
    out = []
    for target in setting.targets:
        if target.touched:
            marks = ", ".join(mark.name for mark in target.touched)
            out.append(
                f"{target.name}: reckoned with {marks} touched with a stylus, {setting.touches} photos each; boards on the mat "
                f"instead: --stand {f'{target.sheet.name}=' if target.sheet.name else ''}mat.toml"
            )
    return out


def write_plan(folder: Path, document: dict[str, Any], drawing: Drawing) -> None:
    """plan.json, photo-plan.svg and photo-plan.png, each whole or not at all.

    Raises
    ------
    FileError
    """
    write_drawing(drawing, folder, "photo-plan")
    try:
        write_whole(folder / "plan.json", json.dumps(document, indent=1, ensure_ascii=False))
    except OSError as err:
        raise FileError(f"{folder}: cannot be written: {err.strerror or err}", hint="choose another folder: --out DIR") from err


def _measured(boards: BoardSet) -> BoardSet:
    """The starter set with its bars measured as they should be."""
    pm = BAR_PM_MM / NOMINAL_BAR_MM
    return BoardSet(tuple(replace(board, scale=replace(board.scale, common_pm=pm)) for board in boards))


def _floor_boards(boards: BoardSet) -> list[str]:
    return [board.name for board in boards if board.name.startswith(FLOOR) and board.is_charuco]
