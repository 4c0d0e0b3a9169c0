"""What a plan is made of, read from files or taken as usual, and where its results go."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

from calib.decision.verdict import need_tolerance
from calib.geometry.walk import with_usual_places
from calib.paper.bay import BayPlan, read_bay
from calib.paper.drawing import Drawing
from calib.paper.sheet import chosen, read_sheets
from calib.paper.stand import Stand, StandBoard, read_stand
from cli.plan_run import Setting
from cli.sheet import write_drawing
from vision.boards import NOMINAL_BAR_MM, BoardSet
from vision.boards_io import read_boards, starter_boards
from vision.camera_io import read_profile
from vision.errors import FileError, MeasurementError
from vision.imagined import LIGHTS
from vision.toml_io import write_whole

BAR_PM_MM = 0.1
USUAL_STAND = Stand((StandBoard("stand-1", -260.0, -70.0, 4.0), StandBoard("stand-2", 260.0, 60.0, 4.0)))
FLOOR = "floor-"


def open_setting(
    sheet: Path,
    camera: Path,
    *,
    placement: str = "",
    bay: Path | None = None,
    boards: Path | None = None,
    stand: Path | None = None,
    dim: bool = False,
) -> Setting:
    """Everything read, what is not given taken as usual.

    Raises
    ------
    FileError, BoardError, MeasurementError
        A file that cannot be read, a board that is in no file, a sheet without any tolerance.
    """
    wanted = chosen(read_sheets(sheet), sheet, placement)
    need_tolerance(wanted)
    if wanted.kind == "mat":
        raise MeasurementError(
            f"{sheet}: {wanted.name or wanted.target} is a mat: no plan for it yet",
            hint="plan a panel or reflector of the sheet: --placement NAME",
        )
    known = read_boards(boards) if boards else _measured(starter_boards("a4"))
    held = read_stand(stand) if stand else USUAL_STAND
    plan = with_usual_places(read_bay(bay) if bay else BayPlan(), wanted, _floor_boards(known))
    for name, file in [*((entry.board, stand) for entry in held.boards), *((place.board, bay) for place in plan.floor)]:
        if name not in known:
            raise FileError(
                f"{file or 'the usual bay'}: there is no board {name!r} in {boards or 'the starter set'}",
                hint=f"known boards: {', '.join(board.name for board in known if board.is_charuco)}",
            )
    return Setting(plan, wanted, held, known, read_profile(camera), LIGHTS["dim" if dim else "good"])


def others_beside(sheet: Path, name: str) -> list[str]:
    """Names of the placements whose targets stand at the same time."""
    return [other.name for other in read_sheets(sheet).together(name) if other.name != name]


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
