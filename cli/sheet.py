"""`bayfix sheet`: look at a placement sheet, let a second person confirm it, compare editions."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.base import DONE, Exit, Json, print_json, shop_command

if TYPE_CHECKING:
    from calib.paper.drawing import Drawing
    from calib.paper.sheet import PlacementSheet, Sheet

sheet_app = typer.Typer(no_args_is_help=True, help="Placement sheets: write, look, confirm, compare.")
SheetPath = Annotated[Path, typer.Argument(metavar="SHEET", help="A placement sheet.")]
Accept = Annotated[
    bool, typer.Option("--accept", help="Numbers that are questioned do stand in the document; kept with the result.")
]
OnlyPlacement = Annotated[
    str | None, typer.Option("--placement", metavar="NAME", help="Only this placement (default: all of them).")
]
DrawingsFolder = Annotated[
    Path | None, typer.Option("--out", metavar="DIR", help="Folder for the drawings (default: beside the sheet).")
]


def register(app: typer.Typer) -> None:
    app.add_typer(sheet_app, name="sheet")


@sheet_app.callback()
def sheet_options() -> None:
    """Placement sheets: look at one, confirm it as a second person, compare two editions."""


@sheet_app.command("new")
@shop_command
def new(
    sheet: Annotated[Path, typer.Argument(metavar="SHEET", help="File to write; one that is there is left alone.")],
    as_json: Json = False,
) -> Exit:
    """Write a sheet for several placements with notes in it, to be filled in."""
    from calib.paper.templates import SHEETS
    from vision.errors import FileError
    from vision.toml_io import write_whole

    if sheet.exists():
        raise FileError(f"{sheet}: is there already", hint="choose another name")
    try:
        write_whole(sheet, SHEETS)
    except OSError as err:
        raise FileError(f"{sheet}: cannot be written: {err.strerror or err}", hint="choose another folder") from err
    if as_json:
        print_json({"written": sheet.as_posix()})
    else:
        typer.echo(f"written  {sheet}")
    return DONE


@sheet_app.command("confirm")
@shop_command
def confirm(
    sheet: SheetPath,
    by: Annotated[str, typer.Option("--by", metavar="NAME", help="Who compared every number with the document.")],
    accept: Accept = False,
    as_json: Json = False,
) -> Exit:
    """Write into a sheet that a second person compared it with the document; any later edit makes it a draft again."""
    import datetime

    from calib.paper.sheet import read_sheets
    from calib.paper.sheet_confirmation import confirm as write_confirmation
    from calib.paper.sheet_document import sheet_document
    from calib.paper.sheet_questions import settled
    from cli.sheet_words import in_words

    accepted = settled(sheet, read_sheets(sheet), accept=accept)
    write_confirmation(sheet, by, datetime.date.today(), accepted)
    document = sheet_document(read_sheets(sheet)) | {"accepted": list(accepted)}
    if as_json:
        print_json(document)
    else:
        typer.echo(in_words(document, accepted))
    return DONE


@sheet_app.command("show")
@shop_command
def show(
    sheet: SheetPath,
    placement: OnlyPlacement = None,
    out: DrawingsFolder = None,
    accept: Accept = False,
    as_json: Json = False,
) -> Exit:
    """Show a sheet in words, and draw every placement to scale from above and from the side, to be compared by eye."""
    from calib.paper.sheet import chosen, read_sheets
    from calib.paper.sheet_document import sheet_document
    from calib.paper.sheet_questions import settled
    from cli.sheet_words import in_words

    sheets = read_sheets(sheet)
    drawn = [chosen(sheets, sheet, placement)] if placement else list(sheets.placements)
    accepted = settled(sheet, sheets, accept=accept)
    document = sheet_document(sheets)
    document["placements"] = [one for one in document["placements"] if one["name"] in {each.name for each in drawn}]
    files = [path for one in drawn for path in _draw(one, sheets, out or sheet.parent, sheet.stem)]
    document |= {"accepted": list(accepted), "drawings": [path.as_posix() for path in files]}
    if as_json:
        print_json(document)
    else:
        typer.echo(in_words(document, accepted))
        typer.echo(f"drawn: {', '.join(document['drawings'])}")
    return DONE


def _draw(one: Sheet, sheets: PlacementSheet, folder: Path, stem: str) -> list[Path]:
    from calib.paper.sheet_drawing import sheet_drawing
    from cli.sheet_words import source_in_words

    others = [other for other in sheets.together(one.name) if other is not one]
    drawing = sheet_drawing(one, others, [one.confirmation.words, source_in_words(one.provenance)])
    return write_drawing(drawing, folder, f"{stem}-{one.name}" if one.name else stem)


def write_drawing(drawing: Drawing, folder: Path, name: str) -> list[Path]:
    """Write a drawing as SVG and PNG, each whole or not at all.

    Raises
    ------
    FileError
    """
    from vision.errors import FileError
    from vision.toml_io import write_whole

    data: dict[str, str | bytes] = {"svg": drawing.svg(), "png": drawing.png()}
    files = {folder / f"{name}.{kind}": content for kind, content in data.items()}
    try:
        for path, content in files.items():
            write_whole(path, content)
    except OSError as err:
        raise FileError(f"{folder}: cannot be written: {err.strerror or err}", hint="choose another folder: --out DIR") from err
    return list(files)


@sheet_app.command("diff")
@shop_command
def diff(
    old: Annotated[Path, typer.Argument(metavar="OLD", help="The earlier edition.")],
    new: Annotated[Path, typer.Argument(metavar="NEW", help="The later one.")],
    as_json: Json = False,
) -> Exit:
    """Say in words what changed between two editions of a sheet; units are normalised first."""
    from calib.paper.sheet import read_sheets
    from calib.paper.sheet_diff import changes
    from calib.paper.sheet_document import sheet_document
    from cli.sheet_diff_words import document, in_words

    before, after = (sheet_document(read_sheets(path)) for path in (old, new))
    result = document(changes(before, after), (before["state"], after["state"]))
    if as_json:
        print_json(result)
    else:
        typer.echo(in_words(result))
    return DONE


@sheet_app.command("schema")
@shop_command
def schema(as_json: Json = True) -> Exit:
    """Print the JSON Schema of placement sheets, for editors that complete and check while typing. It is always JSON."""
    del as_json
    from calib.paper.sheet_schema import schema_text

    typer.echo(schema_text(), nl=False)
    return DONE
