"""What changed between two editions of a placement sheet, in normalised units: 102 in and 2590.8 mm are the same."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

SOURCE = "provenance"
_PLAIN = ("target", "kind", "origin", "line", "side", "height_from", "with", "target_boards")
_TABLES = ("size", "floor", "clearance", "points")


@dataclass(frozen=True, slots=True)
class Change:
    """One entry that is not what it was.

    Attributes
    ----------
    placement : str
        Name of the placement, "" for one without, "provenance" for where the numbers come from.
    key : str
        "distance.required", "distance.limits", "side", "clearance.sides_mm"; "placement" where it is new or gone.
    unit : str
        "mm", "deg" or "".
    old, new : object
        As in the sheet's document; None where there is none.
    """

    placement: str
    key: str
    unit: str
    old: Any
    new: Any


def changes(old: Mapping[str, Any], new: Mapping[str, Any]) -> tuple[Change, ...]:
    """Every difference of two sheets (`sheet_document`), in the order of the new one; none when they ask for the same.

    Placements are compared by name; two sheets of one placement each are compared whatever it is called.
    """
    before = {one["name"]: one for one in old["placements"]}
    after = {one["name"]: one for one in new["placements"]}
    out: list[Change] = []
    if len(before) == len(after) == 1 and set(before) != set(after):
        (was,), (now,) = before, after
        out.append(Change(now, "name", "", was, now))
        before = {now: before[was]}
    out += [Change(name, "placement", "", name, None) for name in before if name not in after]
    for name, placement in after.items():
        if name not in before:
            out.append(Change(name, "placement", "", None, name))
        else:
            out += _placement(name, before[name], placement)
    common = ([n for n in before if n in after], [n for n in after if n in before])
    if common[0] != common[1]:
        out.append(Change("", "order", "", common[0], common[1]))
    out += [Change(SOURCE, key, "", old[SOURCE][key], value) for key, value in new[SOURCE].items() if old[SOURCE][key] != value]
    return tuple(out)


def _placement(name: str, old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[Change]:
    for key in _PLAIN:
        if old[key] != new[key]:
            yield Change(name, key, "", old[key], new[key])
    before, after = ({row["name"]: row for row in one["figures"]} for one in (old, new))
    for figure in dict.fromkeys((*before, *after)):
        yield from _figure(name, figure, before.get(figure), after.get(figure))
    for key in _TABLES:
        was, now = old[key] or {}, new[key] or {}
        for entry in dict.fromkeys((*was, *now)):
            if was.get(entry) != now.get(entry):
                unit = entry.rsplit("_", 1)[1] if entry.endswith(("_mm", "_deg")) else ""
                yield Change(name, f"{key}.{entry}", unit, was.get(entry), now.get(entry))
    marks = [{mark["name"]: mark["at"] for mark in one["marks"]} for one in (old, new)]
    for mark in dict.fromkeys((*marks[0], *marks[1])):
        if marks[0].get(mark) != marks[1].get(mark):
            yield Change(name, f"mark.{mark}.at", "", marks[0].get(mark), marks[1].get(mark))


def _figure(placement: str, name: str, old: Mapping[str, Any] | None, new: Mapping[str, Any] | None) -> Iterator[Change]:
    label, unit = name.rsplit("_", 1)
    was, now = (None if row is None else row["required"] for row in (old, new))
    if was != now:
        yield Change(placement, f"{label}.required", unit, was, now)
    was, now = ([None, None] if row is None else [row["lower"], row["upper"]] for row in (old, new))
    if was != now:
        yield Change(placement, f"{label}.limits", unit, was, now)
