"""`bayfix check`: measure the stand in later photos, on top of the kept survey, and judge it against the placement sheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypedDict

import typer

from cli.base import Exit, JobDir, Json, Without, print_json, shop_command
from cli.sheet import Accept
from cli.survey import BoardsFile, LensFiles, SheetFile, StandFile

if TYPE_CHECKING:
    from calib.pipeline import CarStayed, CheckOutcome
    from vision.moved import Moved
    from vision.network import Network

DISCLAIMER = (
    "A measurement of where the target stands, nothing more: the vehicle maker's procedure and the qualified technician "
    "decide. It does not calibrate a sensor and does not clear a vehicle for the road."
)
NOT_SHOWN = "car not seen: not shown that it stayed"

Photos = Annotated[
    list[Path] | None, typer.Argument(metavar="PHOTOS", help="Photos of this check (default: the newest check-… folder).")
]
CarNotSeen = Annotated[
    str | None, typer.Option("--car-not-seen", metavar="REASON", help="Why no wheel board is seen; kept with the result.")
]
PlacementName = Annotated[
    str | None,
    typer.Option("--placement", metavar="NAME", help="Which placement of the sheet (default: the first that is not done)."),
]
GuardBand = Annotated[bool, typer.Option("--guard-band", help="Stricter rule: the error must be inside by U.")]


@dataclass(frozen=True, slots=True, eq=False)
class CheckRun:
    """Everything one check showed."""

    epoch: str
    outcome: CheckOutcome
    stayed: tuple[CarStayed, ...]
    moved: tuple[Moved, ...]
    network: Network
    photos: tuple[str, ...]
    remarks: tuple[str, ...]


class How(TypedDict, total=False):
    """How a check is to be judged, for all its targets alike; without a key: as by the command without its option."""

    car_not_seen: str | None
    without: Sequence[str]
    guard_band: bool


def register(app: typer.Typer) -> None:
    app.command("check")(check)


@shop_command
def check(
    job: JobDir,
    photos: Photos = None,
    boards: BoardsFile = None,
    lens: LensFiles = None,
    sheet: SheetFile = None,
    stand: StandFile = None,
    placement: PlacementName = None,
    accept: Accept = False,
    car_not_seen: CarNotSeen = None,
    without: Without = None,
    guard_band: GuardBand = False,
    as_json: Json = False,
) -> Exit:
    """Measure the stand, or all that stand at the same time, and judge them against the placement sheet; says what to move."""
    from calib.decision.verdict import overall
    from calib.paper.job_state import open_placement
    from calib.paper.sheet import chosen, read_sheets
    from calib.paper.sheet_questions import settled
    from cli import kept_survey, stations
    from cli.check_inputs import check_inputs, states_of
    from cli.check_words import in_words
    from cli.checks_kept import documents_of, keep
    from cli.group_words import group_document, group_in_words
    from cli.progress import progress_bars
    from cli.targets import targets_of
    from cli.together import run_together

    desk = stations.open_desk(job, stations.Overrides(boards, tuple(lens or ()), sheet, stand))
    path = desk.job.need_sheet()
    sheets = read_sheets(path)
    wanted = chosen(sheets, path, placement or open_placement(states_of(desk.job, sheets)))
    targets = targets_of(desk, sheets, wanted, stand_given=stand is not None)
    accepted = settled(path, sheets, accept=accept)
    survey = kept_survey.load_survey(desk)
    made_from = [check_inputs(target.desk.job, target.sheet, target.file) for target in targets]
    how: How = {"car_not_seen": car_not_seen, "without": without or (), "guard_band": guard_band}
    with progress_bars({}) as tick:
        runs = run_together(targets, survey, photos or (), tick, how)
    documents = documents_of(targets, runs, sheets, survey, car_not_seen, accepted, made_from)
    document = documents[0] if len(documents) == 1 else group_document(documents)
    if not without:
        keep(desk.job, document, sheets)
    if as_json:
        print_json(document)
    else:
        typer.echo(in_words(document) if len(documents) == 1 else group_in_words(document))
    return Exit[overall(run.outcome.judgement.verdict for run in runs).name]
