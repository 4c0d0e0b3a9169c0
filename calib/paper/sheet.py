"""Placement sheets: where targets must stand, from which origin, along which line, within which limits.

A sheet holds one placement (`placement-sheet/1`) or several in the order of the work (`placement-sheet/2`). Units of the file
become mm and radians here; inside, the distance is the signed x of the line frame (negative behind the car).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from calib.paper.entries import AngleEntry, Filled, LengthEntry, PointName, ProvenanceEntry
from calib.paper.placements import (
    BOARD,
    FIGURES,
    ORIGIN_WHEELS,
    POINT,
    POINT_NAME,
    Clearance,
    Confirmation,
    FloorLimits,
    HeightFrom,
    Line,
    Mark,
    Middle,
    Place,
    PlacementSheet,
    Provenance,
    Required,
    Sheet,
    Side,
    TargetSize,
)
from calib.paper.sheet_confirmation import confirmation_of
from calib.paper.sheet_model import (
    SCHEMA_MANY,
    SCHEMA_ONE,
    ClearanceEntry,
    FloorEntry,
    MarkEntry,
    PlacementEntry,
    PlacementFields,
    SheetFile,
    SheetsFile,
    SizeEntry,
)
from calib.paper.sheet_sense import Fault, faults_of, measured_at, middles_of, own_or_top
from vision.errors import FileError
from vision.toml_io import checked, line_of, other_schema, parsed, read_text

__all__ = [
    "BOARD",
    "FIGURES",
    "ORIGIN_WHEELS",
    "POINT",
    "POINT_NAME",
    "Confirmation",
    "Filled",
    "FloorLimits",
    "HeightFrom",
    "Line",
    "Mark",
    "Place",
    "PlacementSheet",
    "PointName",
    "Provenance",
    "ProvenanceEntry",
    "Required",
    "Sheet",
    "Side",
    "read_sheet",
    "read_sheets",
]


def read_sheets(path: Path) -> PlacementSheet:
    """Read a placement sheet of either kind.

    Raises
    ------
    FileError
        Names file, line and key: missing unit, negative tolerance, unknown origin, value out of range, unknown key, entries
        that contradict each other.
    """
    text = read_text(path)
    doc = parsed(path, text)
    schema = doc.get("schema")
    _need_own_schema(path, text, doc)
    file: SheetFile | SheetsFile
    if schema == SCHEMA_ONE:
        file = checked(path, text, doc, SheetFile)
    elif schema == SCHEMA_MANY:
        file = checked(path, text, doc, SheetsFile)
    else:
        raise other_schema(path, text, doc, {SCHEMA_ONE: " (one placement)", SCHEMA_MANY: " (several)"})
    faults = faults_of(file)
    if faults:
        raise FileError("\n".join(located(path, text, fault) for fault in faults), hint="correct the named lines and try again")
    return _sheets(file, confirmation_of(file.confirmed, doc))


def read_sheet(path: Path, name: str = "") -> Sheet:
    """Read one placement of a sheet: the only one, or the one called `name`.

    Raises
    ------
    FileError
        As `read_sheets`; no placement of that name; several and no name.
    """
    return chosen(read_sheets(path), path, name)


def chosen(sheets: PlacementSheet, path: Path, name: str = "") -> Sheet:
    """The only placement, or the one called `name`.

    Raises
    ------
    FileError
    """
    if not name and len(sheets.placements) == 1:
        return sheets.placements[0]
    names = ", ".join(filter(None, sheets.names)) or "it has one, without a name"
    if not name:
        raise FileError(f"{path}: several placements, and none was chosen: {names}", hint="say which: --placement NAME")
    if name not in sheets.names:
        raise FileError(f"{path}: there is no placement {name!r} on this sheet", hint=f"placements: {names}")
    return sheets[name]


def located(path: Path, text: str, fault: Fault) -> str:
    """A fault with its file, line and key."""
    number = line_of(text, fault.keys)
    where = f"{path}:{number}" if number else str(path)
    return f"{where}: {'.'.join(map(str, fault.keys)) or 'file'}: {fault.words}"


def _need_own_schema(path: Path, text: str, doc: Mapping[str, Any]) -> None:
    """One complaint instead of many when the schema is that of the other kind of sheet."""
    several = "placement" in doc
    if doc.get("schema") not in (SCHEMA_ONE, SCHEMA_MANY) or several == (doc["schema"] == SCHEMA_MANY):
        return
    words = "has no [[placement]]" if not several else "has room for one placement, without [[placement]]"
    fitting = SCHEMA_MANY if several else SCHEMA_ONE
    fault = Fault(("schema",), f"a sheet of schema {doc['schema']!r} {words}")
    raise FileError(located(path, text, fault), hint=f'write schema = "{fitting}", or compare with a sheet written by bayfix')


def _sheets(file: SheetFile | SheetsFile, confirmation: Confirmation) -> PlacementSheet:
    entries = [file] if isinstance(file, SheetFile) else file.placement
    return PlacementSheet(tuple(_sheet(entry, file, confirmation) for entry in entries), confirmation)


def _sheet(entry: SheetFile | PlacementEntry, file: SheetFile | SheetsFile, confirmation: Confirmation) -> Sheet:
    side: Side = entry.side or file.side or "ahead"
    name, together_with = (entry.name, entry.together_with) if isinstance(entry, PlacementEntry) else ("", None)
    line: Line = entry.line or file.line or "thrust"
    return Sheet(
        target=entry.target,
        origin=entry.origin or file.origin or "",
        line=line,
        side=side,
        required=_all_required(entry, side),
        provenance=Provenance(**file.provenance.model_dump()),
        height_from=entry.height_from or file.height_from,
        floor_limits=_floor(entry.floor, file.floor),
        name=name,
        kind=entry.kind,
        target_boards=tuple(entry.target_boards),
        size=None if entry.size is None else _size(entry.size),
        clearance=_clearance(entry.clearance, file.clearance),
        marks=tuple(Mark(mark.name, measured_at(mark)) for mark in entry.mark),
        together_with=together_with or "",
        middles=_middles(middles_of(file)),
        confirmation=confirmation,
    )


def _middles(places: Mapping[str, Place]) -> tuple[Middle, ...]:
    return tuple(Middle(name, place) for name, place in places.items())


def _all_required(entry: PlacementFields, side: Side) -> tuple[Required, ...]:
    return (
        *(_required(name, figure, side) for name, figure in entry.figures().items()),
        *(required for mark in entry.mark for required in _of_mark(mark, side)),
    )


def _of_mark(mark: MarkEntry, side: Side) -> tuple[Required, Required]:
    ahead, left = Mark(mark.name, "").names
    return _required(ahead, mark.ahead, side), _required(left, mark.left, side)


def _required(name: str, figure: LengthEntry | AngleEntry, side: Side) -> Required:
    lower, upper = _limits(figure)
    if name.endswith("_rad"):
        return Required(name, math.radians(figure.value), math.radians(lower), math.radians(upper))
    if name == "distance_mm" and side == "behind":
        return Required(name, -figure.value, -upper, -lower)
    return Required(name, figure.value, lower, upper)


def _limits(figure: LengthEntry | AngleEntry) -> tuple[float, float]:
    if figure.tolerance is not None:
        return -figure.tolerance, figure.tolerance
    return (
        -math.inf if figure.lower is None else figure.lower,
        math.inf if figure.upper is None else figure.upper,
    )


def _floor(own: FloorEntry | None, top: FloorEntry | None) -> FloorLimits:
    """Limit by limit: one that a placement sets does not lift those at the top of the sheet."""
    pitch, roll, flatness = (own_or_top(own, top, key) for key in ("pitch", "roll", "flatness"))
    pitch_rad, roll_rad = (math.inf if slope is None else math.radians(slope.most) for slope in (pitch, roll))
    return FloorLimits(pitch_rad, roll_rad, math.inf if flatness is None else flatness.most)


def _clearance(own: ClearanceEntry | None, top: ClearanceEntry | None) -> Clearance:
    rooms = (own_or_top(own, top, key) for key in ("sides", "beyond", "between", "floor"))
    return Clearance(*(0.0 if room is None else room.least for room in rooms))


def _size(entry: SizeEntry) -> TargetSize:
    return TargetSize(entry.width, entry.height, entry.depth or 0.0)
