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
StandPath = Annotated[Path | None, typer.Option("--stand", help="Stand file (default: stand-1 and stand-2, 520 mm apart).")]
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
    stand: StandPath = None,
    dim: Dim = False,
    out: Out = Path("plan"),
    no_ideas: NoIdeas = False,
    as_json: Json = False,
) -> Exit:
    """Predict every U of the sheet, say whether each tolerance can be decided, and draw where to stand."""
    from calib.decision.plan import decide
    from calib.paper.photo_plan import photo_plan
    from cli.plan_ideas import cheapest, tried
    from cli.plan_run import predict
    from cli.plan_setting import open_setting, others_beside, write_plan
    from cli.plan_words import in_words, plan_document

    setting = open_setting(sheet, camera, placement=placement or "", bay=bay, boards=boards, stand=stand, dim=dim)
    predicted = predict(setting)
    decision = decide(predicted.placement, setting.sheet)
    outcomes = [] if no_ideas else list(tried(setting))
    document = plan_document(setting, predicted, decision, outcomes, cheapest(decision, outcomes))
    drawing = photo_plan(setting.bay, setting.sheet, f"Photo plan: {setting.sheet.target}")
    write_plan(out, document, drawing)
    if as_json:
        print_json(document)
    else:
        typer.echo(in_words(document))
        for other in others_beside(sheet, setting.sheet.name):
            typer.echo(f"{other} stands at the same time, in the same photos: plan it too, --placement {other}", err=True)
        typer.echo(f"drawn: {out / 'photo-plan.png'} and .svg; photos and figures: {out / 'plan.json'}", err=True)
    return DONE
