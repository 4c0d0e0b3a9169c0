"""A placement sheet as people and machines read it: mm and degrees, a distance behind the car positive."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from calib.paper.placements import Confirmation, PlacementSheet, Required, Sheet

DIGITS = 9
"""Decimals kept of mm and degrees: rounding of unit conversions, 0.1 + 0.2, is no difference."""


def sheet_document(sheets: PlacementSheet) -> dict[str, Any]:
    """`sheet/1`: the placements in order, where the numbers come from, and who confirmed them."""
    source = sheets.placements[0].provenance
    return {
        "schema": "sheet/1",
        "placements": [placement_document(sheet) for sheet in sheets.placements],
        "provenance": {
            "document": source.document,
            "edition": source.edition,
            "date_read": source.date_read.isoformat() if source.date_read else None,
            "typed_by": source.typed_by,
            "checked_by": source.checked_by,
        },
        "state": state_document(sheets.confirmation),
    }


def state_document(confirmation: Confirmation) -> dict[str, Any]:
    """`sheet_state` of a result: draft or confirmed, by whom, in words."""
    return {
        "state": confirmation.state,
        "by": confirmation.by,
        "date": confirmation.date.isoformat() if confirmation.date else None,
        "words": confirmation.words,
    }


def placement_document(sheet: Sheet) -> dict[str, Any]:
    """One placement with its figures, units normalised."""
    return {
        "name": sheet.name,
        "target": sheet.target,
        "kind": sheet.kind,
        "target_boards": list(sheet.target_boards),
        "origin": sheet.origin,
        "line": sheet.line if isinstance(sheet.line, str) else list(sheet.line),
        "side": sheet.side,
        "height_from": sheet.height_from,
        "with": sheet.together_with,
        "figures": [_figure(required, sheet) for required in sheet.required],
        "marks": [{"name": mark.name, "at": mark.at} for mark in sheet.marks],
        "size": None if sheet.size is None else asdict(sheet.size),
        "floor": {_printed(name): _in_degrees(most, name) for name, most in sheet.floor_limits.given.items()},
        "clearance": sheet.clearance.given,
        "points": {middle.name: dict(middle.place) for middle in sheet.middles},
    }


def _figure(required: Required, sheet: Sheet) -> dict[str, Any]:
    sign = sheet.printed_sign(required.name)
    lower, upper = (required.lower, required.upper) if sign > 0 else (-required.upper, -required.lower)
    return {
        "name": _printed(required.name),
        "unit": "deg" if required.name.endswith("_rad") else "mm",
        "required": _in_degrees(sign * required.value, required.name),
        "lower": _in_degrees(lower, required.name),
        "upper": _in_degrees(upper, required.name),
    }


def _printed(name: str) -> str:
    return name.replace("_rad", "_deg")


def _in_degrees(value: float, name: str) -> float | None:
    if not math.isfinite(value):
        return None
    return round(math.degrees(value) if name.endswith("_rad") else value, DIGITS) + 0.0
