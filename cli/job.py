"""`bayfix job`: make a job folder, and say where a job stands."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from cli.base import DONE, Exit, JobDir, Json, print_json, shop_command, talk

ABOUT = "Job folders: one car, and the targets that are placed for it one after another."
job_app = typer.Typer(no_args_is_help=True, help=ABOUT)


class Variant(StrEnum):
    """Paper of the starter boards."""

    A4 = "a4"
    A3 = "a3"


def register(app: typer.Typer) -> None:
    app.add_typer(job_app, name="job")


@job_app.callback()
def job_options() -> None:
    """Make a job folder; say where a job stands."""


@job_app.command("new")
@shop_command
def new(
    folder: Annotated[Path, typer.Argument(help="Folder to make.", metavar="DIR")],
    variant: Annotated[
        Variant, typer.Option(help="Starter boards: everything on A4, or wheel, stand and lens boards on A3.")
    ] = Variant.A4,
    as_json: Json = False,
) -> Exit:
    """Write job, sheet, stand, vehicle, before and boards .toml with notes, and empty photo folders; overwrites nothing."""
    from calib.paper.templates import new_job
    from vision.boards_io import starter_text

    made = new_job(folder, starter_text(variant.value))
    if as_json:
        written, kept = ([path.as_posix() for path in paths] for paths in (made.written, made.kept))
        print_json({"folder": made.folder.as_posix(), "written": written, "kept": kept})
        return DONE
    for path in made.written:
        typer.echo(f"written  {path}")
    for path in made.kept:
        typer.echo(f"kept     {path} (was there already)")
    talk(f"next: fill in sheet.toml and stand.toml; what is missing then says: bayfix job status {made.folder.as_posix()}")
    return DONE


@job_app.command("status")
@shop_command
def status(job: JobDir, as_json: Json = False) -> Exit:
    """One screen: what is done, what is missing, what blocks, and the next sensible step."""
    from calib.paper.next_step import next_step, steps
    from cli.job_facts import facts_of
    from cli.table import table

    lines = steps(facts_of(job))
    now, meanwhile = next_step(lines)
    document = {
        "schema": "status/1",
        "lines": [{"what": line.what, "state": line.state, "words": line.words, "step": line.step} for line in lines],
        "next": now,
        "meanwhile": meanwhile,
    }
    if as_json:
        print_json(document)
        return DONE
    typer.echo(table(["", "", ""], [[line.what, line.state, line.words] for line in lines]).split("\n", 2)[2])
    typer.echo(f"\nnext: {now}")
    if meanwhile:
        typer.echo(f"meanwhile: {meanwhile}")
    return DONE
