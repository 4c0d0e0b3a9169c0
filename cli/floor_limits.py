"""The floor of a surveyed car against the limits that the placements of the job's sheet set to it."""

from __future__ import annotations

from dataclasses import dataclass

from calib.alignment import Alignment
from calib.decision.floor_limits import FloorRow, judge_floor
from calib.decision.verdict import Rule
from calib.geometry.places import with_board_marks
from calib.paper.sheet import read_sheets
from calib.paper.vehicle import Overruled
from cli.stations import Desk
from vision.errors import FileError


@dataclass(frozen=True, slots=True)
class FloorJudged:
    """The strictest row of every figure, who overruled them, and why a sheet could not be read ("" when it could)."""

    rows: tuple[FloorRow, ...]
    overruled: Overruled | None
    unread: str = ""

    @property
    def blocking(self) -> tuple[FloorRow, ...]:
        """Limits that are not shown to be kept, and not overruled."""
        return () if self.overruled else tuple(row for row in self.rows if row.blocks)


def floor_limits(desk: Desk, found: Alignment, rule: Rule) -> FloorJudged:
    """Limits of all placements of the job's sheet; a sheet that is not filled in yet sets none, and that is said."""
    job = desk.job
    if job.sheet is None:
        return FloorJudged((), job.floor_overruled)
    try:
        sheets = read_sheets(job.sheet)
    except FileError as err:
        unread = f"what the sheet asks of the floor was not looked at: {err.what.splitlines()[0]}"
        return FloorJudged((), job.floor_overruled, unread)
    rows: dict[str, FloorRow] = {}
    for sheet in sheets.placements:
        poses = with_board_marks(found.car.poses, sheet, desk.boards)
        for row in judge_floor(poses, found.car.floor, found.car.uneven.pm_mm, sheet, rule):
            if row.name not in rows or (row.probability or 0.0) < (rows[row.name].probability or 0.0):
                rows[row.name] = row
    return FloorJudged(tuple(rows.values()), job.floor_overruled)
