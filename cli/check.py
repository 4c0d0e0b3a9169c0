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
    from calib.paper.placements import PlacementSheet, Sheet
    from calib.pipeline import CarStayed, CheckOutcome
    from vision.moved import Moved
    from vision.network import Network

DISCLAIMER = (
    "A measurement of where the target stands, nothing more: the vehicle maker's procedure and the qualified technician "
    "decide. It does not calibrate a sensor and does not clear a vehicle for the road."
)
NOT_SHOWN = "car not seen: not shown that it stayed"

Photos = Annotated[list[Path] | None, typer.Argument(help="Photos of this check (default: the newest check-… folder).")]
CarNotSeen = Annotated[
    str | None, typer.Option("--car-not-seen", metavar="REASON", help="Why no wheel board is seen; kept with the result.")
]
PlacementName = Annotated[
    str | None, typer.Option("--placement", metavar="NAME", help="Which placement of the sheet (needed when it has several).")
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


class _How(TypedDict):
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
    """Measure the stand and judge it against the placement sheet; says what to move."""
    import json
    from dataclasses import replace

    from calib.paper.before import before_remarks
    from calib.paper.history import note
    from calib.paper.job import write_result
    from calib.paper.job_state import open_placement
    from calib.paper.sheet import chosen, read_sheets
    from calib.paper.sheet_questions import settled
    from cli import kept_survey, stations
    from cli.check_run import run_check
    from cli.check_words import check_document, in_words
    from cli.mat_run import run_mat
    from cli.progress import progress_bars
    from cli.touching import needed_points, with_points

    desk = stations.open_desk(job, stations.Overrides(boards, tuple(lens or ()), sheet, stand))
    path = desk.job.need_sheet()
    sheets = read_sheets(path)
    wanted = chosen(sheets, path, placement or open_placement(desk.job, sheets))
    own = desk.job.stand_of(wanted.name)
    if own is not None and stand is None:
        desk = stations.open_desk(job, stations.Overrides(boards, tuple(lens or ()), sheet, own))
    accepted = settled(path, sheets, accept=accept)
    survey = kept_survey.load_survey(desk)
    how: _How = {"car_not_seen": car_not_seen, "without": without or (), "guard_band": guard_band}
    if wanted.kind == "mat":
        run = run_mat(desk, wanted, survey, photos or (), **how)
    else:
        survey = with_points(desk, survey, needed_points(desk.job, wanted))
        with progress_bars({}) as tick:
            run = run_check(desk, wanted, survey, photos or (), tick, **how)
    run = replace(run, remarks=(*run.remarks, *_others(job, sheets, wanted), *before_remarks(desk.job)))
    document = check_document(run, wanted, survey, desk, car_not_seen, accepted)
    if not without:
        # Targets that stand at the same time are judged from the same photos: each keeps its own result.
        name = run.epoch if len(sheets.together(wanted.name)) == 1 else f"{run.epoch}-{wanted.name}"
        write_result(desk.job, f"{name}.json", json.dumps(document, indent=1, ensure_ascii=False))
        note(desk.job, run.epoch, document)
    if as_json:
        print_json(document)
    else:
        typer.echo(in_words(document))
    return Exit[run.outcome.judgement.verdict.name]


def _others(job: Path, sheets: PlacementSheet, wanted: Sheet) -> list[str]:
    """What has to stand at the same time and is judged by a check of its own."""
    return [
        f"{other.name} stands at the same time: check it from the same photos, with its own stand file: "
        f"bayfix check {job} --placement {other.name} --stand FILE"
        for other in sheets.together(wanted.name)
        if other is not wanted
    ]
