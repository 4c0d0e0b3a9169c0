"""Placement sheets: where the target must stand, from which origin, along which line, within which limits.

Degrees of the file become radians here; inside, the distance is the signed x of the line frame (negative behind the car).
"""

from __future__ import annotations

import datetime
import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, ClassVar, Literal, Self

from pydantic import AfterValidator, Field, field_validator, model_validator

from vision.toml_io import FileModel, read_toml

SCHEMA = "placement-sheet/1"
FIGURES = ("distance_mm", "lateral_mm", "height_mm", "yaw_rad", "pitch_rad", "roll_rad")
ORIGIN_WHEELS: dict[str, tuple[str, ...]] = {
    "front-axle": ("front_left", "front_right"),
    "rear-axle": ("rear_left", "rear_right"),
    "front-left": ("front_left",),
    "front-right": ("front_right",),
    "rear-left": ("rear_left",),
    "rear-right": ("rear_right",),
}
POINT = "point:"
"""A touched point as origin: "point:bumper"."""
POINT_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]*")
Side = Literal["ahead", "behind"]
HeightFrom = Literal["floor", "wheels"]


@dataclass(frozen=True, slots=True)
class Required:
    """One value a sheet asks for.

    Attributes
    ----------
    name : str
        One of `FIGURES`; its suffix is the unit of the other three.
    value : float
        Sign of the line frame: a distance behind the car is negative.
    lower, upper : float
        Limits of the *error*, measured − required, same sign; −inf and inf where the sheet sets none.
    """

    name: str
    value: float
    lower: float = -math.inf
    upper: float = math.inf

    @property
    def judged(self) -> bool:
        """Whether the sheet sets a limit."""
        return math.isfinite(self.lower) or math.isfinite(self.upper)


@dataclass(frozen=True, slots=True)
class Provenance:
    """Where the numbers come from, who typed them and who compared them with the document ("" when nobody did)."""

    document: str
    typed_by: str
    edition: str = ""
    date_read: datetime.date | None = None
    checked_by: str = ""


@dataclass(frozen=True, slots=True)
class FloorLimits:
    """What the floor must keep for this placement; inf where the sheet sets no limit.

    Attributes
    ----------
    pitch_rad, roll_rad : float
        Most slope of the floor between car and target against the plane the car's wheels stand on, along the line and across
        it, either way.
    flatness_mm : float
        Most that the floor there departs from its mean plane, up or down.
    """

    pitch_rad: float = math.inf
    roll_rad: float = math.inf
    flatness_mm: float = math.inf

    @property
    def given(self) -> dict[str, float]:
        """The limits that are set, by name."""
        limits = {"pitch_rad": self.pitch_rad, "roll_rad": self.roll_rad, "flatness_mm": self.flatness_mm}
        return {name: most for name, most in limits.items() if math.isfinite(most)}


@dataclass(frozen=True, slots=True)
class Sheet:
    """One required target position.

    Attributes
    ----------
    target : str
        What stands there, in the document's words.
    origin : str
        Where the distance starts: an axle or a wheel ("front-axle", "rear-left", ...), or a touched point ("point:bumper").
    line : str
        "thrust" or "centreline".
    side : str
        "ahead" of the car or "behind" it.
    required : tuple of Required
        The values the sheet gives, in the order of `FIGURES`; at least one.
    provenance : Provenance
    height_from : str
        The height is above the "floor" under the target, or above the plane the "wheels" stand on.
    floor_limits : FloorLimits
    """

    target: str
    origin: str
    line: Literal["thrust", "centreline"]
    side: Side
    required: tuple[Required, ...]
    provenance: Provenance
    height_from: HeightFrom = "floor"
    floor_limits: FloorLimits = FloorLimits()

    @property
    def origin_wheels(self) -> tuple[str, ...]:
        """Wheels whose reference points have the origin as their mean; none when it is a touched point."""
        return ORIGIN_WHEELS.get(self.origin, ())

    @property
    def origin_point(self) -> str:
        """Name of the touched point that is the origin; "" when it is an axle or a wheel."""
        return self.origin.removeprefix(POINT) if self.origin.startswith(POINT) else ""

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(required.name for required in self.required)

    def __contains__(self, name: object) -> bool:
        return name in self.names

    def __getitem__(self, name: str) -> Required:
        for required in self.required:
            if required.name == name:
                return required
        raise KeyError(f"the sheet gives no {name}")

    def printed_sign(self, name: str) -> float:
        """−1 for the distance of a target behind the car, which people read positive with the word "behind"; else 1."""
        return -1.0 if name == "distance_mm" and self.side == "behind" else 1.0


def read_sheet(path: Path) -> Sheet:
    """Read a placement sheet.

    Raises
    ------
    FileError
        Names file, line and key: missing unit, negative tolerance, unknown origin, value out of range, unknown key.
    """
    return read_toml(path, _SheetFile, SCHEMA).sheet()


def _filled(text: str) -> str:
    if not text.strip():
        raise ValueError("is empty: fill it in")
    return text.strip()


Filled = Annotated[str, AfterValidator(_filled)]


def _origin(text: str) -> str:
    if text in ORIGIN_WHEELS or (text.startswith(POINT) and POINT_NAME.fullmatch(text.removeprefix(POINT))):
        return text
    known = ", ".join(repr(name) for name in ORIGIN_WHEELS)
    raise ValueError(f"input should be {known} or 'point:NAME' (a touched point), not {text!r}")


def _point(text: str) -> str:
    if POINT_NAME.fullmatch(text) is None:
        raise ValueError(f"{text!r} is no name of a touched point: letters, digits, hyphens, dots and underscores")
    return text


OriginName = Annotated[str, AfterValidator(_origin)]
PointName = Annotated[str, AfterValidator(_point)]


class _Figure(FileModel):
    """A value with its unit, and either `tolerance` (half-width) or `lower` and/or `upper` (limits of the error)."""

    known_unit: ClassVar[str]
    least: ClassVar[float]
    most: ClassVar[float]
    widest: ClassVar[float]

    value: float
    unit: Annotated[str, Field(validate_default=True)] = ""
    tolerance: float | None = None
    lower: float | None = None
    upper: float | None = None

    @field_validator("value")
    @classmethod
    def _in_range(cls, value: float) -> float:
        if not cls.least <= value <= cls.most:
            raise ValueError(f"{value:g} {cls.known_unit} is outside {cls.least:g} to {cls.most:g} {cls.known_unit}")
        return value

    @field_validator("unit")
    @classmethod
    def _known(cls, unit: str) -> str:
        if not unit:
            raise ValueError(f'the value has no unit: write unit = "{cls.known_unit}"')
        if unit != cls.known_unit:
            raise ValueError(f'unknown unit {unit!r}: give the value in {cls.known_unit} and write unit = "{cls.known_unit}"')
        return unit

    @field_validator("tolerance")
    @classmethod
    def _positive(cls, tolerance: float | None) -> float | None:
        if tolerance is not None and not 0 < tolerance <= cls.widest:
            raise ValueError(
                f"{tolerance:g} is no tolerance: a half-width larger than zero, up to {cls.widest:g} {cls.known_unit}"
            )
        return tolerance

    @field_validator("lower")
    @classmethod
    def _below(cls, lower: float | None) -> float | None:
        if lower is not None and not -cls.widest <= lower <= 0:
            raise ValueError(f"{lower:g} is no lower limit of the error: zero or negative, down to {-cls.widest:g}")
        return lower

    @field_validator("upper")
    @classmethod
    def _above(cls, upper: float | None) -> float | None:
        if upper is not None and not 0 <= upper <= cls.widest:
            raise ValueError(f"{upper:g} is no upper limit of the error: zero or positive, up to {cls.widest:g}")
        return upper

    @model_validator(mode="after")
    def _one_kind_of_limit(self) -> Self:
        if self.tolerance is not None and (self.lower is not None or self.upper is not None):
            raise ValueError("give either tolerance, or lower and upper, not both")
        if self.lower is not None and self.lower == self.upper:
            raise ValueError("lower and upper leave no room between them")
        return self

    def limits(self) -> tuple[float, float]:
        if self.tolerance is not None:
            return -self.tolerance, self.tolerance
        return (
            -math.inf if self.lower is None else self.lower,
            math.inf if self.upper is None else self.upper,
        )


class _Length(_Figure):
    known_unit = "mm"
    widest = 1000.0


class _Angle(_Figure):
    known_unit = "deg"
    widest = 45.0


class _Distance(_Length):
    least, most = 0.0, 20000.0


class _Lateral(_Length):
    least, most = -5000.0, 5000.0


class _Height(_Length):
    least, most = 0.0, 4000.0


class _Yaw(_Angle):
    least, most = -180.0, 180.0


class _Pitch(_Angle):
    # Beyond this a target lies on the floor, and yaw and roll can no longer be told apart.
    least, most = -80.0, 80.0


class _Roll(_Angle):
    least, most = -180.0, 180.0


class _FloorSlope(FileModel):
    """`most` an angle may be, either way."""

    most: Annotated[float, Field(gt=0.0, le=10.0)]
    unit: Literal["deg"]


class _FloorDeparture(FileModel):
    """`most` a length may be, either way."""

    most: Annotated[float, Field(gt=0.0, le=200.0)]
    unit: Literal["mm"]


class _FloorEntry(FileModel):
    """`[floor]`: what the floor must keep."""

    pitch: _FloorSlope | None = None
    roll: _FloorSlope | None = None
    flatness: _FloorDeparture | None = None

    @model_validator(mode="after")
    def _limits_something(self) -> Self:
        if self.pitch is None and self.roll is None and self.flatness is None:
            raise ValueError("no limit at all: give pitch, roll or flatness, or strike [floor] out")
        return self

    def limits(self) -> FloorLimits:
        pitch, roll = (math.inf if slope is None else math.radians(slope.most) for slope in (self.pitch, self.roll))
        return FloorLimits(pitch, roll, math.inf if self.flatness is None else self.flatness.most)


class ProvenanceEntry(FileModel):
    """`[provenance]` of a file whose numbers were copied from a document."""

    document: Filled
    typed_by: Filled
    edition: str = ""
    date_read: datetime.date | None = None
    checked_by: str = ""


class _SheetFile(FileModel):
    schema_name: str = Field(alias="schema")
    target: Filled
    origin: OriginName
    line: Literal["thrust", "centreline"]
    side: Side
    distance: _Distance | None = None
    lateral: _Lateral | None = None
    height: _Height | None = None
    yaw: _Yaw | None = None
    pitch: _Pitch | None = None
    roll: _Roll | None = None
    height_from: HeightFrom = "floor"
    floor: _FloorEntry | None = None
    provenance: ProvenanceEntry

    @model_validator(mode="after")
    def _asks_for_something(self) -> Self:
        if all(figure is None for figure in self._figures().values()):
            raise ValueError(f"no value at all: give at least one of {', '.join(n.rsplit('_', 1)[0] for n in FIGURES)}")
        if self.height_from != "floor" and self.height is None:
            raise ValueError("height_from without a height")
        return self

    def _figures(self) -> dict[str, _Figure | None]:
        figures = (self.distance, self.lateral, self.height, self.yaw, self.pitch, self.roll)
        return dict(zip(FIGURES, figures, strict=True))

    def sheet(self) -> Sheet:
        required = tuple(_required(name, figure, self.side) for name, figure in self._figures().items() if figure is not None)
        provenance = Provenance(**self.provenance.model_dump())
        limits = FloorLimits() if self.floor is None else self.floor.limits()
        return Sheet(self.target, self.origin, self.line, self.side, required, provenance, self.height_from, limits)


def _required(name: str, figure: _Figure, side: Side) -> Required:
    lower, upper = figure.limits()
    if name.endswith("_rad"):
        return Required(name, math.radians(figure.value), math.radians(lower), math.radians(upper))
    if name == "distance_mm" and side == "behind":
        return Required(name, -figure.value, -upper, -lower)
    return Required(name, figure.value, lower, upper)
