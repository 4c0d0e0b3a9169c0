"""What a judged car rests on besides its survey, as fingerprints: `vehicle.json` keeps them, a job's status compares them."""

from __future__ import annotations

import hashlib
from pathlib import Path

from calib.paper.job import Job
from calib.paper.sheet import FloorLimits, read_sheets
from cli.points_kept import needed_points, read_points
from vision.errors import MeasurementError


def car_inputs(job: Job, vehicle: Path | None) -> dict[str, str]:
    """Fingerprints by the name that people are told: the vehicle file, entries of the job, the floor's limits, touched points.

    The survey's own inputs (boards, lens profiles, floor and wheel boards, tape) are its identity and stand in it.
    """
    what = {
        "the vehicle file": vehicle.read_text(encoding="utf-8", errors="replace") if vehicle else "",
        "stand-offs, floor or wheel entries of job.toml": repr(
            (
                job.wheels,
                job.turning,
                job.body,
                job.floor_pm_mm,
                job.floor_typed,
                job.standoff_common_pm_mm,
                job.floor_overruled,
            )
        ),
        "what the sheet asks of the floor": _floor_asked(job),
        "touched points": _points(job),
    }
    return {name: hashlib.sha256(text.encode()).hexdigest()[:16] for name, text in what.items()}


def _floor_asked(job: Job) -> str:
    """Limits of every placement, and what its area is made of; "" while there is no sheet that can be read."""
    if job.sheet is None:
        return ""
    try:
        sheets = read_sheets(job.sheet)
    except MeasurementError:
        return ""
    limited = [sheet for sheet in sheets.placements if sheet.floor_limits != FloorLimits()]
    return repr([(sheet.floor_limits, sheet.origin, sheet.line, sheet.side, sheet.required) for sheet in limited])


def _points(job: Job) -> str:
    names = needed_points(job)
    return repr([row for row in read_points(job) if row["name"] in names]) if names else ""
