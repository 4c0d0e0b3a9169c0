"""Placement sheets as files: what may be written, key by key (`placement-sheet/1` and `/2`)."""

from __future__ import annotations

import datetime
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from calib.paper.entries import (
    AngleEntry,
    Filled,
    LeastLength,
    Length,
    LengthEntry,
    LengthUnit,
    LineEntry,
    MostAngle,
    MostLength,
    OriginName,
    PlacementName,
    PlaceName,
    PointName,
    ProvenanceEntry,
)
from calib.paper.placements import FIGURES, HeightFrom, Side, TargetKind
from vision.toml_io import EntryError, FileModel

SCHEMA_ONE = "placement-sheet/1"
SCHEMA_MANY = "placement-sheet/2"
FigureName = Literal["distance", "lateral", "height", "yaw", "pitch", "roll"]
Name = Annotated[str, Field(min_length=1)]


class DistanceEntry(LengthEntry):
    """From the origin along the line to the target's centre; positive, also behind the car."""

    least, most = 0.0, 20000.0
    below = ': positive also behind the car, where side = "behind" says so'


class LateralEntry(LengthEntry):
    """Target's centre from the line; positive to the car's left (driver looking forward)."""

    least, most = -5000.0, 5000.0


class HeightEntry(LengthEntry):
    """Target's centre above the floor, or above the plane the wheels stand on."""

    least, most = 0.0, 4000.0


class YawEntry(AngleEntry):
    """0 = target square to the line; positive counter-clockwise seen from above."""

    least, most = -180.0, 180.0


class PitchEntry(AngleEntry):
    """0 = upright; positive leans the target's top in the car's forward direction."""

    # Beyond this a target lies on the floor, and yaw and roll can no longer be told apart.
    least, most = -80.0, 80.0


class RollEntry(AngleEntry):
    """0 = level; positive lifts the target's side that is on the car's left."""

    least, most = -180.0, 180.0


class AheadEntry(LengthEntry):
    """Along the line from the origin to the mark, positive towards the car's front."""

    least, most = -20000.0, 20000.0


class LeftEntry(LengthEntry):
    """From the line to the mark, positive to the car's left."""

    least, most = -10000.0, 10000.0


class FloorEntry(FileModel):
    """`[floor]`: what the floor between car and target must keep."""

    pitch: MostAngle | None = Field(None, description="Slope along the line, either way.")
    roll: MostAngle | None = Field(None, description="Slope across the line, either way.")
    flatness: MostLength | None = Field(None, description="Departure from the floor's mean plane, up or down.")

    @model_validator(mode="after")
    def _limits_something(self) -> Self:
        if self.pitch is None and self.roll is None and self.flatness is None:
            raise ValueError("no limit at all: give pitch, roll or flatness, or strike [floor] out")
        return self


class ClearanceEntry(FileModel):
    """`[clearance]`: free room the document asks for."""

    sides: LeastLength | None = Field(None, description="Beside the target, from its edges.")
    beyond: LeastLength | None = Field(None, description="Beyond the target, away from the car.")
    between: LeastLength | None = Field(None, description="To each side of the straight way from the origin to the target.")
    floor: LeastLength | None = Field(None, description="From the floor to the target's lower edge.")

    @model_validator(mode="after")
    def _asks_for_something(self) -> Self:
        if self.sides is None and self.beyond is None and self.between is None and self.floor is None:
            raise ValueError("no room at all: give sides, beyond, between or floor, or strike [clearance] out")
        return self


class SizeEntry(FileModel):
    """Outer size of the target, for drawings and room."""

    unit: LengthUnit | None = None
    width: Length
    height: Length
    depth: Length | None = None

    @model_validator(mode="after")
    def _of_a_target(self) -> Self:
        for name, size in (("width", self.width), ("height", self.height), ("depth", self.depth)):
            if size is not None and not 0 < size <= 5000.0:
                raise EntryError(f"a {name} of {size:g} mm is no size of a target: larger than zero, up to 5000 mm", name)
        return self


class MarkEntry(FileModel):
    """A marked point of a mat on the floor."""

    name: PointName
    ahead: AheadEntry
    left: LeftEntry
    at: PlaceName | None = Field(None, description="Where it is measured; without it the touched point of the mark's name.")


class BetweenEntry(FileModel):
    """A point in the middle between others."""

    between: Annotated[list[PlaceName], Field(min_length=2)]


class ConfirmedEntry(FileModel):
    """`[confirmed]`: written by `bayfix sheet confirm`, never by hand."""

    by: Filled
    date: datetime.date
    fingerprint: Filled
    accepted: list[str] = []


class PlacementFields(FileModel):
    """What one placement may say."""

    kind: TargetKind = "panel"
    target_boards: list[Name] = Field([], description="Boards the right target is known by, as they are named in stand.toml.")
    size: SizeEntry | None = None
    applies: list[FigureName] | None = Field(None, description="The figures this target needs; each must then be given.")
    distance: DistanceEntry | None = None
    lateral: LateralEntry | None = None
    height: HeightEntry | None = None
    yaw: YawEntry | None = None
    pitch: PitchEntry | None = None
    roll: RollEntry | None = None
    mark: list[MarkEntry] = Field([], description="Of a mat: two marked points or more.")
    floor: FloorEntry | None = None
    clearance: ClearanceEntry | None = None

    def figures(self) -> dict[str, LengthEntry | AngleEntry]:
        """The figures that are given, by the names of `FIGURES`."""
        entries = (self.distance, self.lateral, self.height, self.yaw, self.pitch, self.roll)
        return {name: entry for name, entry in zip(FIGURES, entries, strict=True) if entry is not None}

    @model_validator(mode="after")
    def _asks_for_something(self) -> Self:
        given = [name.rsplit("_", 1)[0] for name in self.figures()]
        if self.kind == "mat":
            self._check_mat(given)
            return self
        if self.mark:
            words = f'marks are for a mat on the floor, this is a {self.kind}: write kind = "mat", or strike them out'
            raise EntryError(words, "mark")
        if not given:
            raise ValueError(f"no value at all: give at least one of {', '.join(n.rsplit('_', 1)[0] for n in FIGURES)}")
        for name in given:
            if self.applies is not None and name not in self.applies:
                raise EntryError(f"{name} is given, but does not stand under applies", name)
        for name in self.applies or ():
            if name not in given:
                raise EntryError(f"{name} applies to this target, but its value is not given", "applies")
        return self

    def _check_mat(self, given: list[str]) -> None:
        foreign = [*given, *(["applies"] if self.applies is not None else [])]
        if foreign:
            raise EntryError(f"a mat has no {', '.join(foreign)}: it is placed by its marks alone", foreign[0])
        if len(self.mark) < 2:
            raise ValueError(f"{len(self.mark)} marks, a mat is placed by two or more: [[placement.mark]]")


class SheetFile(PlacementFields):
    """A sheet with one placement (`placement-sheet/1`)."""

    schema_name: Literal["placement-sheet/1"] = Field(alias="schema")
    target: Filled = Field(description="What stands there, in the document's words.")
    origin: OriginName
    line: LineEntry
    side: Side
    height_from: HeightFrom = "floor"
    points: dict[PointName, BetweenEntry] = {}
    provenance: ProvenanceEntry
    confirmed: ConfirmedEntry | None = None


class PlacementEntry(PlacementFields):
    """`[[placement]]`: one of several, in the order of the work; what it leaves out stands at the top of the sheet."""

    name: PlacementName
    target: Filled = Field(description="What stands there, in the document's words.")
    origin: OriginName | None = None
    line: LineEntry | None = None
    side: Side | None = None
    height_from: HeightFrom | None = None
    together_with: PlacementName | None = Field(
        None, alias="with", description="The placement that stands at the same time, in the same photos."
    )


class SheetsFile(FileModel):
    """A sheet with several placements in order (`placement-sheet/2`)."""

    schema_name: Literal["placement-sheet/2"] = Field(alias="schema")
    origin: OriginName | None = None
    line: LineEntry | None = None
    side: Side | None = None
    height_from: HeightFrom = "floor"
    floor: FloorEntry | None = None
    clearance: ClearanceEntry | None = None
    points: dict[PointName, BetweenEntry] = {}
    placement: Annotated[list[PlacementEntry], Field(min_length=1)]
    provenance: ProvenanceEntry
    confirmed: ConfirmedEntry | None = None
