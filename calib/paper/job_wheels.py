"""`[wheels]` and `[body]` of `job.toml`: boards on the car, how its wheels come to turn, and what is known of the holders."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from calib.geometry.wheel_data import SETTLE_PM_MM, Mode
from calib.paper.sheet import Filled, PointName
from vision.toml_io import FileModel

STANDOFF_PM_MM = 1.0
"""A stand-off measured with a steel rule (common practice, no source)."""
LIFT_PM_MM = 1.0
"""How far turning the wheels by hand rocks a car on a lift, at its wheels, once it hangs still (common practice, no source)."""
LEAST_FLANGE_POINTS = 3
USUAL_HOLDERS = "usual for a self-centring holder clamped home on the rim: 1.0 and 0.5; strapped on by eye: 15.0 and 5.0"
"""Claws half a millimetre apart in height on a rim of 400 mm lean a board by 0.07°, bent or worn ones several times that."""

HalfWidth = Annotated[float, Field(ge=0.0, le=50.0)]
Centring = Annotated[float, Field(gt=0.0, le=200.0)]
Square = Annotated[float, Field(gt=0.0, le=20.0)]
Rocking = Annotated[float, Field(gt=0.0, le=20.0)]


@dataclass(frozen=True, slots=True)
class Standoff:
    """From the point where the spin axis pierces the board plane, along the axis, to the rim's outer flange plane.

    `pm_mm` is the wheel's own half-width at k = 2; an error shared by all wheels is `Job.standoff_common_pm_mm`.
    """

    mm: float
    pm_mm: float


@dataclass(frozen=True, slots=True)
class WheelBoard:
    """The board on one wheel; `standoff` is None when it was not measured.

    `flange` names three or more touched points on the rim's outer flange: they take the stand-off's place. `centring_pm_mm`,
    `mounting_pm_rad`: half-widths (k = 2) within which the spin axis passes the centre mark and is square to the board, about
    each of its two axes; None where nobody knows.
    """

    wheel: str
    board: str
    standoff: Standoff | None
    flange: tuple[str, ...] = ()
    centring_pm_mm: float | None = None
    mounting_pm_rad: float | None = None


@dataclass(frozen=True, slots=True)
class Turning:
    """How the wheels come to turn between the epochs; `lift_pm_mm` (k = 2): how far a lifted car rocks meanwhile."""

    mode: Mode = Mode.ROLLED
    lift_pm_mm: float = LIFT_PM_MM


@dataclass(frozen=True, slots=True)
class BodyBoards:
    """Boards on the car's body; `settle_pm_mm` (k = 2): how otherwise it settles on its springs from epoch to epoch."""

    boards: tuple[str, ...] = ()
    settle_pm_mm: float = SETTLE_PM_MM


class WheelEntry(FileModel):
    board: Filled
    standoff_mm: Annotated[float, Field(gt=0.0, le=500.0)] | None = None
    standoff_pm_mm: Annotated[float, Field(gt=0.0, le=50.0)] | None = None
    flange: list[PointName] = []
    centring_pm_mm: Centring | None = None
    mounting_pm_deg: Square | None = None

    @model_validator(mode="after")
    def _half_width_of_something(self) -> Self:
        if self.flange and self.standoff_mm is not None:
            raise ValueError("give either standoff_mm or the touched points of the flange, not both")
        if self.flange and len(set(self.flange)) < LEAST_FLANGE_POINTS:
            raise ValueError(f"{len(set(self.flange))} points on the flange, a plane needs at least {LEAST_FLANGE_POINTS}")
        if self.standoff_pm_mm is not None and self.standoff_mm is None:
            raise ValueError("standoff_pm_mm without standoff_mm")
        return self

    def standoff(self) -> Standoff | None:
        if self.standoff_mm is None:
            return None
        return Standoff(self.standoff_mm, STANDOFF_PM_MM if self.standoff_pm_mm is None else self.standoff_pm_mm)


class WheelsEntry(FileModel):
    rear_left: WheelEntry
    rear_right: WheelEntry
    front_left: WheelEntry | None = None
    front_right: WheelEntry | None = None
    standoff_common_pm_mm: HalfWidth | None = None
    mode: Literal["rolled", "spin", "static"] = "rolled"
    lift_pm_mm: Rocking | None = None
    centring_pm_mm: Centring | None = None
    mounting_pm_deg: Square | None = None

    @model_validator(mode="after")
    def _known_enough(self) -> Self:
        if self.lift_pm_mm is not None and Mode(self.mode) is not Mode.SPIN:
            raise ValueError('lift_pm_mm without mode = "spin": only a car on a lift rocks on it')
        if Mode(self.mode) is not Mode.STATIC:
            return self
        for key in ("centring_pm_mm", "mounting_pm_deg"):
            unknown = [w.replace("_", " ") for w, e in self._entries() if self._common_or_own(e, key) is None]
            if unknown:
                raise ValueError(
                    f'mode = "static" needs centring_pm_mm and mounting_pm_deg, here or under every wheel: {key} is missing '
                    f"for the {', '.join(unknown)} wheel{'s' * (len(unknown) > 1)} ({USUAL_HOLDERS})"
                )
        return self

    def boards(self) -> tuple[WheelBoard, ...]:
        out = []
        for wheel, entry in self._entries():
            square = self._common_or_own(entry, "mounting_pm_deg")
            out.append(
                WheelBoard(
                    wheel,
                    entry.board,
                    entry.standoff(),
                    tuple(entry.flange),
                    self._common_or_own(entry, "centring_pm_mm"),
                    None if square is None else math.radians(square),
                )
            )
        return tuple(out)

    def turning(self) -> Turning:
        return Turning(Mode(self.mode), LIFT_PM_MM if self.lift_pm_mm is None else self.lift_pm_mm)

    def _entries(self) -> Iterator[tuple[str, WheelEntry]]:
        entries = {
            "rear_left": self.rear_left,
            "rear_right": self.rear_right,
            "front_left": self.front_left,
            "front_right": self.front_right,
        }
        return ((wheel, entry) for wheel, entry in entries.items() if entry is not None)

    def _common_or_own(self, entry: WheelEntry, key: str) -> float | None:
        own: float | None = getattr(entry, key)
        common: float | None = getattr(self, key)
        return common if own is None else own


class BodyEntry(FileModel):
    boards: Annotated[list[Filled], Field(min_length=1)]
    settle_pm_mm: Annotated[float, Field(ge=0.0, le=50.0)] = SETTLE_PM_MM

    def on_body(self) -> BodyBoards:
        return BodyBoards(tuple(self.boards), self.settle_pm_mm)
