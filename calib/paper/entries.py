"""Entries that several kinds of files share: texts that must be filled in, names, amounts with units, provenance."""

from __future__ import annotations

import datetime
import unicodedata
from collections.abc import Callable
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, ValidationInfo, WithJsonSchema, field_validator, model_validator

from calib.paper.placements import BOARD, ORIGIN_WHEELS, POINT, POINT_NAME
from calib.paper.units import Kind, amount
from vision.toml_io import FileModel

LengthUnit = Literal["mm", "cm", "m", "in"]
AngleUnit = Literal["deg", "min"]
LONGEST_NAME = 60
TURNED = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""They turn the order in which the letters around them are shown."""
_TEXT_PATTERN = {
    "mm": r"^\s*[+-]?\s*(\d+(\.\d+)?|\.\d+|(\d+\s+)?\d+/(2|4|8|16|32|64))\s*(mm|cm|m|in)\s*$",
    "deg": r"^\s*[+-]?\s*((\d+(\.\d+)?|\.\d+)\s*(deg|min)|\d+\s*deg\s*(\d+(\.\d+)?|\.\d+)\s*min)\s*$",
}


def _one_line(text: str) -> str:
    """Words of one line, without characters that nobody sees and that would show the rest otherwise than it is."""
    line = " ".join(text.split())
    hidden = next((letter for letter in line if unicodedata.category(letter) == "Cc" or letter in TURNED), "")
    if hidden:
        raise ValueError(f"holds a character that is not shown (U+{ord(hidden):04X}): type it anew")
    return line


def _filled(text: str) -> str:
    line = _one_line(text)
    if not line:
        raise ValueError("is empty: fill it in")
    return line


Words = Annotated[str, AfterValidator(_one_line), WithJsonSchema({"type": "string"})]
Filled = Annotated[str, AfterValidator(_filled), WithJsonSchema({"type": "string", "pattern": r"\S"})]


def _point(text: str) -> str:
    return _name(text, "name of a touched point")


def _placement_name(text: str) -> str:
    return _name(text, "name")


def _name(text: str, what: str) -> str:
    if POINT_NAME.fullmatch(text) is None:
        raise ValueError(f"{text!r} is no {what}: letters, digits, hyphens, dots and underscores")
    if len(text) > LONGEST_NAME:
        raise ValueError(f"{len(text)} letters are too long for a {what}: folders and files are called by it")
    return text


_NAMED = WithJsonSchema({"type": "string", "pattern": f"^{POINT_NAME.pattern}$"})
PointName = Annotated[str, AfterValidator(_point), _NAMED]
PlacementName = Annotated[str, AfterValidator(_placement_name), _NAMED]


def is_place(text: str) -> bool:
    """Whether a text names a touched point or the mark of a floor board."""
    return any(text.startswith(kind) and POINT_NAME.fullmatch(text.removeprefix(kind)) for kind in (POINT, BOARD))


def _place(text: str) -> str:
    if not is_place(text):
        raise ValueError(f"{text!r} is no place: 'point:NAME' (a touched point) or 'board:NAME' (the mark of a floor board)")
    return text


def _origin(text: str) -> str:
    if text in ORIGIN_WHEELS or is_place(text):
        return text
    known = ", ".join(repr(name) for name in ORIGIN_WHEELS)
    raise ValueError(
        f"input should be {known}, 'point:NAME' (a touched point) or 'board:NAME' (the mark of a floor board), not {text!r}"
    )


_PLACE_PATTERN = f"({POINT}|{BOARD}){POINT_NAME.pattern}"
PlaceName = Annotated[str, AfterValidator(_place), WithJsonSchema({"type": "string", "pattern": f"^{_PLACE_PATTERN}$"})]
OriginName = Annotated[
    str,
    AfterValidator(_origin),
    WithJsonSchema({"type": "string", "pattern": f"^({'|'.join(ORIGIN_WHEELS)}|{_PLACE_PATTERN})$"}),
]


def _line(typed: object) -> object:
    if typed in ("thrust", "centreline"):
        return typed
    if isinstance(typed, list) and len(typed) == 2 and all(isinstance(p, str) and is_place(p) for p in typed):
        if typed[0] == typed[1]:
            raise ValueError(f"a line runs through two places, {typed[0]!r} is named twice")
        return tuple(typed)
    shown = repr(typed)
    raise ValueError(
        "input should be 'thrust', 'centreline' or two places such as ['point:a', 'point:b'], the second towards the car's "
        f"front, not {shown if len(shown) < 60 else shown[:60] + '…'}"
    )


LineEntry = Annotated[
    Any,
    BeforeValidator(_line),
    WithJsonSchema(
        {
            "anyOf": [
                {"enum": ["thrust", "centreline"]},
                {
                    "type": "array",
                    "items": {"type": "string", "pattern": f"^{_PLACE_PATTERN}$"},
                    "minItems": 2,
                    "maxItems": 2,
                    "uniqueItems": True,
                },
            ]
        }
    ),
]


def _told(info: ValidationInfo) -> bool:
    """Whether something was wrong in this table already that the present entry is read with."""
    return "unit" not in info.data or (info.field_name in ("tolerance", "lower", "upper") and "value" not in info.data)


def _in_house(kind: Kind) -> Callable[[object, ValidationInfo], float]:
    def convert(typed: object, info: ValidationInfo) -> float:
        """mm or degrees; 0 where unit or value were refused already: one complaint is enough."""
        if _told(info):
            return 0.0
        return amount(typed, kind).in_house(kind, info.data["unit"] or "")

    return convert


def _amount_schema(kind: Kind) -> WithJsonSchema:
    return WithJsonSchema({"anyOf": [{"type": "number"}, {"type": "string", "pattern": _TEXT_PATTERN[kind]}]})


Length = Annotated[float, BeforeValidator(_in_house("mm")), _amount_schema("mm")]
"""Millimetres, typed with the unit of the same table or as a text with its own."""
Angle = Annotated[float, BeforeValidator(_in_house("deg")), _amount_schema("deg")]
"""Degrees, typed with the unit of the same table or as a text with its own."""


class Most(FileModel):
    """`most`: the largest a departure may be, either way."""

    largest: ClassVar[float]
    shown: ClassVar[Kind]

    @field_validator("most", check_fields=False)
    @classmethod
    def _in_range(cls, most: float, info: ValidationInfo) -> float:
        if not _told(info) and not 0 < most <= cls.largest:
            raise ValueError(f"{most:g} {cls.shown} is no limit: larger than zero, up to {cls.largest:g} {cls.shown}")
        return most


class MostAngle(Most):
    """The largest a slope may be, either way."""

    largest = 10.0
    shown = "deg"

    unit: AngleUnit | None = None
    most: Angle


class MostLength(Most):
    """The largest a length may be, either way."""

    largest = 200.0
    shown = "mm"

    unit: LengthUnit | None = None
    most: Length


class LeastLength(FileModel):
    """`least`: so much room at least."""

    unit: LengthUnit | None = None
    least: Length

    @field_validator("least")
    @classmethod
    def _in_range(cls, least: float, info: ValidationInfo) -> float:
        if not _told(info) and not 0 < least <= 20000.0:
            raise ValueError(f"{least:g} mm is no room: larger than zero, up to 20000 mm")
        return least


class FigureEntry(FileModel):
    """A value with its unit, and either `tolerance` (half-width) or `lower` and/or `upper` (limits of the error)."""

    shown: ClassVar[Kind]
    least: ClassVar[float]
    most: ClassVar[float]
    widest: ClassVar[float]
    below: ClassVar[str] = ""
    """Said of a value under `least`."""

    @field_validator("value", check_fields=False)
    @classmethod
    def _in_range(cls, value: float, info: ValidationInfo) -> float:
        if not _told(info) and not cls.least <= value <= cls.most:
            hint = cls.below if value < cls.least else ""
            raise ValueError(f"{value:g} {cls.shown} is outside {cls.least:g} to {cls.most:g} {cls.shown}{hint}")
        return value

    @field_validator("tolerance", check_fields=False)
    @classmethod
    def _positive(cls, tolerance: float | None, info: ValidationInfo) -> float | None:
        if tolerance is not None and not _told(info) and not 0 < tolerance <= cls.widest:
            raise ValueError(f"{tolerance:g} is no tolerance: a half-width larger than zero, up to {cls.widest:g} {cls.shown}")
        return tolerance

    @field_validator("lower", check_fields=False)
    @classmethod
    def _below(cls, lower: float | None) -> float | None:
        if lower is not None and not -cls.widest <= lower <= 0:
            raise ValueError(f"{lower:g} is no lower limit of the error: zero or negative, down to {-cls.widest:g}")
        return lower

    @field_validator("upper", check_fields=False)
    @classmethod
    def _above(cls, upper: float | None) -> float | None:
        if upper is not None and not 0 <= upper <= cls.widest:
            raise ValueError(f"{upper:g} is no upper limit of the error: zero or positive, up to {cls.widest:g}")
        return upper


class LengthEntry(FigureEntry):
    """A length with its limits."""

    shown = "mm"
    widest = 1000.0

    unit: LengthUnit | None = None
    value: Length
    tolerance: Length | None = None
    lower: Length | None = None
    upper: Length | None = None

    @model_validator(mode="after")
    def _one_kind_of_limit(self) -> Self:
        check_limits(self.tolerance, self.lower, self.upper)
        return self


class AngleEntry(FigureEntry):
    """An angle with its limits."""

    shown = "deg"
    widest = 45.0

    unit: AngleUnit | None = None
    value: Angle
    tolerance: Angle | None = None
    lower: Angle | None = None
    upper: Angle | None = None

    @model_validator(mode="after")
    def _one_kind_of_limit(self) -> Self:
        check_limits(self.tolerance, self.lower, self.upper)
        return self


def check_limits(tolerance: float | None, lower: float | None, upper: float | None) -> None:
    """Refuse both ways of giving limits at once, and limits without room between them."""
    if tolerance is not None and (lower is not None or upper is not None):
        raise ValueError("give either tolerance, or lower and upper, not both")
    if lower is not None and lower == upper:
        raise ValueError("lower and upper leave no room between them")


class ProvenanceEntry(FileModel):
    """`[provenance]` of a file whose numbers were copied from a document."""

    document: Filled = Field(description="Which document or service information page.")
    typed_by: Filled = Field(description="Who typed these numbers.")
    edition: Words = ""
    date_read: datetime.date | None = Field(None, description="The day it was read, no quotes: 2026-01-31.")
    checked_by: Words = Field("", description="Who compared them with the document.")
