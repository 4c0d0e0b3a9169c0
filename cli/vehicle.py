"""`bayfix vehicle`: floor, wheels, lines and tyres of the surveyed car against its limits, with a plan drawn to scale."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cli.base import DONE, Exit, JobDir, Json, print_json, shop_command
from cli.survey import BoardsFile, LensFiles, StandFile

VehicleFile = Annotated[Path | None, typer.Option("--vehicle", help="Vehicle file to use instead of the job's.")]
GuardBand = Annotated[bool, typer.Option("--guard-band", help="Stricter rule: the figure must be inside its limits by U.")]


def register(app: typer.Typer) -> None:
    app.command("vehicle")(vehicle)


@shop_command
def vehicle(
    job: JobDir,
    boards: BoardsFile = None,
    lens: LensFiles = None,
    stand: StandFile = None,
    vehicle: VehicleFile = None,
    guard_band: GuardBand = False,
    as_json: Json = False,
) -> Exit:
    """The whole car: floor, wheels, lines, tyres, each with U and against its limits; draws floor and survey plan."""
    import json

    from calib.alignment import alignment
    from calib.decision.verdict import Rule
    from calib.paper.job import write_result
    from calib.paper.vehicle import read_vehicle
    from cli import kept_survey, stations
    from cli.car_inputs import car_inputs
    from cli.floor_limits import floor_limits
    from cli.points_kept import needed_points
    from cli.touching import with_points
    from cli.vehicle_words import drawings_of, in_words, vehicle_document

    desk = stations.open_desk(job, stations.Overrides(boards, tuple(lens or ()), None, stand))
    path = vehicle or desk.job.vehicle
    known = read_vehicle(path) if path else None
    survey = with_points(desk, kept_survey.load_survey(desk), needed_points(desk.job))
    car = stations.car_from(desk, survey, survey.state.pose_set())
    rule = Rule.GUARD_BAND if guard_band else Rule.PROBABILITY
    found = alignment(car, desk.job, desk.boards, known, rule)
    document = vehicle_document(found, known, survey, rule, floor_limits(desk, found, rule)) | {
        "inputs": car_inputs(desk.job, path)
    }
    drawings = drawings_of(found, document)
    write_result(desk.job, "vehicle.json", json.dumps(document, indent=1, ensure_ascii=False))
    for name, drawing in drawings.items():
        write_result(desk.job, f"{name}.svg", drawing.svg())
        write_result(desk.job, f"{name}.png", drawing.png())
    if as_json:
        print_json(document)
    else:
        typer.echo(in_words(document))
        for name in drawings:
            typer.echo(f"drawn: {desk.job.results_folder / name}.png and .svg", err=True)
    verdicts = {"does not conform": Exit.DOES_NOT_CONFORM, "undecided": Exit.UNDECIDED}
    return verdicts.get(document["verdict"], DONE)
