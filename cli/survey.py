"""`bayfix survey`: adjust all photos of the roll epochs and `rest` in one network and say what was found."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from cli.base import DONE, Exit, JobDir, Json, print_json, shop_command

BoardsFile = Annotated[Path | None, typer.Option("--boards", help="Board set to use instead of the job's.")]
LensFiles = Annotated[list[Path] | None, typer.Option("--lens", help="Lens profile to use instead of the job's (repeatable).")]
StandFile = Annotated[Path | None, typer.Option("--stand", help="Stand file to use instead of the job's.")]
SheetFile = Annotated[Path | None, typer.Option("--sheet", help="Placement sheet to use instead of the job's.")]
WEAKEST_SHOWN = 5
REJECTED_SHOWN = 12


def register(app: typer.Typer) -> None:
    app.command("survey")(survey)


@shop_command
def survey(
    job: JobDir, boards: BoardsFile = None, lens: LensFiles = None, stand: StandFile = None, as_json: Json = False
) -> Exit:
    """Adjust the photos of all roll epochs and `rest` in one network, and say what was found."""
    from cli import kept_survey, stations
    from cli.progress import progress_bars

    desk = stations.open_desk(job, stations.Overrides(boards, tuple(lens or ()), None, stand))
    with progress_bars({}) as tick:
        sighted = stations.survey(desk, tick)
    kept = kept_survey.keep_survey(desk, sighted)
    document = {key: value for key, value in kept.document.items() if key != "sightings"}
    if as_json:
        print_json(document)
    else:
        typer.echo(in_words(document))
    return DONE


def in_words(document: dict[str, Any]) -> str:
    """The survey for a person: what was found, how well it fits, what was left out, what is weakest."""
    from cli.self_calibrating import lens_lines
    from cli.table import table

    low, high = document["sigma0_band_99"]
    sigma0 = document["sigma0"]
    fit = "as expected"
    if sigma0 > high:
        fit = "corners scatter more than stated: every U is multiplied by it"
    elif sigma0 < low:
        fit = "corners scatter less than stated: U is on the safe side"
    photos = document["photos"]
    lines = [
        f"survey {document['id']} of {document['date']}",
        f"{len(photos)} photos, {document['sightings_used']} boards in them, {document['corners']} corners; "
        f"redundancy {document['redundancy']}",
        f"sigma0 {sigma0:.2f} (99 % band {low:.2f} to {high:.2f}): {fit}",
        *lens_lines(document["lenses"]),
        "",
        _epochs(document),
        "",
        "Weakest boards (U, k = 2):",
    ]
    weakest = sorted(document["bodies"], key=lambda body: -body["U_position_mm"])[:WEAKEST_SHOWN]
    rows = [
        [
            body["body"],
            str(body["photos"]),
            f"{body['convergence_deg']:.0f}°",
            f"{body['U_position_mm']:.2f} mm",
            f"{body['U_rotation_deg']:.3f}°",
        ]
        for body in weakest
    ]
    lines.append(table(["board@epoch", "photos", "between views", "U position", "U direction"], rows, (1, 2, 3, 4)))
    lines += [f"tape {t['a']} to {t['b']}: {t['mm']:.1f} mm, photographs {t['misfit_mm']:+.2f} mm" for t in document["tape"]]
    left_out = [*document["rejected"], *document["refused"]]
    if left_out:
        lines += ["", f"Left out ({len(left_out)}):"]
        lines += [f"  {row['photo']}: {row['board']}: {row['reason']}" for row in left_out[:REJECTED_SHOWN]]
        if len(left_out) > REJECTED_SHOWN:
            lines.append(f"  … and {len(left_out) - REJECTED_SHOWN} more, all in results/survey.json")
    lines += [f"note: {remark}" for remark in document["remarks"]]
    return "\n".join(lines)


def _epochs(document: dict[str, Any]) -> str:
    from cli.table import table

    rows = []
    for epoch in document["epochs"]:
        photos = [photo for photo in document["photos"] if photo["epoch"] == epoch]
        boards = {board for photo in photos for board in photo["boards"]}
        rows.append([epoch, str(len(photos)), str(len(boards)), str(sum(len(photo["boards"]) for photo in photos))])
    return table(["epoch", "photos", "boards", "sightings"], rows, (1, 2, 3))
