"""`bayfix outcome`: what the scan tool said after a placement; it closes the placement and opens the next."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer

from cli.base import DONE, Exit, JobDir, Json, print_json, shop_command, talk


class Said(StrEnum):
    """What the scan tool said of the sensor's calibration."""

    COMPLETED = "completed"
    NOT_COMPLETED = "not-completed"


SaidArgument = Annotated[Said, typer.Argument(metavar="SAID", help="What the scan tool said of the sensor's calibration.")]
PlacementName = Annotated[str, typer.Option("--placement", metavar="NAME", help="Of which placement (default: the open one).")]
By = Annotated[str, typer.Option("--by", metavar="NAME", help="Who read it off.")]
Note = Annotated[str, typer.Option("--note", help="The scan tool's words, codes, the report's number.")]


def register(app: typer.Typer) -> None:
    app.command("outcome")(outcome)


@shop_command
def outcome(
    job: JobDir, said: SaidArgument, by: By, placement: PlacementName = "", note: Note = "", as_json: Json = False
) -> Exit:
    """Note what the scan tool said after a check; the next placement of the sheet is then the open one."""
    import datetime

    from calib.paper import job_state
    from calib.paper.history import note as keep
    from calib.paper.job import read_job
    from calib.paper.next_step import UNTOLD
    from calib.paper.sheet import chosen, read_sheets
    from cli.check_inputs import states_of
    from vision.errors import MeasurementError

    read = read_job(job, lenses_there=False)
    path = read.need_sheet()
    sheets = read_sheets(path)
    states = states_of(read, sheets)
    open_ = job_state.next_open(states)
    if not placement and open_ is None:
        raise MeasurementError("every placement is done already", hint="say which one is meant: --placement NAME")
    name = placement or (open_.name if open_ else "")
    state = next(one for one in states if one.name == chosen(sheets, path, name).name)
    group = job_state.of_group(states, state)
    for one in group:
        if one.check is None:
            beside = f", which stands at the same time as {state.name}" if one is not state else ""
            raise MeasurementError(
                f"{one.name or one.target}{beside}: there is no check of it yet",
                hint=f"measure the target first: bayfix check {job}",
            )
        if one.changed:
            beside = f", which stands at the same time as {state.name}" if one is not state else ""
            raise MeasurementError(
                f"{one.name or one.target}{beside}: {' and '.join(one.changed)} ({one.check['epoch']})",
                hint=f"check again: bayfix job status {job} says how",
            )
    if not any(letter.isalpha() for letter in by):
        raise MeasurementError("nobody is named who read it off", hint='say who: --by "A. B."')
    now = datetime.datetime.now().astimezone().isoformat(timespec="seconds")
    words = said.value.replace("-", " ")
    also = [one.name for one in group if one is not state]
    document = job_state.outcome_document(state.name, words, by.strip(), note, now, state.check, also)
    keep(read, "outcome", document)
    if as_json:
        print_json(document)
        return DONE
    called = " and ".join([state.name or state.target, *also])
    typer.echo(f"noted: {called}: {words}, by {by.strip()}")
    for one in group:
        of_which = f"of {one.name}" if also else "of it"
        if one.check and one.untold:
            talk(f"mind: the newest check {of_which} ({one.check['epoch']}) is {UNTOLD}")
        if one.check and not one.conforms:
            talk(f"mind: the newest check {of_which} ({one.check['epoch']}) says {one.check['verdict']!r}")
    talk(f"next: bayfix job status {job}")
    return DONE
