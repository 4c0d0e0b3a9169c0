"""What changed between two editions of a sheet, in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from calib.paper.sheet_diff import Change
from cli.sheet_words import CLEARANCES, FLOOR, figure_label, limits_in_words, line_in_words, place_in_words, plain

SAME = "both sheets ask for the same"


def document(changes: Sequence[Change], states: tuple[dict[str, Any], dict[str, Any]]) -> dict[str, Any]:
    """The comparison as JSON (`sheet-diff/1`)."""
    return {
        "schema": "sheet-diff/1",
        "changes": [
            {
                "placement": one.placement,
                "key": one.key,
                "unit": one.unit,
                "old": one.old,
                "new": one.new,
                "words": change_in_words(one),
            }
            for one in changes
        ],
        "states": list(states),
    }


def in_words(result: dict[str, Any]) -> str:
    """One line a change, then whether the new sheet is confirmed."""
    rows = [str(change["words"]) for change in result["changes"]] or [SAME]
    return "\n".join([*rows, f"the new sheet: {result['states'][1]['words']}"])


def change_in_words(one: Change) -> str:
    """ "camera-low: distance 2600 mm -> 2650 mm (+50 mm)"."""
    start = f"{one.placement}: " if one.placement else ""
    if one.key == "placement":
        return f"{start}{'is new' if one.old is None else 'is gone'}"
    kind, _, rest = one.key.partition(".")
    if one.key.endswith(".required"):
        return f"{start}{figure_label(f'{kind}_')} {_valued(one)}"
    if one.key.endswith(".limits"):
        return f"{start}{figure_label(f'{kind}_')}: {_limits(one.old, one.unit)} -> {_limits(one.new, one.unit)}"
    if kind in ("clearance", "floor", "size"):
        said = CLEARANCES.get(rest) if kind == "clearance" else FLOOR.get(rest, rest.replace("_mm", ""))
        return f"{start}{kind}, {said}: {_valued(one)}"
    return f"{start}{one.key.replace('_', ' ').replace('.', ' ')}: {_said(one.key, one.old)} -> {_said(one.key, one.new)}"


def _valued(one: Change) -> str:
    if one.old is None:
        return f"is now given: {plain(one.new)} {one.unit}"
    if one.new is None:
        return f"is no longer given (it was {plain(one.old)} {one.unit})"
    return f"{plain(one.old)} -> {plain(one.new)} {one.unit} ({plain(one.new - one.old, sign=True)} {one.unit})"


def _limits(ends: Sequence[float | None], unit: str) -> str:
    words = limits_in_words(ends[0], ends[1])
    return f"tolerance {words} {unit}" if words else "not judged"


def _said(key: str, value: Any) -> str:
    if value is None or value in ("", []):
        return "none"
    if key == "origin" or key.startswith("mark."):
        return place_in_words(value)
    if key == "line":
        return line_in_words(value)
    if isinstance(value, dict):
        return ", ".join(f"{100 * weight:g} % {place_in_words(body)}" for body, weight in value.items())
    return ", ".join(value) if isinstance(value, list) else str(value)
