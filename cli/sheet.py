"""`bayfix sheet`: look at a placement sheet, let a second person confirm it, compare editions."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cli.base import DONE, Exit, Json, print_json, shop_command

sheet_app = typer.Typer(no_args_is_help=True, help="Placement sheets: look, confirm, compare.")
SheetPath = Annotated[Path, typer.Argument(metavar="SHEET", help="A placement sheet.")]
Accept = Annotated[
    bool, typer.Option("--accept", help="Numbers that are questioned do stand in the document; kept with the result.")
]


def register(app: typer.Typer) -> None:
    app.add_typer(sheet_app, name="sheet")


@sheet_app.callback()
def sheet_options() -> None:
    """Placement sheets: look at one, confirm it as a second person, compare two editions."""


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
