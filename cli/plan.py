"""`bayfix plan`: before the first photo, whether this camera in this bay can decide this sheet, and where to stand."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cli.base import DONE, Exit, Json, print_json, shop_command
from cli.check import PlacementName

SheetPath = Annotated[Path, typer.Argument(metavar="SHEET", help="The placement sheet.")]
CameraFile = Annotated[Path, typer.Option("--camera", metavar="PROFILE", help="Lens profile of the camera.")]
BayFile = Annotated[
    Path | None, typer.Option("--bay", help="Bay file: car, floor boards, photos, how well things are measured.")
]
BoardsPath = Annotated[
    Path | None, typer.Option("--boards", help="Board file (default: starter set A4, bars measured to ±0.1 mm).")
]
StandFiles = Annotated[
    list[str] | None,
    typer.Option(
        "--stand",
        metavar="FILE",
        help="Stand file or mat file (default: stand-1 and stand-2, 520 mm apart; a mat's marks touched). Of several targets "
        "NAME=FILE, once for each.",
    ),
]
Dim = Annotated[bool, typer.Option("--dim", help="Reckon with poor light.")]
Out = Annotated[Path, typer.Option("--out", metavar="DIR", help="Where plan.json and the photo plan go.")]
NoIdeas = Annotated[bool, typer.Option("--no-ideas", help="Do not try what would help (quicker).")]


def register(app: typer.Typer) -> None:
    app.command("plan")(plan)


@shop_command
def plan(
    sheet: SheetPath,
    camera: CameraFile,
    placement: PlacementName = None,
    bay: BayFile = None,
    boards: BoardsPath = None,
    stand: StandFiles = None,
    dim: Dim = False,
    out: Out = Path("plan"),
    no_ideas: NoIdeas = False,
    as_json: Json = False,
) -> Exit:
    """Predict every U of the sheet, say whether each tolerance can be decided, and draw where to stand.

    Targets that stand at the same time are planned together; a mat by its mat file and the boards on it, else by touched marks.
    """
    from calib.decision.plan import decide_all
    from calib.paper.photo_plan import photo_plan
    from cli.plan_ideas import cheapest, tried
    from cli.plan_run import predict
    from cli.plan_setting import not_planned, open_setting, touched_words, write_plan
    from cli.plan_words import in_words, plan_document

    given = stand or []
    setting = open_setting(sheet, camera, placement=placement or "", bay=bay, boards=boards, stands=given, dim=dim)
    predicted = predict(setting)
    decided = decide_all(predicted.placed, predicted.joint)
    outcomes = [] if no_ideas else list(tried(setting))
    document = plan_document(setting, predicted, decided, outcomes, cheapest(decided, outcomes))
    drawing = photo_plan(setting.bay, setting.targets, f"Photo plan: {setting.words}", setting.boards)
    write_plan(out, document, drawing)
    if as_json:
        print_json(document)
    else:
        typer.echo(in_words(document))
        for other in not_planned(sheet, setting):
            typer.echo(
                f"planned by itself, by the stand file given; {other} stands at the same time: --stand NAME=FILE for each "
                "plans all together",
                err=True,
            )
        for words in touched_words(setting):
            typer.echo(words, err=True)
        typer.echo(f"drawn: {out / 'photo-plan.png'} and .svg; photos and figures: {out / 'plan.json'}", err=True)
    return DONE
