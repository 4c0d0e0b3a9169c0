"""`bayfix budget`: where the U of one figure comes from, and which single error would move it without being noticed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.base import DONE, Exit, JobDir, Json, print_json, shop_command
from cli.check import CarNotSeen, Photos, PlacementName
from cli.survey import BoardsFile, LensFiles, SheetFile, StandFile

if TYPE_CHECKING:
    from calib.decision.budget import Budget
    from calib.decision.monte_carlo import Drawn
    from calib.paper.sheet import Sheet
    from vision.reliability import SingleError

FigureName = Annotated[
    str,
    typer.Argument(
        metavar="FIGURE",
        help='A figure of `bayfix wheels` or `bayfix check` as printed there: distance, "thrust angle", "a ahead" …',
    ),
]
Draws = Annotated[int, typer.Option("--draws", min=0, help="Check the U by so many random draws (10000 take some 20 s).")]
Seed = Annotated[int, typer.Option("--seed", help="Of the random draws.")]
Picture = Annotated[Path | None, typer.Option("--picture", metavar="FILE.png", help="Where to draw it (default: results/).")]


@dataclass(frozen=True, slots=True, eq=False)
class BudgetRun:
    """A figure's budget, what could hide, what is taken on trust, draws if asked for, a check's placement."""

    budget: Budget
    hidden: tuple[tuple[SingleError, float], ...]
    trusted: tuple[SingleError, ...]
    drawn: Drawn | None
    sheet: Sheet | None = None


def register(app: typer.Typer) -> None:
    app.command("budget")(budget)


@shop_command
def budget(
    job: JobDir,
    figure: FigureName,
    photos: Photos = None,
    boards: BoardsFile = None,
    lens: LensFiles = None,
    sheet: SheetFile = None,
    stand: StandFile = None,
    placement: PlacementName = None,
    car_not_seen: CarNotSeen = None,
    draws: Draws = 0,
    seed: Seed = 1,
    picture: Picture = None,
    as_json: Json = False,
) -> Exit:
    """Where the U of one figure comes from, and what could be wrong with it unnoticed."""
    import json

    from calib.paper.job import write_result
    from cli import kept_survey, stations
    from cli.budget_picture import budget_png
    from cli.budget_run import placement_for, run_budget, typed_name
    from cli.budget_words import budget_document, in_words
    from cli.progress import progress_bars
    from vision.toml_io import write_file

    figure = typed_name(figure)
    desk = stations.open_desk(job, stations.Overrides(boards, tuple(lens or ()), sheet, stand))
    wanted = placement_for(desk, figure, placement)
    if wanted is not None and wanted.kind != "mat":
        own = desk.job.stand_of(wanted.name)
        if own is not None and stand is None:
            desk = stations.open_desk(job, stations.Overrides(boards, tuple(lens or ()), sheet, own))
    survey = kept_survey.load_survey(desk)
    with progress_bars({}) as tick:
        run = run_budget(
            *(desk, survey, figure, photos or (), tick),
            sheet=wanted,
            car_not_seen=car_not_seen,
            draws=draws,
            seed=seed,
        )
    document = budget_document(run, survey)
    name = "-".join(filter(None, ("budget", document["placement"], document["figure"])))
    write_result(desk.job, f"{name}.json", json.dumps(document, indent=1, ensure_ascii=False))
    if picture:
        write_file(picture, budget_png(document))
    else:
        write_result(desk.job, f"{name}.png", budget_png(document))
    if as_json:
        print_json(document)
    else:
        typer.echo(in_words(document))
        typer.echo(f"drawn: {picture or desk.job.results_folder / (name + '.png')}", err=True)
    return DONE
