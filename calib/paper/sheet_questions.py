"""Numbers on a sheet that can be, but seldom are: asked about before anything is measured with them.

What cannot be is refused while the sheet is read. The bounds here are common practice (bays of 8 to 12 m, tolerances of some
millimetres, the wheelbase of a car), without a source.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from calib.paper.placements import PlacementSheet, Required, Sheet
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
    return (*out, *_provenance(sheets, today or datetime.date.today()))


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
        for words in (*_of_value(sheet, required), *_of_limits(required)):
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
        yield f"the target's centre {size:g} mm above the floor{_inches(size, 300.0)}"
    elif required.name == "height_mm" and size > 2500.0:
        yield f"the target's centre {size:g} mm above the floor: higher than a person reaches"
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


def _of_distance(sheet: Sheet, size: float) -> Iterator[str]:
    far_axle = sheet.origin.startswith("rear" if sheet.side == "ahead" else "front")
    if size > LONGEST_DISTANCE_MM:
        yield f"{size:g} mm is farther than most bays are long (8 to 12 m, with the car in them)"
    elif sheet.origin_wheels and far_axle and size < WHEELBASE_MM:
        where = "ahead of" if sheet.side == "ahead" else "behind"
        yield f"{size:g} mm {where} the {sheet.origin} is under the car: is the origin the right axle?"
    elif sheet.origin_wheels and size < 400.0:
        yield f"{size:g} mm from the {sheet.origin} is under the car{_inches(size, 1000.0)}"


def _inches(size: float, least: float) -> str:
    """Whether the number would make sense in inches."""
    return f"; in inches it would be {INCH_MM * size:g} mm: is the unit right?" if INCH_MM * size >= least else ""


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


def _provenance(sheets: PlacementSheet, today: datetime.date) -> Iterator[Question]:
    source = sheets.placements[0].provenance
    if source.date_read and source.date_read > today:
        yield Question(("provenance", "date_read"), f"{source.date_read} is still to come")
    if source.checked_by and same_person(source.checked_by, source.typed_by):
        yield Question(("provenance", "checked_by"), f"{source.checked_by} typed these numbers too: nobody else compared them")
