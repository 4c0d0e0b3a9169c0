"""Numbers on a sheet that can be, but seldom are: asked about before anything is measured with them.

What cannot be is refused while the sheet is read. The bounds here are common practice (bays of 8 to 12 m, tolerances of some
millimetres, the wheelbase of a car), without a source.
"""

from __future__ import annotations

import datetime
import difflib
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from calib.paper.placements import POINT, PlacementSheet, Required, Sheet
from calib.paper.sheet_sense import Keys, same_person
from vision.errors import FileError
from vision.toml_io import line_of, read_text

LONGEST_DISTANCE_MM = 10000.0
WHEELBASE_MM = 1800.0
"""The least of a car: nearer to the far axle a target would stand under it."""
FINEST = {"mm": 0.5, "rad": math.radians(0.05)}
WIDEST = {"mm": 50.0, "rad": math.radians(3.0)}
MOST_OFF_CAR_RAD = math.radians(75.0)
INCH_MM = 25.4
NO_SLIP = 1e-6
NEAREST_MARKS_MM = 100.0
ALIKE = 0.85
"""Names more alike than this may be one, misspelt (`difflib`'s ratio)."""


@dataclass(frozen=True, slots=True)
class Question:
    """What is suspicious, and the entry it stands in."""

    keys: Keys
    words: str

    @property
    def sentence(self) -> str:
        """Without the line, which a note more or less would change: what an acceptance is kept by."""
        return f"{'.'.join(map(str, self.keys))}: {self.words}"


def questions(sheets: PlacementSheet, today: datetime.date | None = None) -> tuple[Question, ...]:
    """Everything on a sheet that a second look is due at, in the order of the file."""
    out: list[Question] = []
    for i, sheet in enumerate(sheets.placements):
        keys: Keys = ("placement", i) if sheet.name else ()
        out += _figures(sheet, keys)
        out += _same_as_earlier(sheet, sheets.placements[:i], keys)
        out += _marks_together(sheet, keys)
    return (*out, *_misspelt_points(sheets), *_provenance(sheets, today or datetime.date.today()))


def settled(path: Path, sheets: PlacementSheet, *, accept: bool) -> tuple[str, ...]:
    """Sentences of the questions that were accepted, now or when the sheet was confirmed.

    Raises
    ------
    FileError
        Open questions, each with file, line and key.
    """
    asked = questions(sheets)
    accepted = {_entry_of(sentence) for sentence in sheets.confirmation.accepted}
    open_ = [question for question in asked if _entry_of(question.sentence) not in accepted]
    if open_ and not accept:
        text = read_text(path)
        raise FileError(
            "\n".join(_located(path, text, question) for question in open_),
            hint="compare number and unit with the document and correct them; if the document does say so, add --accept",
        )
    return tuple(question.sentence for question in asked)


def _entry_of(sentence: str) -> str:
    """The entry a sentence is about: words may change from version to version, what stands in a confirmed sheet does not."""
    return sentence.partition(": ")[0]


def _located(path: Path, text: str, question: Question) -> str:
    number = line_of(text, question.keys)
    return f"{path}:{number}: {question.sentence}" if number else f"{path}: {question.sentence}"


def _figures(sheet: Sheet, keys: Keys) -> Iterator[Question]:
    for required in sheet.required:
        where = (*keys, *_entry(sheet, required))
        for words in (*_of_value(sheet, required), *_of_limits(required), *_of_ends(required)):
            yield Question(where, words)


def _entry(sheet: Sheet, required: Required) -> Keys:
    """Keys of a figure's table below its placement."""
    for i, mark in enumerate(sheet.marks):
        if required.name in mark.names:
            return ("mark", i, "ahead" if required.name == mark.names[0] else "left")
    return (required.name.rsplit("_", 1)[0],)


def _of_value(sheet: Sheet, required: Required) -> Iterator[str]:
    size = abs(required.value)
    if required.name == "distance_mm":
        yield from _of_distance(sheet, size)
    elif required.name == "lateral_mm" and size > 3000.0:
        yield f"the target {size:g} mm beside the line: bays are some 4 to 6 m wide"
    elif required.name == "height_mm" and size < 150.0:
        yield f"the target's centre {size:g} mm above the floor{_other_units(size, 300.0, 2500.0)}"
    elif required.name == "height_mm" and size > 2500.0:
        yield f"the target's centre {size:g} mm above the floor: higher than a person reaches"
    elif required.name == "yaw_rad" and _typed_in_minutes(size):
        minutes = 60.0 * math.degrees(size)
        yield f"a turn of {math.degrees(size):g} deg is hardly any: is it {minutes:.0f} deg, or zero?"
    elif required.name == "yaw_rad" and _off_car_rad(sheet) > MOST_OFF_CAR_RAD:
        yield f"the target's face would look {math.degrees(_off_car_rad(sheet)):.0f} deg past the {sheet.origin}: which sign?"
    elif required.name == "pitch_rad" and size > math.radians(30.0):
        yield f"a target that leans by {math.degrees(size):g} deg"
    elif required.name == "roll_rad" and size > math.radians(20.0) and sheet.kind != "reflector":
        yield f"a target tilted sideways by {math.degrees(size):g} deg"


def _off_car_rad(sheet: Sheet) -> float:
    """Between where the target's face looks to and the direction from the target to the sheet's origin, seen from above."""
    yaw = sheet["yaw_rad"].value
    away = 1.0 if sheet.side == "ahead" else -1.0
    distance, lateral = (sheet[name].value if name in sheet else 0.0 for name in ("distance_mm", "lateral_mm"))
    looks = math.atan2(-away * math.sin(yaw), -away * math.cos(yaw))
    origin = math.atan2(-lateral, -distance or -away)
    return abs(math.remainder(looks - origin, 2 * math.pi))


def _typed_in_minutes(size: float) -> bool:
    """Whether an angle is a round number of minutes that would be a usual one in degrees: 10 to 90."""
    minutes = 60.0 * math.degrees(size)
    return 10.0 - NO_SLIP < minutes <= 90.0 + NO_SLIP and abs(minutes - 5.0 * round(minutes / 5.0)) < NO_SLIP


def _of_distance(sheet: Sheet, size: float) -> Iterator[str]:
    far_axle = sheet.origin.startswith("rear" if sheet.side == "ahead" else "front")
    if size > LONGEST_DISTANCE_MM:
        yield f"{size:g} mm is farther than most bays are long (8 to 12 m, with the car in them)"
    elif sheet.origin_wheels and far_axle and size < WHEELBASE_MM:
        where = "ahead of" if sheet.side == "ahead" else "behind"
        yield f"{size:g} mm {where} the {sheet.origin} is under the car: is the origin the right axle?"
    elif sheet.origin_wheels and size < 400.0:
        yield f"{size:g} mm from the {sheet.origin} is under the car{_other_units(size, 1000.0, LONGEST_DISTANCE_MM)}"


def _other_units(size: float, least: float, most: float) -> str:
    """What the number would be in units that people slip from, where that makes sense."""
    units = {"m": 1000.0, "cm": 10.0, "inches": INCH_MM}
    said = [f"in {unit} {mm * size:g} mm" for unit, mm in units.items() if least <= mm * size <= most]
    return f"; it would be {', '.join(said)}: is the unit right?" if said else ""


def _of_limits(required: Required) -> Iterator[str]:
    kind = required.name.rsplit("_", 1)[1]
    ends = [abs(end) for end in (required.lower, required.upper) if math.isfinite(end)]
    if not ends:
        return
    two_sided = len(ends) == 2
    widest = max(ends)
    finest = sum(ends) / 2
    if two_sided and finest < FINEST[kind]:
        yield f"a tolerance of {_size(finest, kind)}{_otherwise(finest, kind)} is finer than such targets are placed"
    if widest > WIDEST[kind]:
        usual = "within some millimetres" if kind == "mm" else "within a degree or two"
        yield f"a limit of {_size(widest, kind)}{_otherwise(widest, kind)} is wide: targets are usually placed {usual}"
    elif required.name in ("distance_mm", "height_mm") and widest >= abs(required.value):
        yield f"a limit of {_size(widest, kind)} is as wide as the value itself, {_size(abs(required.value), kind)}"


def _of_ends(required: Required) -> Iterator[str]:
    """Limits of the value itself, typed where those of the error belong: they lie about the value, not about zero."""
    about = (required.lower + required.upper) / 2
    if required.value and math.isfinite(about) and abs(about - required.value) < NO_SLIP:
        kind = required.name.rsplit("_", 1)[1]
        half = _size((required.upper - required.lower) / 2, kind)
        yield f"lower and upper limit the error, and these lie about the value itself: is it a tolerance of {half}?"


def _size(value: float, kind: str) -> str:
    if kind == "mm":
        return f"{value:g} mm"
    return f"{math.degrees(value):.4g} deg"


def _otherwise(value: float, kind: str) -> str:
    """The same in the unit that people slip to: inches to sixteenths, minutes of arc."""
    inches = 16.0 * value / INCH_MM
    if kind == "mm":
        return f" ({value / INCH_MM:g} in)" if abs(inches - round(inches)) < NO_SLIP else ""
    return f" ({60.0 * math.degrees(value):g} min)"


def _same_as_earlier(sheet: Sheet, earlier: tuple[Sheet, ...], keys: Keys) -> Iterator[Question]:
    def place(one: Sheet) -> object:
        return one.origin, one.line, one.side, {required.name: required.value for required in one.required}

    twin = next((one for one in earlier if place(one) == place(sheet)), None)
    if twin:
        yield Question(
            (*keys, "name"), f"{sheet.name} would stand exactly where {twin.name} stands: was it copied and not changed?"
        )


def _marks_together(sheet: Sheet, keys: Keys) -> Iterator[Question]:
    places = [tuple(sheet[name].value for name in mark.names) for mark in sheet.marks]
    for i, place in enumerate(places):
        near = next((j for j in range(i) if math.dist(places[j], place) < NEAREST_MARKS_MM), None)
        if near is not None:
            apart = f"{math.dist(places[near], place):g} mm from mark {sheet.marks[near].name}"
            yield Question((*keys, "mark", i), f"mark {sheet.marks[i].name} would lie {apart}: which way lies the mat then?")


def _misspelt_points(sheets: PlacementSheet) -> Iterator[Question]:
    """A point of `[points]` that nothing is measured from, beside a touched one of nearly its name."""
    used = {name for sheet in sheets.placements for name in _named(sheet)}
    bodies = {body for sheet in sheets.placements for body in sheet.used_places}
    defined = {f"{POINT}{middle.name}" for middle in sheets.placements[0].middles}
    for name in sorted(defined - used):
        meant = difflib.get_close_matches(name, sorted((used & bodies) - defined), n=1, cutoff=ALIKE)
        if meant:
            short = name.removeprefix(POINT)
            yield Question(("points", short), f"nothing is measured from it, but from {meant[0]!r}: is that the same point?")


def _named(sheet: Sheet) -> tuple[str, ...]:
    """Places as the sheet names them, before points between others are resolved."""
    ends = () if isinstance(sheet.line, str) else sheet.line
    return (sheet.origin, *ends, *(mark.at for mark in sheet.marks))


def _provenance(sheets: PlacementSheet, today: datetime.date) -> Iterator[Question]:
    source = sheets.placements[0].provenance
    if source.date_read and source.date_read > today:
        yield Question(("provenance", "date_read"), f"{source.date_read} is still to come")
    if source.checked_by and same_person(source.checked_by, source.typed_by):
        yield Question(("provenance", "checked_by"), f"{source.checked_by} typed these numbers too: nobody else compared them")
