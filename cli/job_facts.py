"""What lies in a job's folder, for its status: every file is looked at, none is written."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from calib.paper import before
from calib.paper.epochs import photos
from calib.paper.history import history
from calib.paper.job import Job, lens_step, read_job
from calib.paper.mat import read_mat
from calib.paper.next_step import SHEET, Facts, Unready
from calib.paper.placements import PlacementSheet
from calib.paper.sheet import read_sheets
from calib.paper.stand import read_stand
from calib.paper.vehicle import read_vehicle
from cli import kept_survey, stations
from cli.car_inputs import car_inputs
from cli.check_inputs import carrier_file, states_of
from vision.errors import MeasurementError

T = TypeVar("T")


def facts_of(folder: Path) -> Facts:
    """Everything the status screen is made of.

    A sheet, stand or vehicle file that is not filled in yet, and a lens nobody calibrated, are lines of the screen.

    Raises
    ------
    FileError
        The job file or its history cannot be read: before that is put right there is no sensible step.
    """
    job = read_job(folder, lenses_there=False)
    path = job.need_sheet()
    sheets, unready = _papers(job, path)
    entries, questions = history(job), before.questions_of(job)
    survey, words, identity = _survey(job, unready)
    car, car_words = _car(job, identity)
    return Facts(
        name=folder.as_posix(),
        before=before.list_document(questions, before.latest_answers(entries, questions)),
        sheet_words=sheets.confirmation.words if sheets else "",
        sheet_confirmed=sheets is not None and sheets.confirmation.state == "confirmed",
        sheet_path=path.as_posix(),
        photos=_photos(job),
        survey=survey,
        survey_words=words,
        car=car,
        car_words=car_words,
        placements=states_of(job, sheets, _shown_marks(job, sheets)) if sheets else (),
        mode=job.turning.mode,
        unready=unready,
    )


def _papers(job: Job, sheet: Path) -> tuple[PlacementSheet | None, list[Unready]]:
    """The sheet, if it can be read, and every file that is not ready, in the order of the work."""
    unready: list[Unready] = []
    sheets = _read(SHEET, sheet, read_sheets, unready)
    unready += [Unready("lens", f"not calibrated yet: {lens.as_posix()}", lens_step(job, lens)) for lens in job.missing_lenses]
    mats = _mat_files(job, sheets) if sheets else {}
    for path in dict.fromkeys(filter(None, (job.stand, *(path for _, path in job.stands)))):
        is_mat = path in mats.values()
        if not path.is_file() and sheets:
            unready.append(_missing(job, sheets, path, is_mat=is_mat))
        elif is_mat:
            _read("mat file", path, read_mat, unready)
        else:
            _read("stand", path, read_stand, unready)
    if job.vehicle:
        _read("vehicle file", job.vehicle, read_vehicle, unready)
    return sheets, unready


def _missing(job: Job, sheets: PlacementSheet, path: Path, *, is_mat: bool) -> Unready:
    """A stand or mat file that is not there: its placements cannot be checked yet."""
    served = tuple(sheet.name for sheet in sheets.placements if carrier_file(job, sheet) == path)
    words = f"not there yet: {path.as_posix()}" + "".join(f", for {name}" for name in served if name)
    placements = served or tuple(name for name, file in job.stands if file == path) or (path.name,)
    if is_mat:
        return Unready("mat file", words, f"measure the places on the mat and write {path.as_posix()}", placements)
    teach = f"put the target up and teach it (bayfix stand teach {job.folder.as_posix()} --out {path.as_posix()})"
    return Unready("stand", words, f"{teach}, or measure where its boards are and write the file", placements)


def _mat_files(job: Job, sheets: PlacementSheet) -> dict[str, Path]:
    return {name: path for name, path in job.stands for sheet in sheets.placements if (sheet.name, sheet.kind) == (name, "mat")}


def _shown_marks(job: Job, sheets: PlacementSheet) -> dict[str, tuple[str, ...]]:
    """Marks that boards on a mat show, by placement; none of a mat file that is not ready, which has a line of its own."""
    out = {}
    for name, path in _mat_files(job, sheets).items():
        mat = _read("mat file", path, read_mat, [])
        out[name] = mat.mark_names if mat else ()
    return out


def _read(what: str, path: Path, read: Callable[[Path], T], unready: list[Unready]) -> T | None:
    """A file as read; one that cannot be read is added to `unready` with its first fault."""
    try:
        return read(path)
    except MeasurementError as err:
        first, *more = err.what.splitlines()
        others = f", and {len(more)} more" if more else ""
        unready.append(Unready(what, f"not ready: {first}{others}", f"fill in {path.as_posix()}, or correct it"))
        return None


def _photos(job: Job) -> dict[str, int]:
    if not any(path.is_file() for path in job.photos_folder.rglob("*")):
        return {}
    return {epoch: len(paths) for epoch, paths in photos(job).items()}


def _survey(job: Job, unready: list[Unready]) -> tuple[str, str, str]:
    """Why there is no good survey, or "", words and identity of the one there is."""
    if missing := [file.what for file in unready if file.what in ("lens", "stand") and not file.holds_up]:
        return f"not before the {missing[0]} is ready", "", ""
    try:
        survey = kept_survey.load_survey(stations.open_desk(job.folder, stations.Overrides()))
    except MeasurementError as err:
        return err.what, "", ""
    taken = {row["name"] for row in survey.document["photos"]}
    there = {path.relative_to(job.photos_folder).as_posix() for epoch, paths in photos(job).items()
             if not epoch.startswith("check-") for path in paths}  # fmt: skip
    new = sorted(there - taken)
    if new:
        return f"photos added since the survey: {', '.join(new[:3])}{' …' if len(new) > 3 else ''}", "", ""
    return "", f"{survey.id} of {survey.date[:16]}, {len(taken)} photos", survey.id


def _car(job: Job, survey_id: str) -> tuple[str, str]:
    """Verdict of the newest `vehicle.json`, or "" and why it does not count: another survey, or other limits and entries."""
    if job.vehicle is None:
        return "none", ""
    path = job.results_folder / "vehicle.json"
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        verdict, survey, inputs = str(document["verdict"]), document["survey"]["id"], document.get("inputs")
    except FileNotFoundError:
        return "", "not judged yet"
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return "", f"not judged: {path.as_posix()} is damaged"
    if survey != survey_id:
        return "", "not judged on this survey"
    if not isinstance(inputs, dict):
        return "", "judged by an earlier version, which did not note by what: judge it again"
    if changed := [name for name, print_ in car_inputs(job, job.vehicle).items() if inputs.get(name) != print_]:
        return "", f"out of date: {', '.join(changed)} changed since the car was judged"
    return "none" if verdict == "no limits given" else verdict, ""
