"""What lies in a job's folder, for its status: every file is looked at, none is written."""

from __future__ import annotations

import json
from pathlib import Path

from calib.paper import before, job_state
from calib.paper.epochs import photos
from calib.paper.history import history
from calib.paper.job import Job
from calib.paper.next_step import Facts
from calib.paper.sheet import read_sheets
from cli import kept_survey, stations
from vision.errors import MeasurementError


def facts_of(folder: Path) -> Facts:
    """Everything the status screen is made of.

    Raises
    ------
    FileError
        The job, its sheet or its history cannot be read: before that is put right there is no sensible step.
    """
    desk = stations.open_desk(folder, stations.Overrides())
    job = desk.job
    path = job.need_sheet()
    sheets = read_sheets(path)
    entries = history(job)
    survey, words, identity = _survey(desk)
    return Facts(
        name=folder.as_posix(),
        before=before.list_document(before.questions_of(job), before.latest_answers(entries)),
        sheet_words=sheets.confirmation.words,
        sheet_confirmed=sheets.confirmation.state == "confirmed",
        sheet_path=path.as_posix(),
        photos=_photos(job),
        survey=survey,
        survey_words=words,
        car=_car(job, identity),
        placements=job_state.placement_states(sheets, entries),
        mode=job.turning.mode,
    )


def _photos(job: Job) -> dict[str, int]:
    if not any(path.is_file() for path in job.photos_folder.rglob("*")):
        return {}
    return {epoch: len(paths) for epoch, paths in photos(job).items()}


def _survey(desk: stations.Desk) -> tuple[str, str, str]:
    """Why there is no good survey, or "", words and identity of the one there is."""
    try:
        survey = kept_survey.load_survey(desk)
    except MeasurementError as err:
        return err.what, "", ""
    taken = {row["name"] for row in survey.document["photos"]}
    there = {path.relative_to(desk.job.photos_folder).as_posix() for epoch, paths in photos(desk.job).items()
             if not epoch.startswith("check-") for path in paths}  # fmt: skip
    new = sorted(there - taken)
    if new:
        return f"photos added since the survey: {', '.join(new[:3])}{' …' if len(new) > 3 else ''}", "", ""
    return "", f"{survey.id} of {survey.date[:16]}, {len(taken)} photos", survey.id


def _car(job: Job, survey_id: str) -> str:
    """Verdict of the newest `vehicle.json` if it was made on this survey."""
    if job.vehicle is None:
        return "none"
    path = job.results_folder / "vehicle.json"
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return ""
    if not isinstance(document, dict) or document.get("survey", {}).get("id") != survey_id:
        return ""
    verdict = str(document.get("verdict", ""))
    return "none" if verdict == "no limits given" else verdict
