"""`bayfix wheels`: spin axes, toe, thrust line and reference points from the surveyed roll epochs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import typer

from cli.base import DONE, Exit, JobDir, Json, Without, print_json, shop_command
from cli.survey import BoardsFile, LensFiles, StandFile

if TYPE_CHECKING:
    from calib.pipeline import Car
    from cli.kept_survey import Survey

SIDE_NOTE = "left and right are the car's (driver looking forward); toe-in is positive; a thrust angle to the left is positive"


def register(app: typer.Typer) -> None:
    app.command("wheels")(wheels)


@shop_command
def wheels(
    job: JobDir,
    boards: BoardsFile = None,
    lens: LensFiles = None,
    stand: StandFile = None,
    without: Without = None,
    as_json: Json = False,
) -> Exit:
    """Spin axes, toe, thrust line and axle midpoints from the surveyed epochs, each with its U."""
    import json
    from dataclasses import replace

    from calib.paper.job import write_result
    from calib.pipeline import need_sources
    from cli import kept_survey, stations
    from cli.points_kept import needed_points
    from cli.touching import with_points

    desk = stations.open_desk(job, stations.Overrides(boards, tuple(lens or ()), None, stand))
    survey = with_points(desk, kept_survey.load_survey(desk), needed_points(desk.job))
    car = stations.car_from(desk, survey, survey.state.pose_set())
    if without:
        need_sources(without, car.figures.estimate.parts)
        car = replace(car, figures=car.figures.without(without))
    document = wheels_document(car, survey)
    if not without:
        write_result(desk.job, "wheels.json", json.dumps(document, indent=1, ensure_ascii=False))
    if as_json:
        print_json(document)
    else:
        typer.echo(in_words(document))
    return DONE


def wheels_document(car: Car, survey: Survey) -> dict[str, Any]:
    """The alignment table and what the roll fit showed, as JSON."""
    from calib.paper.figures import shares, unevenness_document
    from cli.rolling import rolling_document

    rows: list[dict[str, Any]] = [
        {"name": f"{f.name}_{f.unit}", "unit": f.unit, "measured": f.value, "U": f.u, "note": f.note}
        for f in car.figures.figures
    ]
    rows += [{"name": f"{m.name}_{m.unit}", "unit": m.unit, "not_measured": m.reason} for m in car.figures.missing]
    return {
        "schema": "wheels/1",
        "figures": rows,
        "sources": shares(car.figures.estimate),
        "rolling": rolling_document(car),
        "floor": {
            "rms_mm": car.flatness.rms_mm,
            "heights_mm": dict(car.flatness.heights_mm),
            "unevenness": unevenness_document(car.uneven),
        },
        "remarks": list(car.remarks),
        "moves": [],
        "verdict": "not judged",
        "survey": {"id": survey.id, "date": survey.date},
        "photos": [photo["name"] for photo in survey.document["photos"]],
    }


def in_words(document: dict[str, Any]) -> str:
    from cli.table import number, table

    measured = [row for row in document["figures"] if "measured" in row and not for_programs(row["name"])]
    rows = [
        [_label(row), number(row["measured"], _digits(row)), number(row["U"], _digits(row)), row["unit"], row["note"]]
        for row in measured
    ]
    lines = [
        f"wheels in epoch rest, from survey {document['survey']['id']} of {document['survey']['date']}",
        f"({SIDE_NOTE})",
        "",
        table(["figure", "measured", "U (k = 2)", "", ""], rows, (1, 2)),
    ]
    lines += [f"{_label(row)}: {row['not_measured']}" for row in document["figures"] if "not_measured" in row]
    lines += ["", *_turned(document["rolling"])]
    lines.append(f"floor boards: {document['floor']['rms_mm']:.1f} mm RMS from their plane")
    lines.append(document["floor"]["unevenness"]["words"])
    lines += [f"note: {remark}" for remark in document["remarks"]]
    return "\n".join(lines)


def _turned(rolling: dict[str, Any]) -> list[str]:
    """How far each wheel turned, and which way the rear axle's middle went meanwhile."""
    if not rolling["rolled"]:
        return ["not rolled"]
    lines = ["turned by hand until rest:" if rolling["mode"] == "spin" else "turned forward until rest:"]
    lines += [f"  {wheel.replace('_', ' ') + ' wheel':<17} {turns}" for wheel, turns in rolling["rolled"].items()]
    if rolling["way"]:
        lines.append(f"meanwhile {rolling['way']}")
    return lines


def for_programs(name: str) -> bool:
    """Points and the centreline in the floor frame: of use to a program or a drawing, not to a person reading a table."""
    return "midpoint" in name or name.startswith("centreline_direction")


def _label(row: dict[str, Any]) -> str:
    return str(row["name"]).rsplit("_", 1)[0].replace("_", " ")


def _digits(row: dict[str, Any]) -> int:
    return 3 if row["unit"] == "deg" else 1
