"""Where a job stands: what is done, what is missing, what blocks, and the next sensible step.

A placement is done when a check of it conforms *and* the scan tool's outcome was noted as completed after it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from calib.paper.history import Entry, history
from calib.paper.job import Job
from calib.paper.placements import PlacementSheet, Sheet

CHECK, OUTCOME = "check/1", "outcome/1"
CONFORMS = "conforms"
COMPLETED, NOT_COMPLETED = "completed", "not completed"


@dataclass(frozen=True, slots=True)
class PlacementState:
    """One placement of the sheet.

    Attributes
    ----------
    name : str
        "" on a sheet with one nameless placement.
    target : str
    checks : int
        Checks made of it so far.
    check : mapping or None
        The newest check's document.
    outcome : mapping or None
        What the scan tool said after that check; None when nothing was noted since.
    marks : tuple of str
        Points to be touched on it: of a mat, which no photo of a check shows.
    """

    name: str
    target: str
    checks: int
    check: Mapping[str, Any] | None
    outcome: Mapping[str, Any] | None
    marks: tuple[str, ...] = ()

    @property
    def conforms(self) -> bool:
        return self.check is not None and self.check["verdict"] == CONFORMS

    @property
    def is_done(self) -> bool:
        return self.conforms and self.outcome is not None and self.outcome["outcome"] == COMPLETED


def placement_states(sheets: PlacementSheet, entries: Sequence[Entry]) -> tuple[PlacementState, ...]:
    """Every placement in the sheet's order, by what the history says of it."""
    return tuple(_state(sheet, entries) for sheet in sheets.placements)


def _state(sheet: Sheet, entries: Sequence[Entry]) -> PlacementState:
    mine = [entry for entry in entries if entry.document.get("placement", "") == sheet.name]
    checks = [entry for entry in mine if entry.schema == CHECK]
    newest = checks[-1] if checks else None
    later = [entry for entry in mine if entry.schema == OUTCOME and newest is not None and entry.number > newest.number]
    return PlacementState(
        name=sheet.name,
        target=sheet.target,
        checks=len(checks),
        check=newest.document if newest else None,
        outcome=later[-1].document if later else None,
        marks=sheet.touched_points if sheet.kind == "mat" else (),
    )


def next_open(states: Sequence[PlacementState]) -> PlacementState | None:
    """The first placement that is not done; None when all are."""
    return next((state for state in states if not state.is_done), None)


def outcome_document(
    placement: str, outcome: str, by: str, note: str, date: str, check: Mapping[str, Any] | None
) -> dict[str, Any]:
    """`outcome/1`: what the scan tool said, and of which check it is."""
    return {
        "schema": OUTCOME,
        "date": date,
        "placement": placement,
        "outcome": outcome,
        "by": by,
        "note": note,
        "check": None if check is None else {key: check[key] for key in ("epoch", "date", "verdict", "survey")},
    }


def open_placement(job: Job, sheets: PlacementSheet) -> str:
    """Name of the placement that is to be checked now: the first that is not done, the last when all are."""
    state = next_open(placement_states(sheets, history(job)))
    return state.name if state else sheets.names[-1]
