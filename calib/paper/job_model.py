"""The keys of `job.toml`, checked one by one and against each other; `calib.paper.job` reads the file."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, field_validator, model_validator

from calib.paper.entries import Filled
from calib.paper.job_wheels import BodyEntry, HalfWidth, WheelsEntry
from calib.paper.vehicle import OverruledEntry
from vision.toml_io import FileModel

FLOOR_PM_MM = 2.0
"""Unevenness of a shop floor under the boards and wheels, half-width at k = 2 (common practice, no source)."""
STANDOFF_COMMON_PM_MM = 0.0
LEAST_FLOOR_BOARDS = 3


class DistanceEntry(FileModel):
    a: Filled
    b: Filled
    mm: Annotated[float, Field(gt=0.0, le=50000.0)]
    pm_mm: Annotated[float, Field(gt=0.0, le=100.0)]

    @model_validator(mode="after")
    def _two_boards(self) -> Self:
        if self.a == self.b:
            raise ValueError(f"a and b are the same board {self.a}")
        return self


class PhotosEntry(FileModel):
    lens: Filled


class JobFile(FileModel):
    """All keys of `job.toml`."""

    schema_name: str = Field(alias="schema")
    lens: Annotated[list[Filled], Field(min_length=1)]
    boards: Filled
    sheet: Filled | None = None
    stand: Filled | None = None
    stands: dict[str, Filled] = {}
    vehicle: Filled | None = None
    stylus: Filled | None = None
    floor: list[Filled]
    floor_pm_mm: Annotated[float, Field(gt=0.0, le=50.0)] | None = None
    floor_overruled: OverruledEntry | None = None
    standoff_common_pm_mm: HalfWidth | None = None
    photos: dict[str, PhotosEntry] = {}
    wheels: WheelsEntry
    body: BodyEntry | None = None
    distance: list[DistanceEntry] = []

    @field_validator("floor")
    @classmethod
    def _make_a_plane(cls, floor: list[str]) -> list[str]:
        if len(floor) < LEAST_FLOOR_BOARDS:
            raise ValueError(f"{len(floor)} floor boards, a plane needs at least {LEAST_FLOOR_BOARDS}")
        return floor

    @model_validator(mode="after")
    def _common_once(self) -> Self:
        if self.standoff_common_pm_mm is not None and self.wheels.standoff_common_pm_mm is not None:
            raise ValueError("standoff_common_pm_mm stands at the top and under [wheels]: write it once")
        return self

    def common_pm_mm(self) -> float:
        """Half-width shared by all stand-offs; people write it at the top or under [wheels]."""
        given = (self.standoff_common_pm_mm, self.wheels.standoff_common_pm_mm)
        return next((value for value in given if value is not None), STANDOFF_COMMON_PM_MM)
