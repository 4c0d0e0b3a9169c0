"""The command `bayfix`: every command group is registered here; heavy imports stay inside the commands."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version
from typing import Annotated

import typer

from cli import boards, check, demo, job, lens, shoot, survey, wheels

app = typer.Typer(
    name="bayfix",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help=(
        "Measure where a calibration target stands in a service bay, from photographs of printed boards. "
        "It measures; it does not calibrate a sensor and does not clear a vehicle for the road."
    ),
)


def _print_version(wanted: bool) -> None:
    if wanted:
        try:
            typer.echo(f"bayfix {version('bayfix')}")
        except PackageNotFoundError:
            typer.echo("bayfix (not installed)")
        raise typer.Exit


@app.callback()
def options(
    _version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    """Options of the command itself."""


demo.register(app)
boards.register(app)
job.register(app)
lens.register(app)
shoot.register(app)
survey.register(app)
wheels.register(app)
check.register(app)


def main() -> None:
    """Entry point of the `bayfix` command."""
    app()
