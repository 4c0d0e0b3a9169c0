"""Touched points as they are kept, in `results/points.json`: which are needed, and their rows read, written and forgotten."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from calib.paper.job import Job, write_result
from calib.paper.sheet import Sheet
from vision.errors import FileError

POINTS_SCHEMA = "points/1"
POINTS_FILE = "points.json"


def needed_points(job: Job, sheet: Sheet | None = None) -> tuple[str, ...]:
    """Touched points that a check by this sheet, or any figure of the car, is made of."""
    named = sheet.touched_points if sheet else ()
    flanges = (point for points in job.flanges.values() for point in points)
    return tuple(dict.fromkeys((*named, *flanges)))


NEEDED = {"name", "survey", "stylus", "photos", "sightings", "moved_since_survey"}
"""What a kept point is used by."""


def read_points(job: Job) -> list[dict[str, Any]]:
    """Rows of `results/points.json`; none when nothing was touched yet.

    Raises
    ------
    FileError
        Damaged, or of another version.
    """
    path = job.results_folder / POINTS_FILE
    if not path.is_file():
        return []
    hint = f"delete it and touch the points again: bayfix touch {job.folder} NAME"
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as err:
        raise FileError(f"{path}: damaged: {err}", hint=hint) from err
    if not isinstance(document, dict) or document.get("schema") != POINTS_SCHEMA:
        raise FileError(f"{path} is not of the version this one reads, {POINTS_SCHEMA!r}", hint=hint)
    rows = document.get("points")
    if not isinstance(rows, list) or not all(isinstance(row, dict) and row.keys() >= NEEDED for row in rows):
        raise FileError(f"{path}: damaged: a point without {', '.join(sorted(NEEDED))}", hint=hint)
    return rows


def keep_point(job: Job, row: Mapping[str, Any]) -> None:
    """Write a point's row in the place of an earlier one of the same name."""
    rows = [dict(row) if old["name"] == row["name"] else old for old in read_points(job)]
    if row["name"] not in [old["name"] for old in rows]:
        rows.append(dict(row))
    write_result(job, POINTS_FILE, json.dumps({"schema": POINTS_SCHEMA, "points": rows}, indent=1, ensure_ascii=False))


def forget_point(job: Job, name: str) -> None:
    """Take a touched point out of `results/points.json`: what it was on has moved since.

    Raises
    ------
    FileError
        There is no such point.
    """
    rows = read_points(job)
    if name not in [row["name"] for row in rows]:
        known = ", ".join(row["name"] for row in rows) or "none yet"
        raise FileError(f"point {name} was not touched in this job (touched: {known})", hint="nothing is to be forgotten")
    left = [row for row in rows if row["name"] != name]
    write_result(job, POINTS_FILE, json.dumps({"schema": POINTS_SCHEMA, "points": left}, indent=1, ensure_ascii=False))
