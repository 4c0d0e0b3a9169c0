"""Where a job stands: what is done, what is missing, what blocks, and the next sensible step.

A placement is done when a check of it conforms *and* the scan tool's outcome was noted as completed after it. A check counts
while sheet, stand, boards and the other things it was computed from say what they said then.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from calib.paper.check_inputs import CheckInput, changed_inputs, says_inputs
from calib.paper.history import Entry
from calib.paper.placements import PlacementSheet, Required, Sheet, TargetKind

CHECK, GROUP, OUTCOME = "check/1", "check-group/1", "outcome/1"
CONFORMS = "conforms"
NO_DIFFERENCE = 1e-6
"""Of two values of a sheet, mm or degrees: rounding of unit conversions."""
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
        Points to be touched for it: of a mat, as far as no board on it shows them.
    kind : str
        As on the sheet.
    in_photos : bool
        Photos of a check show it; they do not show a mat without boards.
    together : tuple of str
        Names of all placements whose targets stand at the same time, this one among them; empty when it stands by itself.
    changed : tuple of str
        What the newest check was computed from and is otherwise now, in words: such a check does not count.
    """

    name: str
    target: str
    checks: int
    check: Mapping[str, Any] | None
    outcome: Mapping[str, Any] | None
    marks: tuple[str, ...] = ()
    kind: TargetKind = "panel"
    in_photos: bool = True
    together: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()

    @property
    def conforms(self) -> bool:
        return self.check is not None and self.check["verdict"] == CONFORMS and not self.changed

    @property
    def untold(self) -> bool:
        """Whether the newest check's record does not say what it was computed from: it counts, and this is said beside it."""
        return self.check is not None and not says_inputs(self.check)

    @property
    def is_done(self) -> bool:
        return self.conforms and self.outcome is not None and self.outcome["outcome"] == COMPLETED


def placement_states(
    sheets: PlacementSheet,
    entries: Sequence[Entry],
    now: Mapping[str, Sequence[CheckInput]],
    shown: Mapping[str, Collection[str]] | None = None,
) -> tuple[PlacementState, ...]:
    """Every placement in the sheet's order, by what the history says of it.

    Parameters
    ----------
    now : mapping of placement to CheckInputs
        What a check of it would be computed from.
    shown : mapping of placement to names of marks, optional
        Marks of mats that boards on them show in photos: they need no touch.
    """
    entries = [one for entry in entries for one in _one_by_one(entry)]
    groups = {sheet.name: tuple(one.name for one in sheets.together(sheet.name)) for sheet in sheets.placements}
    shown = shown or {}
    return tuple(
        _state(sheet, entries, groups[sheet.name], now[sheet.name], shown.get(sheet.name, ())) for sheet in sheets.placements
    )


def _one_by_one(entry: Entry) -> list[Entry]:
    """A check of several targets, or an outcome that is theirs, as one entry for each."""
    if entry.schema == GROUP:
        return [replace(entry, document=target) for target in entry.document["targets"]]
    if entry.schema == OUTCOME:
        names = [entry.document.get("placement", ""), *entry.document.get("also", ())]
        return [replace(entry, document={**entry.document, "placement": name}) for name in names]
    return [entry]


def _state(
    sheet: Sheet, entries: Sequence[Entry], group: tuple[str, ...], now: Sequence[CheckInput], shown: Collection[str]
) -> PlacementState:
    mine = [entry for entry in entries if entry.document.get("placement", "") == sheet.name]
    checks = [entry for entry in mine if entry.schema == CHECK and made_by(entry.document, sheet)]
    newest = checks[-1] if checks else None
    later = [entry for entry in mine if entry.schema == OUTCOME and newest is not None and entry.number > newest.number]
    return PlacementState(
        name=sheet.name,
        target=sheet.target,
        checks=len(checks),
        check=newest.document if newest else None,
        outcome=later[-1].document if later else None,
        kind=sheet.kind,
        marks=_to_touch(sheet, shown) if sheet.kind == "mat" else (),
        in_photos=sheet.kind != "mat" or bool(shown),
        together=group if len(group) > 1 else (),
        changed=changed_inputs(newest.document, now) if newest else (),
    )


def _to_touch(sheet: Sheet, shown: Collection[str]) -> tuple[str, ...]:
    return replace(sheet, marks=tuple(mark for mark in sheet.marks if mark.name not in shown)).touched_points


def made_by(check: Mapping[str, Any], sheet: Sheet) -> bool:
    """Whether a check was made by the placement as it stands now: the same target, line and values.

    A check by another sheet, or by this one before its numbers were changed, says nothing of it.
    """
    line = sheet.line if isinstance(sheet.line, str) else list(sheet.line)
    now = {"target": sheet.target, "origin": sheet.origin, "line": line, "side": sheet.side, "height_from": sheet.height_from}
    if any(check.get(key, value) != value for key, value in now.items()):
        return False
    rows = {row["name"]: row for row in check.get("figures", []) if row.get("required") is not None}
    wanted = {required.name.replace("_rad", "_deg"): _printed(required, sheet) for required in sheet.required}
    same = all(
        _same((rows[name]["required"], rows[name]["lower"], rows[name]["upper"]), wanted[name])
        for name in rows
        if name in wanted
    )
    return same and set(rows) <= set(wanted)


def _printed(required: Required, sheet: Sheet) -> tuple[float | None, float | None, float | None]:
    """Value and limits as results have them: degrees, a distance behind the car positive, null where there is no limit."""
    factor = (math.degrees(1.0) if required.name.endswith("_rad") else 1.0) * sheet.printed_sign(required.name)
    lower, upper = sorted((required.lower * factor, required.upper * factor))
    return required.value * factor, lower if math.isfinite(lower) else None, upper if math.isfinite(upper) else None


def _same(a: Sequence[float | None], b: Sequence[float | None]) -> bool:
    return all(x == y if x is None or y is None else abs(x - y) < NO_DIFFERENCE for x, y in zip(a, b, strict=True))


def next_open(states: Sequence[PlacementState]) -> PlacementState | None:
    """The first placement that is not done; None when all are.

    Of targets that stand at the same time, the first that does not conform yet: none of them is calibrated by before.
    """
    first = next((state for state in states if not state.is_done), None)
    if first is None:
        return None
    return next((state for state in of_group(states, first) if not state.conforms), first)


def of_group(states: Sequence[PlacementState], state: PlacementState) -> tuple[PlacementState, ...]:
    """A placement and those whose targets stand at the same time."""
    return tuple(one for one in states if one.name in (state.name, *state.together))


def outcome_document(
    placement: str,
    outcome: str,
    by: str,
    note: str,
    date: str,
    check: Mapping[str, Any] | None,
    also: Sequence[str] = (),
) -> dict[str, Any]:
    """`outcome/1`: what the scan tool said, and of which check it is; `also` names placements that stand at the same time."""
    return {
        "schema": OUTCOME,
        "date": date,
        "placement": placement,
        **({"also": list(also)} if also else {}),
        "outcome": outcome,
        "by": by,
        "note": note,
        "check": None if check is None else {key: check[key] for key in ("epoch", "date", "verdict", "survey")},
    }


def open_placement(states: Sequence[PlacementState]) -> str:
    """Name of the placement that is to be checked now: the first that is not done, the last when all are."""
    return (next_open(states) or states[-1]).name
