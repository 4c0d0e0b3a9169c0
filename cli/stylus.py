"""`bayfix stylus`: teach a stylus where its tip is, and prove it on a length that was measured otherwise."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.base import DONE, Exit, JobDir, Json, print_json, shop_command
from cli.survey import BoardsFile, LensFiles

if TYPE_CHECKING:
    from calib.decision.known_length import KnownLength
    from cli.touching import TeachRun
    from vision.frames import Estimate

stylus_app = typer.Typer(no_args_is_help=True, help="A board with a pointed tip: teach it, prove it.")


def register(app: typer.Typer) -> None:
    app.add_typer(stylus_app, name="stylus")


@stylus_app.callback()
def stylus_options() -> None:
    """A board with a pointed tip: teach it where its tip is, prove it on a known length."""


@stylus_app.command("teach")
@shop_command
def teach(
    job: JobDir,
    photos: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="PHOTOS", help="A dozen photos, the tip in one dimple, leaned to all sides (default: those in JOB/teach)."
        ),
    ] = None,
    board: Annotated[str, typer.Option("--board", help="The board on the stylus.")] = "stylus-1",
    out: Annotated[Path, typer.Option("--out", help="Stylus file to write.")] = Path("stylus.toml"),
    boards: BoardsFile = None,
    lens: LensFiles = None,
    as_json: Json = False,
) -> Exit:
    """Find the tip in the board's frame from photos in which the stylus leans about it; floor boards must be in the picture."""
    from calib.paper.stylus import write_stylus
    from cli import kept_survey, stations
    from cli.progress import progress_bars
    from cli.touching import run_teach

    desk = stations.open_desk(job, stations.Overrides(boards, tuple(lens or ())))
    survey = kept_survey.load_survey(desk)
    with progress_bars({}) as tick:
        run = run_teach(desk, survey, board, photos or (), tick)
    write_stylus(out, run.stylus)
    document = teach_document(run, out)
    if as_json:
        print_json(document)
    else:
        typer.echo(taught_in_words(document))
    return DONE


def teach_document(run: TeachRun, out: Path) -> dict[str, Any]:
    tip = run.fit.tip
    return {
        "file": out.as_posix(),
        "board": run.stylus.board,
        "tip_mm": [float(value) for value in tip.value],
        "U_mm": [2.0 * tip.sigma(name) for name in tip.names],
        "residual_mm": run.fit.rms_mm,
        "photos": list(run.stylus.photos),
        "left_out": list(run.stylus.left_out),
        "redundancy": run.fit.redundancy,
        "chi_square": run.fit.chi_square,
        "remarks": list(run.remarks),
    }


def taught_in_words(document: dict[str, Any]) -> str:
    from cli.table import number, table

    rows = [
        [axis, number(value, 2), f"{u:.2f}", "mm"]
        for axis, value, u in zip("xyz", document["tip_mm"], document["U_mm"], strict=True)
    ]
    lines = [
        f"tip of {document['board']} in its board's frame, from {len(document['photos'])} photos "
        f"(within {document['residual_mm']:.1f} mm RMS)",
        "",
        table(["axis", "tip", "U (k = 2)", ""], rows, (1, 2)),
    ]
    lines += [f"note: {remark}" for remark in document["remarks"]]
    lines += ["", f'written  {document["file"]}; name it in job.toml (stylus = "…"), and prove it: bayfix stylus prove --help']
    return "\n".join(lines)


@stylus_app.command("prove")
@shop_command
def prove(
    job: JobDir,
    a: Annotated[str, typer.Argument(help="A touched point.", metavar="A")],
    b: Annotated[str, typer.Argument(help="Another touched point.", metavar="B")],
    mm: Annotated[float, typer.Option("--mm", help="Their distance, measured otherwise, mm.", min=1.0, max=50000.0)],
    pm: Annotated[float, typer.Option("--pm", help="How sure that is, plus or minus mm.", min=0.0, max=100.0)],
    boards: BoardsFile = None,
    lens: LensFiles = None,
    as_json: Json = False,
) -> Exit:
    """Compare the distance of two touched points with a length measured by rule or tape: proves the stylus."""
    import json

    from calib.decision.known_length import compare
    from calib.geometry.points import length_between
    from calib.paper.job import write_result
    from cli import kept_survey, stations
    from cli.touching import points_only, with_points

    desk = stations.open_desk(job, stations.Overrides(boards, tuple(lens or ())))
    survey = with_points(desk, kept_survey.load_survey(desk), [a, b])
    length = length_between(points_only(survey), a, b)
    document = prove_document(a, b, length, compare(length, mm, pm))
    document["survey"] = {"id": survey.id, "date": survey.date}
    write_result(desk.job, f"length-{a}-{b}.json", json.dumps(document, indent=1, ensure_ascii=False))
    if as_json:
        print_json(document)
    else:
        typer.echo(proved_in_words(document))
    return DONE if document["agrees"] else Exit.DOES_NOT_CONFORM


def prove_document(a: str, b: str, length: Estimate, found: KnownLength) -> dict[str, Any]:
    from calib.paper.figures import shares

    return {
        "schema": "length/1",
        "a": a,
        "b": b,
        "measured_mm": found.measured_mm,
        "U_mm": found.u_mm,
        "known_mm": found.known_mm,
        "pm_mm": found.pm_mm,
        "difference_mm": found.difference_mm,
        "score": found.score,
        "agrees": found.agrees,
        "sources": shares(length)["length_mm"],
    }


def proved_in_words(document: dict[str, Any]) -> str:
    together = f"within {document['U_mm']:.1f} mm and ±{document['pm_mm']:g} mm together"
    lines = [
        f"{document['a']} to {document['b']}: touched {document['measured_mm']:.1f} mm (U {document['U_mm']:.1f} mm), "
        f"known {document['known_mm']:.1f} mm ±{document['pm_mm']:g} mm",
        f"difference {document['difference_mm']:+.1f} mm: "
        + (f"the stylus agrees, {together}" if document["agrees"] else f"the stylus does NOT agree {together}"),
    ]
    if not document["agrees"]:
        lines.append(
            "try: measure the length again, touch both points again; then see that board and tip are tight and teach it again"
        )
    return "\n".join(lines)
