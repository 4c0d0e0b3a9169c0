"""What a check is computed from besides photos and touches, read from a job's files, and where its placements stand by it.

Not among it: what a stand is moved by and turns about, which measures nothing, and the survey, which is a measurement itself:
a car that was surveyed anew for the next placement leaves an earlier check as good as it was.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from pathlib import Path
from typing import ParamSpec

from calib.bodies import known_boards
from calib.paper.check_inputs import BOARDS, CARRIER, ENTRIES, UNREADABLE, CheckInput, fingerprint
from calib.paper.history import history
from calib.paper.job import Job
from calib.paper.job_state import PlacementState, placement_states
from calib.paper.mat import read_mat
from calib.paper.placements import PlacementSheet, Sheet
from calib.paper.stand import read_stand
from calib.paper.vehicle import read_vehicle
from cli.kept_survey import Survey
from vision.boards import Board
from vision.boards_io import read_boards
from vision.camera_io import profile_name, read_profile
from vision.errors import MeasurementError

LENS = "lens "
P = ParamSpec("P")


def check_inputs(job: Job, sheet: Sheet, file: Path | None) -> tuple[CheckInput, ...]:
    """As the files say now, each lens profile of the job by itself; a file that cannot be read stands there as such.

    Parameters
    ----------
    file : Path or None
        Stand or mat file of the target (`carrier_file`, unless another was given).
    """
    lenses = dict.fromkeys((*job.lens, *(path for _, path in job.lens_for)))
    return (
        CheckInput(CARRIER, _named(file, "no mat file"), _print(_carrier, sheet, file)),
        CheckInput(BOARDS, job.boards.name, _print(_boards, job, sheet, file)),
        *(CheckInput(f"{LENS}{profile_name(path)}", path.name, _print(_lens, path)) for path in lenses),
        CheckInput("vehicle", _named(job.vehicle, "no vehicle file"), _print(_vehicle, job.vehicle)),
        CheckInput(
            "stand-offs",
            "stand-offs in job.toml",
            fingerprint([(wheel.wheel, wheel.standoff) for wheel in job.wheels], job.standoff_common_pm_mm),
        ),
        CheckInput(
            ENTRIES,
            "floor, wheel or body entries or tape distances of job.toml",
            fingerprint(
                job.floor,
                [(w.wheel, w.board, w.flange, w.centring_pm_mm, w.mounting_pm_rad) for w in job.wheels],
                *(job.turning, job.body, job.distances, job.floor_overruled),
                *(job.floor_pm_mm, job.floor_typed),
            ),
        ),
        CheckInput("sheet", f"boards, floor limits or places in {job.need_sheet().name}", _asked(sheet)),
    )


def inputs_used(inputs: Sequence[CheckInput], survey: Survey, names: Collection[str]) -> tuple[CheckInput, ...]:
    """Without the lens profiles that took no photo of survey or check.

    Parameters
    ----------
    names : collection of str
        Unknowns of the check's adjustment: "lens:phone:fx_px" …
    """
    used = {str(photo["lens"]) for photo in survey.document["photos"]}
    used |= {name.split(":")[1] for name in names if name.startswith("lens:")}
    return tuple(one for one in inputs if not one.kind.startswith(LENS) or one.kind.removeprefix(LENS) in used)


def states_of(
    job: Job, sheets: PlacementSheet, shown: Mapping[str, Collection[str]] | None = None
) -> tuple[PlacementState, ...]:
    """Every placement in the sheet's order, by what the history says of it and what its check was computed from."""
    now = {sheet.name: check_inputs(job, sheet, carrier_file(job, sheet)) for sheet in sheets.placements}
    return placement_states(sheets, history(job), now, shown)


def carrier_file(job: Job, sheet: Sheet) -> Path | None:
    """The stand file of a target; of a mat its mat file, none where its marks are touched."""
    own = dict(job.stands).get(sheet.name)  # not `stand_of`: a file that nobody made yet is no reason to refuse here
    return own if sheet.kind == "mat" else own or job.stand


def _print(read: Callable[P, Sequence[object]], *args: P.args, **named: P.kwargs) -> str:
    try:
        return fingerprint(*read(*args, **named))
    except MeasurementError:
        return UNREADABLE


def _named(file: Path | None, otherwise: str) -> str:
    return file.name if file else otherwise


def _carrier(sheet: Sheet, file: Path | None) -> list[object]:
    if file is None:
        return []
    if sheet.kind == "mat":
        return [read_mat(file)]
    stand = read_stand(file)
    return [stand.boards, stand.taught.cov if stand.taught else []]


def _boards(job: Job, sheet: Sheet, file: Path | None) -> Sequence[Board]:
    """Boards that the check can have seen: those of floor and car, and of this target."""
    wanted = known_boards(job, None)
    if file is not None:
        wanted |= set(read_mat(file).board_names if sheet.kind == "mat" else read_stand(file).names)
    return sorted((board for board in read_boards(job.boards) if board.name in wanted), key=lambda board: board.name)


def _lens(path: Path) -> list[object]:
    profile = read_profile(path)
    camera = profile.camera
    return [camera.width_px, camera.height_px, camera.parameters, profile.cov, profile.focus, profile.wobble]


def _vehicle(file: Path | None) -> list[object]:
    return [read_vehicle(file)] if file else []


def _asked(sheet: Sheet) -> str:
    """What the figures' numbers and the line's name (`calib.paper.job_state.made_by`) do not show."""
    marks = [(mark.name, sheet.place(mark.at)) for mark in sheet.marks]
    return fingerprint(sheet.target_boards, sheet.floor_limits, marks, sheet.origin_place, sheet.line_places)
