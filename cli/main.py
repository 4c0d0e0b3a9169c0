"""The command `bayfix`: every command group is registered here; heavy imports stay inside the commands."""

from __future__ import annotations

import io
import sys
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from cli import (
    before,
    boards,
    budget,
    check,
    clip,
    demo,
    job,
    lens,
    outcome,
    plan,
    room,
    sheet,
    shoot,
    stand,
    stylus,
    survey,
    touch,
    vehicle,
    wheels,
)

IN_BRIEF = {
    "demo": "Render an invented bay, measure it, compare with the truth.",
    "boards": "Printed boards: write, list, print and measure them.",
    "lens": "Calibrate a camera from photos of a printed board.",
    "lens-file": "Convert a lens file between bayfix, OpenCV and ROS.",
    "job": "Make the folder of one car's job; say where the job stands.",
    "sheet": "Placement sheets: write, look, confirm, compare.",
    "room": "Does the set-up fit into the bay; drawn to scale.",
    "plan": "Before the first photo: can this be decided, and where to stand.",
    "before": "What must be so before the first photo, and who says so.",
    "shoot": "Take the photos of one round with a webcam.",
    "clip": "Take sharp frames out of a video of the rolled car.",
    "survey": "Adjust the photos of the rolled car in one network.",
    "wheels": "Toe, camber, thrust line and axle midpoints, each with U.",
    "vehicle": "The whole car against its limits, drawn to scale.",
    "stylus": "A board with a pointed tip: teach it, prove it.",
    "touch": "Measure a point that the stylus touches.",
    "stand": "Teach where the boards sit on a target, from touched marks.",
    "check": "Measure the stand, judge it, say what to move.",
    "outcome": "Note what the scan tool said; the next placement is then open.",
    "budget": "Where the U of one figure comes from, and what could hide.",
}
"""One line a command, in the order of the work; the whole text is each command's own help."""
WITHIN = {
    "boards": {
        "new": "Write the starter set of boards as a file.",
        "list": "Show the boards of a file, and what is measured.",
        "print": "Write boards as a PDF at true scale.",
        "measured": "Record the two check bars of a print.",
    },
    "job": {
        "new": "Make a job folder with files to fill in.",
        "status": "What is done, missing or blocks, and the next step.",
    },
    "sheet": {
        "new": "Write a sheet for several placements, to be filled in.",
        "show": "Show a sheet in words and as drawings to scale.",
        "confirm": "A second person has compared it with the document.",
        "diff": "What changed between two editions.",
        "schema": "JSON Schema for editors.",
    },
    "stylus": {
        "teach": "Find where the tip is on its board.",
        "prove": "Compare two touched points with a known length.",
    },
    "stand": {"teach": "Find where the boards sit on a target."},
}
"""The same for the commands of a group."""


class InOrder(TyperGroup):
    """Lists the commands in the order of the work instead of commands first, groups last."""

    def list_commands(self, ctx: Any) -> list[str]:
        order = {name: place for place, name in enumerate(IN_BRIEF)}
        return sorted(super().list_commands(ctx), key=lambda name: order.get(name, len(order)))


app = typer.Typer(
    cls=InOrder,
    name="bayfix",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # rich's help needs as long to import as everything else, and a log or message keeps plain text
    help=(
        "Measure where a calibration target stands in a service bay, from photographs of printed boards. "
        "It measures; it does not calibrate a sensor and does not clear a vehicle for the road."
    ),
)


def _print_version(wanted: bool) -> None:
    if wanted:
        # A third of the time that `bayfix --help` takes.
        from importlib.metadata import PackageNotFoundError, version

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


for group in (
    demo,
    boards,
    lens,
    job,
    sheet,
    room,
    plan,
    before,
    shoot,
    clip,
    survey,
    wheels,
    vehicle,
    stylus,
    touch,
    stand,
    check,
    outcome,
    budget,
):
    group.register(app)
for _command in app.registered_commands:
    _command.short_help = IN_BRIEF.get(str(_command.name))
for _group in app.registered_groups:
    _group.short_help = IN_BRIEF.get(str(_group.name))
    for _command in _group.typer_instance.registered_commands if _group.typer_instance else ():
        _command.short_help = WITHIN.get(str(_group.name), {}).get(str(_command.name))


def main() -> None:
    """Entry point of the `bayfix` command."""
    from vision.threads import hold_to_one_thread

    hold_to_one_thread()
    for stream in (sys.stdout, sys.stderr):
        # A redirected output of Windows may not know "°" or "σ": a question mark there, instead of a crash.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    app()
