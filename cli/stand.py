"""`bayfix stand`: teach where the boards sit on a target, from touched marks instead of a rule."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.base import DONE, Exit, JobDir, Json, print_json, shop_command
from cli.check import Photos
from cli.survey import BoardsFile, LensFiles

if TYPE_CHECKING:
    from cli.stand_run import StandRun

stand_app = typer.Typer(no_args_is_help=True, help="Where the boards sit on a target: teach it instead of measuring it.")


def register(app: typer.Typer) -> None:
    app.add_typer(stand_app, name="stand")


@stand_app.callback()
def stand_options() -> None:
    """Where the boards sit on a target: teach it instead of measuring it with a rule."""


@stand_app.command("teach")
@shop_command
def teach(
    job: JobDir,
    photos: Photos = None,
    marks: Annotated[
        Path, typer.Option("--marks", help="Places of marks, and of boards printed, on the target (target-marks/1).")
    ] = Path("target-marks.toml"),
    board: Annotated[
        list[str] | None, typer.Option("--board", help="A board on the target (repeatable; default: every stand-… board).")
    ] = None,
    out: Annotated[Path, typer.Option("--out", help="Stand file to write.")] = Path("stand.toml"),
    boards: BoardsFile = None,
    lens: LensFiles = None,
    as_json: Json = False,
) -> Exit:
    """Find the boards' places on the target from photos of it and from what is known of its face: marks, a printed board, both.

    Photograph the target as for a check (photos/check-1). Where its maker printed a board on the face, its place in the marks
    file suffices. Else, or besides, without moving it set the stylus on three or more marks of its face, four to six photos
    each into photos/touch-MARK, the target's boards in every picture; give the marks' places in the file.
    """
    from calib.paper.stand_writing import kept_of, write_stand
    from cli import kept_survey, stations
    from cli.progress import progress_bars
    from cli.stand_run import run_stand

    desk = stations.open_desk(job, stations.Overrides(boards, tuple(lens or ())), with_stand=False)
    survey = kept_survey.load_survey(desk)
    kept = kept_of(out)
    with progress_bars({}) as tick:
        run = run_stand(desk, survey, marks, board or (), photos or (), tick)
    write_stand(out, run.stand, kept)
    document = stand_document(run, out, kept.names)
    if as_json:
        print_json(document)
    else:
        typer.echo(in_words(document))
    return DONE


def stand_document(run: StandRun, out: Path, kept: Sequence[str]) -> dict[str, Any]:
    import math

    rows = []
    for entry in run.stand.boards:
        rows.append(
            {
                "board": entry.board,
                "right_mm": entry.right_mm,
                "up_mm": entry.up_mm,
                "behind_mm": entry.behind_mm,
                "turn_deg": math.degrees(entry.turn_rad),
                "U_right_mm": entry.right_pm_mm,
                "U_up_mm": entry.up_pm_mm,
                "U_behind_mm": entry.behind_pm_mm,
                "U_turn_deg": math.degrees(entry.turn_pm_rad),
                "U_lean_deg": math.degrees(entry.parallel_pm_rad),
            }
        )
    gaps = {name: [float(value) for value in gap] for name, gap in run.places.gaps_mm.items()}
    keys = ("right_mm", "up_mm", "out_mm", "turn_deg", "lean_right_deg", "lean_down_deg")
    on_face = {
        name: dict(zip(keys, [*map(float, gap[:3]), *(math.degrees(value) for value in gap[3:])], strict=True))
        for name, gap in run.places.board_gaps.items()
    }
    return {
        "file": out.as_posix(),
        "kept": list(kept),
        "boards": rows,
        "marks": gaps,
        "on_face": on_face,
        "residual_mm": run.places.rms_mm,
        "chi_square": run.places.chi_square,
        "redundancy": run.places.redundancy,
        "photos": list(run.photos),
        "remarks": list(run.remarks),
    }


def in_words(document: dict[str, Any]) -> str:
    from cli.table import number, table

    rows = [
        [
            row["board"],
            *(f"{number(row[key], 2)} ± {row[f'U_{key}']:.2f}" for key in ("right_mm", "up_mm", "behind_mm")),
            f"{number(row['turn_deg'], 3)} ± {row['U_turn_deg']:.3f}",
        ]
        for row in document["boards"]
    ]
    marks = [[name, *(number(value, 2, sign=True) for value in gap)] for name, gap in document["marks"].items()]
    faces = [
        [
            name,
            *(number(gap[key], 2, sign=True) for key in ("right_mm", "up_mm", "out_mm")),
            number(gap["turn_deg"], 3, sign=True),
        ]
        for name, gap in document["on_face"].items()
    ]
    lines = [
        f"from {source_words(document)} and {len(document['photos'])} photos, as seen by a person who faces the target:",
        "",
        table(["board", "right mm", "up mm", "behind mm", "turn deg"], rows, (1, 2, 3, 4)),
        "",
    ]
    if marks:
        lines += [table(["mark", "off right mm", "off up mm", "out of the face mm"], marks, (1, 2, 3)), ""]
    if faces and document["redundancy"]:
        head = ["known board", "off right mm", "off up mm", "out of the face mm", "turned deg"]
        lines += [table(head, faces, (1, 2, 3, 4)), ""]
    kept = ", ".join(document["kept"])
    lines[-1:] = [
        *(f"note: {remark}" for remark in document["remarks"]),
        "",
        *[f"kept of the file it replaces: {kept}; strike what is of another stand"] * bool(kept),
        f'written  {document["file"]}; name it in job.toml (stand = "…")',
    ]
    return "\n".join(lines)


def source_words(document: dict[str, Any]) -> str:
    """What the places come from, and how well it fits itself."""
    parts = [f"{len(document['marks'])} marks"] if document["marks"] else []
    parts += [f"{name} on the face" for name in document["on_face"]]
    within = f" (within {document['residual_mm']:.2f} mm RMS)" if document["redundancy"] else ""
    return " and ".join(parts) + within
