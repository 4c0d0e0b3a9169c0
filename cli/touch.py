"""`bayfix touch`: a named point of the bay or the car, from photos of the taught stylus with its tip on it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.base import DONE, Exit, JobDir, Json, print_json, shop_command
from cli.survey import BoardsFile, LensFiles

if TYPE_CHECKING:
    from cli.stations import Desk
    from cli.touching import TouchRun
    from vision.frames import Estimate

PointName = Annotated[str, typer.Argument(help="Name of the point: bumper, emblem, rim-1 …", metavar="NAME")]
TouchPhotos = Annotated[list[Path] | None, typer.Argument(help="Its photos (default: those in photos/touch-NAME).")]
Forget = Annotated[bool, typer.Option("--forget", help="Forget the point instead: what it is on has moved since.")]
StylusFile = Annotated[Path | None, typer.Option("--stylus", help="Stylus file to use instead of the job's.")]
NOTES = {
    "x_mm": "floor frame: from the first floor board, along it",
    "y_mm": "floor frame: across it; U holds how well that board's direction is known",
    "height_mm": "above the floor",
    "ahead_mm": "ahead of the rear axle's middle, along the thrust line",
    "left_mm": "from the thrust line, + to the car's left",
}


def register(app: typer.Typer) -> None:
    app.command("touch")(touch)


@shop_command
def touch(
    job: JobDir,
    name: PointName,
    photos: TouchPhotos = None,
    boards: BoardsFile = None,
    lens: LensFiles = None,
    stylus: StylusFile = None,
    forget: Forget = False,
    as_json: Json = False,
) -> Exit:
    """Measure a point that the stylus touches, each coordinate with its U; kept, so that a sheet can name it as origin."""
    from cli import kept_survey, stations
    from cli.points_kept import forget_point, keep_point
    from cli.progress import progress_bars
    from cli.touching import kept_part, run_touch

    desk = stations.open_desk(job, stations.Overrides(boards, tuple(lens or ())))
    if forget:
        forget_point(desk.job, name)
        if as_json:
            print_json({"forgotten": name})
        else:
            typer.echo(f"forgotten: {name}")
        return DONE
    survey = kept_survey.load_survey(desk)
    with progress_bars({}) as tick:
        run = run_touch(desk, survey, name, stylus or desk.job.need_stylus(), photos or (), tick)
    document = touch_document(run, desk)
    keep_point(desk.job, document | kept_part(run))
    if as_json:
        print_json(document)
    else:
        typer.echo(in_words(document))
    return DONE


def touch_document(run: TouchRun, desk: Desk) -> dict[str, Any]:
    """The point as JSON, without what is kept for its later use."""
    import datetime

    from calib.geometry.points import place_on_car, place_on_floor
    from calib.paper.figures import shares
    from cli.kept_survey import program
    from cli.touching import car_or_floor
    from vision.errors import MeasurementError

    poses, why = car_or_floor(desk, run.survey)
    floor = place_on_floor(poses, run.name)
    figures, sources = _rows(floor), shares(floor)
    try:
        if why:
            raise MeasurementError(why)
        car = place_on_car(poses, run.name, desk.job.reference_known)
        figures += _rows(car)
        sources |= shares(car)
    except MeasurementError as err:
        figures += [{"name": name, "unit": "mm", "not_measured": err.what} for name in ("ahead_mm", "left_mm")]
    return {
        "name": run.name,
        "date": datetime.datetime.now().astimezone().isoformat(timespec="seconds"),
        "program": program(),
        "figures": figures,
        "sources": sources,
        "residual_mm": run.touch.rms_mm,
        "used": [body.partition("@")[2] for body in run.touch.weights],
        "car_seen": [
            {"board": w.board, "shift_mm": w.shift_mm, "U_shift_mm": w.u_shift_mm, "turn_deg": math.degrees(w.turn_rad)}
            for w in run.stayed
        ],
        "remarks": list(run.remarks),
    }


def _rows(estimate: Estimate) -> list[dict[str, Any]]:
    values = zip(estimate.names, estimate.value, strict=True)
    return [
        {"name": name, "unit": "mm", "measured": float(value), "U": 2.0 * estimate.sigma(name), "note": NOTES[name]}
        for name, value in values
    ]


def in_words(document: dict[str, Any]) -> str:
    """The point for a person: where it is, how many photos say so, what to mind."""
    from cli.table import number, table

    rows = [
        [row["name"].removesuffix("_mm"), number(row["measured"], 1), f"{row['U']:.1f}", "mm", row["note"]]
        for row in document["figures"]
        if "measured" in row
    ]
    lines = [
        f"point {document['name']}, from {len(document['used'])} photos (tip within {document['residual_mm']:.1f} mm RMS)",
        "",
        table(["figure", "measured", "U (k = 2)", "", ""], rows, (1, 2)),
    ]
    missing = dict.fromkeys(row["not_measured"] for row in document["figures"] if "not_measured" in row)
    lines += [f"place along the car: {why}" for why in missing]
    lines += [f"note: {remark}" for remark in document["remarks"]]
    lines += ["", f'kept: a sheet may say origin = "point:{document["name"]}"']
    return "\n".join(lines)
