"""Vehicle files: limits typed in from service information, tyre sizes, and limits overruled with a reason.

Degrees of the file become radians here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from calib.geometry.lines import WHEELS
from calib.geometry.tyres import TyreSize, tyre_size
from calib.paper.sheet import Filled, Provenance, ProvenanceEntry
from vision.errors import FileError
from vision.toml_io import FileModel, line_of, read_text, read_toml

SCHEMA = "vehicle/1"
ANGLES = (
    "rear_toe_left",
    "rear_toe_right",
    "rear_total_toe",
    "front_toe_left",
    "front_toe_right",
    "front_total_toe",
    "front_toe_left_to_thrust",
    "front_toe_right_to_thrust",
    "front_direction_to_thrust",
    "camber_rear_left",
    "camber_rear_right",
    "camber_front_left",
    "camber_front_right",
    "thrust_angle",
)
LENGTHS = (
    "floor_departure",
    "track_rear",
    "track_front",
    "wheelbase_left",
    "wheelbase_right",
    "wheelbase_difference",
    "diagonal_front_left_rear_right",
    "diagonal_front_right_rear_left",
    "diagonal_difference",
    "setback_front",
    "setback_rear",
    "rolling_diameter_difference_front",
    "rolling_diameter_difference_rear",
    "rolling_diameter_front_minus_rear",
    "rolling_diameter_front_left",
    "rolling_diameter_front_right",
    "rolling_diameter_rear_left",
    "rolling_diameter_rear_right",
)
LIMITED = ANGLES + LENGTHS
"""Figures a vehicle file may limit."""


@dataclass(frozen=True, slots=True)
class Limit:
    """Least and most a figure may be, rad or mm; −inf and inf where only one side is limited."""

    name: str
    least: float
    most: float


@dataclass(frozen=True, slots=True)
class Overruled:
    """A limit that does not count for this car, and who says why."""

    reason: str
    by: str


@dataclass(frozen=True, slots=True)
class Vehicle:
    """What is known of the car beforehand.

    Attributes
    ----------
    name : str
    tyres : dict of wheel to TyreSize
    toe_diameter_mm : float or None
        Diameter at which toe is given in mm beside degrees.
    limits : dict of figure name (without unit) to Limit
    overruled : dict of figure name to Overruled
    provenance : Provenance
    """

    name: str
    tyres: dict[str, TyreSize]
    toe_diameter_mm: float | None
    limits: dict[str, Limit]
    overruled: dict[str, Overruled]
    provenance: Provenance


def read_vehicle(path: Path) -> Vehicle:
    """Read a vehicle file.

    Raises
    ------
    FileError
        Names file, line and key: unknown figure, unit missing or wrong, limits out of order, tyre size nonsense.
    """
    file = read_toml(path, _VehicleFile, SCHEMA)
    _check_names(path, file)
    return file.vehicle()


def _check_names(path: Path, file: _VehicleFile) -> None:
    text = read_text(path)

    def complain(keys: tuple[str, ...], what: str, hint: str) -> None:
        number = line_of(text, keys)
        where = f"{path}:{number}" if number else str(path)
        raise FileError(f"{where}: {'.'.join(keys)}: {what}", hint=hint)

    for name, limit in file.limits.items():
        if name not in LIMITED:
            complain(("limits", name), "there is no figure of this name to limit", f"figures: {', '.join(LIMITED)}")
        unit, widest = ("deg", 10.0) if name in ANGLES else ("mm", 10000.0)
        if limit.unit != unit:
            given = f"unit {limit.unit!r}" if limit.unit else "no unit"
            complain(("limits", name, "unit"), f"has {given}", f'give it in {unit} and write unit = "{unit}"')
        if any(math.isfinite(end) and abs(end) > widest for end in limit.ends()):
            complain(("limits", name), f"a limit beyond ±{widest:g} {unit}", "compare with the document; is the unit right?")
    for name in file.overruled:
        if name not in file.limits:
            complain(("overruled", name), "there is no limit of that name in this file", "write the limit, or strike this out")


class _Limit(FileModel):
    unit: str = ""
    value: float | None = None
    tolerance: Annotated[float, Field(gt=0.0)] | None = None
    least: float | None = None
    most: float | None = None

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        middle = self.value is not None and self.tolerance is not None
        ends = self.least is not None or self.most is not None
        if middle == ends or (self.value is None) != (self.tolerance is None):
            raise ValueError("give value and tolerance, or least and/or most")
        if self.least is not None and self.most is not None and not self.least < self.most:
            raise ValueError(f"least {self.least:g} is not below most {self.most:g}")
        return self

    def ends(self) -> tuple[float, float]:
        if self.value is not None and self.tolerance is not None:
            return self.value - self.tolerance, self.value + self.tolerance
        return (-math.inf if self.least is None else self.least, math.inf if self.most is None else self.most)


class OverruledEntry(FileModel):
    """A limit that does not count, with the reason and who says so."""

    reason: Filled
    by: Filled

    def overruled(self) -> Overruled:
        return Overruled(self.reason, self.by)


class _VehicleFile(FileModel):
    schema_name: str = Field(alias="schema")
    name: Filled
    tyre: str | None = None
    tyres: dict[Literal["front", "rear", "front_left", "front_right", "rear_left", "rear_right"], str] = {}
    toe_diameter_mm: Annotated[float, Field(ge=200.0, le=1000.0)] | None = None
    limits: dict[str, _Limit] = {}
    overruled: dict[str, OverruledEntry] = {}
    provenance: ProvenanceEntry

    @field_validator("tyre")
    @classmethod
    def _size(cls, tyre: str | None) -> str | None:
        if tyre is not None:
            tyre_size(tyre)
        return tyre

    @field_validator("tyres")
    @classmethod
    def _sizes(cls, tyres: dict[str, str]) -> dict[str, str]:
        for text in tyres.values():
            tyre_size(text)
        return tyres

    def vehicle(self) -> Vehicle:
        tyres: dict[str, TyreSize] = {}
        given: dict[str, str] = {str(name): text for name, text in self.tyres.items()}
        for wheel in WHEELS:
            axle = wheel.split("_")[0]
            text = given.get(wheel) or given.get(axle) or self.tyre
            if text:
                tyres[wheel] = tyre_size(text)
        limits = {}
        for name, limit in self.limits.items():
            factor = math.radians(1.0) if name in ANGLES else 1.0
            least, most = limit.ends()
            limits[name] = Limit(name, factor * least, factor * most)
        overruled = {name: entry.overruled() for name, entry in self.overruled.items()}
        provenance = Provenance(**self.provenance.model_dump())
        return Vehicle(self.name, tyres, self.toe_diameter_mm, limits, overruled, provenance)
