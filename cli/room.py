"""`bayfix room`: whether a sheet's set-up fits into a bay, with clearances and a drawing to scale."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.base import DONE, Exit, Json, print_json, shop_command
from cli.sheet import Accept, DrawingsFolder, OnlyPlacement, SheetPath

if TYPE_CHECKING:
    from calib.geometry.room_fit import Gap
    from calib.paper.room import Room
    from calib.paper.sheet import Sheet


def register(app: typer.Typer) -> None:
    app.command("room")(room)


@shop_command
def room(
    sheet: SheetPath,
    room_file: Annotated[Path, typer.Argument(metavar="ROOM", help="Room file: size of the bay, the car in it, obstacles.")],
    placement: OnlyPlacement = None,
    out: DrawingsFolder = None,
    accept: Accept = False,
    as_json: Json = False,
) -> Exit:
    """Say whether every target and the free room it asks for fit into the bay, and draw it; exit status 3 when not."""
    from calib.paper.room import read_room
    from calib.paper.sheet import chosen, read_sheets
    from calib.paper.sheet_questions import settled

    sheets = read_sheets(sheet)
    wanted = [chosen(sheets, sheet, placement)] if placement else list(sheets.placements)
    accepted = settled(sheet, sheets, accept=accept)
    bay = read_room(room_file)
    _need_place(sheet, wanted)
    rows = [_fit(one, bay, sheet, out or sheet.parent) for one in wanted]
    fits = all(row["fits"] for row in rows)
    document = {"schema": "room-fit/1", "room": bay.name, "fits": fits, "placements": rows, "accepted": list(accepted)}
    if as_json:
        print_json(document)
    else:
        typer.echo(in_words(document))
    return DONE if fits else Exit.DOES_NOT_CONFORM


def _need_place(path: Path, wanted: list[Sheet]) -> None:
    """Refuse before the first drawing: a placement whose place the sheet leaves open fits nowhere and everywhere."""
    from vision.errors import FileError

    for one in wanted:
        missing = [name for name in ("distance_mm", "lateral_mm") if name not in one and one.kind != "mat"]
        if missing:
            others = [other.name for other in wanted if other.name != one.name]
            raise FileError(
                f"{path}: {one.name or one.target} gives no {missing[0].removesuffix('_mm')}: nobody knows where it stands",
                hint="look at the others alone: " + " or ".join(f"--placement {name}" for name in others)
                if others
                else "room needs the distance and the lateral of a target",
            )


def _fit(one: Sheet, bay: Room, path: Path, folder: Path) -> dict[str, Any]:
    from calib.paper.room_drawing import room_drawing
    from calib.paper.room_gaps import gaps, remarks
    from calib.paper.sheet_scene import scene_of
    from cli.sheet import write_drawing

    scene = scene_of(one, bay.car)
    found, told = gaps(bay, scene), remarks(bay, scene)
    name = f"{path.stem}-room-{one.name}" if one.name else f"{path.stem}-room"
    title = f"{one.name}: {one.target}" if one.name else one.target
    files = write_drawing(room_drawing(bay, scene, found, title, told), folder, name)
    return {
        "name": one.name,
        "target": one.target,
        "fits": all(gap.fits for gap in found),
        "gaps": [_row(gap) for gap in found],
        "remarks": list(told),
        "drawings": [file.as_posix() for file in files],
    }


def _row(gap: Gap) -> dict[str, Any]:
    numbers = {"free_mm": gap.free_mm, "needed_mm": gap.needed_mm, "short_mm": gap.short_mm}
    return {"what": gap.what, "to": gap.to, **numbers, "fits": gap.fits}


def in_words(document: dict[str, Any]) -> str:
    """One table a placement, what does not fit first."""
    from cli.table import table

    lines = []
    for one in document["placements"]:
        name = f"{one['name']}: {one['target']}" if one["name"] else one["target"]
        lines += [f"{name}: {'fits' if one['fits'] else 'DOES NOT FIT'} into {document['room']}", ""]
        rows = [
            [
                row["what"],
                row["to"],
                f"{row['free_mm']:.0f}",
                f"{row['needed_mm']:.0f}" if row["needed_mm"] else "",
                "" if row["fits"] else f"{row['short_mm']:.0f} mm short",
            ]
            for row in sorted(one["gaps"], key=lambda row: row["fits"])
        ]
        lines += [table(["between", "and", "free, mm", "asked for, mm", ""], rows, (2, 3)), ""]
        lines += [f"note: {remark}" for remark in one["remarks"]]
        lines += [f"drawn: {', '.join(one['drawings'])}", ""]
    lines += [f"accepted: {question}" for question in document["accepted"]]
    return "\n".join(lines).rstrip("\n")
