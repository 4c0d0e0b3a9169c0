"""Bay files: the bay as it is meant to be set up: car, floor boards, photos, and how well things will be measured by hand.

Places are `[ahead, left, height]`, mm, from the middle of the rear axle on the floor, the car standing where it will be at
`rest`: ahead is towards the front of the car, left the car's left.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from calib.paper.sheet import Filled, PointName
from vision.toml_io import EntryError, FileModel, read_toml

SCHEMA = "bay/1"
EACH_ROLL, REST, CHECK = "roll", "rest", "check"
ROLL_DEG = (-270.0, -180.0, -90.0)
"""Turn of the wheels before `rest` in the roll epochs: three quarters of a turn in three steps."""

Place = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class CarSize:
    """A car, mm; `track_…` between the wheel reference points."""

    wheelbase_mm: float = 2700.0
    track_front_mm: float = 1550.0
    track_rear_mm: float = 1550.0
    tyre_radius_mm: float = 315.0


@dataclass(frozen=True, slots=True)
class ByHand:
    """Half-widths at k = 2 of what is measured by hand; `tape_pm_mm` is None when no tape distance is measured."""

    floor_pm_mm: float = 2.0
    standoff_pm_mm: float = 0.6
    tape_pm_mm: float | None = 0.8
    point_pm_mm: float = 0.7


USUAL_CAR, USUAL_HANDS = CarSize(), ByHand()


@dataclass(frozen=True, slots=True)
class FloorPlace:
    """Where a floor board lies: its centre mark, and how far its x axis is turned to the left of ahead."""

    board: str
    ahead_mm: float
    left_mm: float
    turn_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class PhotoPlace:
    """Where to stand and what to aim at.

    Attributes
    ----------
    epoch : str
        "roll" (in each roll epoch, places moving with the car), "roll-2" (in that one, places as given), "rest", "check".
    at_mm, towards_mm : tuple of float
    upright : bool
        Camera held upright.
    words : str
    """

    epoch: str
    at_mm: Place
    towards_mm: Place
    upright: bool = False
    words: str = ""


@dataclass(frozen=True, slots=True)
class BayPlan:
    """A bay as it is meant to be set up; empty `floor` or `photos` stand for the usual places.

    Attributes
    ----------
    car : CarSize
    by_hand : ByHand
    roll_deg : tuple of float
        Turn of the wheels before `rest`, an epoch each, in the order of the photos.
    floor : tuple of FloorPlace
    photos : tuple of PhotoPlace
    points : dict of name to place
        Where the points that a sheet starts from will be touched.
    tape : tuple of two board names
        Empty for the two floor boards that suit best.
    """

    car: CarSize = USUAL_CAR
    by_hand: ByHand = USUAL_HANDS
    roll_deg: tuple[float, ...] = ROLL_DEG
    floor: tuple[FloorPlace, ...] = ()
    photos: tuple[PhotoPlace, ...] = ()
    points: tuple[tuple[str, Place], ...] = ()
    tape: tuple[str, ...] = ()

    @property
    def roll_epochs(self) -> tuple[str, ...]:
        return tuple(f"roll-{i + 1}" for i in range(len(self.roll_deg)))


def read_bay(path: Path) -> BayPlan:
    """Read a bay file.

    Raises
    ------
    FileError
        Names file, line and key: a place outside the bay, a board twice, a photo of an epoch there is not.
    """
    return read_toml(path, _BayFile, SCHEMA).plan()


Ahead = Annotated[float, Field(ge=-30000.0, le=30000.0)]
Left = Annotated[float, Field(ge=-20000.0, le=20000.0)]
Height = Annotated[float, Field(ge=0.0, le=4000.0)]
At = Annotated[list[float], Field(min_length=3, max_length=3)]
HalfWidth = Annotated[float, Field(gt=0.0, le=50.0)]


def _place(values: list[float]) -> Place:
    ahead, left, height = values
    if not (abs(ahead) <= 30000.0 and abs(left) <= 20000.0 and 0.0 <= height <= 4000.0):
        raise ValueError(f"{values} is no place in a bay: [ahead, left, height] in mm from the rear axle's middle on the floor")
    return ahead, left, height


def _held(typed: object) -> object:
    """A number or false: one complaint, not one for each."""
    if typed is False or (isinstance(typed, int | float) and not isinstance(typed, bool) and 0.0 < typed <= 50.0):
        return typed
    raise ValueError("should be a half-width larger than zero, up to 50 mm, or false for no tape")


def _epoch(text: str) -> str:
    if re.fullmatch(r"roll|roll-[1-9][0-9]?|rest|check", text) is None:
        raise ValueError(f"input should be 'roll', 'roll-1', 'roll-2' ..., 'rest' or 'check', not {text!r}")
    return text


class _Car(FileModel):
    wheelbase_mm: Annotated[float, Field(ge=1000.0, le=8000.0)] = USUAL_CAR.wheelbase_mm
    track_front_mm: Annotated[float, Field(ge=800.0, le=3000.0)] = USUAL_CAR.track_front_mm
    track_rear_mm: Annotated[float, Field(ge=800.0, le=3000.0)] = USUAL_CAR.track_rear_mm
    tyre_radius_mm: Annotated[float, Field(ge=150.0, le=700.0)] = USUAL_CAR.tyre_radius_mm


class _ByHand(FileModel):
    floor_pm_mm: HalfWidth = USUAL_HANDS.floor_pm_mm
    standoff_pm_mm: HalfWidth = USUAL_HANDS.standoff_pm_mm
    tape_pm_mm: Annotated[HalfWidth | Literal[False], BeforeValidator(_held)] = 0.8
    point_pm_mm: HalfWidth = USUAL_HANDS.point_pm_mm

    def by_hand(self) -> ByHand:
        tape = None if self.tape_pm_mm is False else self.tape_pm_mm
        return ByHand(self.floor_pm_mm, self.standoff_pm_mm, tape, self.point_pm_mm)


class _Floor(FileModel):
    name: Filled
    ahead_mm: Ahead
    left_mm: Left
    turn_deg: Annotated[float, Field(ge=-360.0, le=360.0)] = 0.0


class _Photo(FileModel):
    epoch: Annotated[str, AfterValidator(_epoch)]
    at_mm: At
    towards_mm: At
    upright: bool = False
    words: str = ""

    @model_validator(mode="after")
    def _places(self) -> Self:
        _place(self.towards_mm)
        if _place(self.at_mm) == tuple(self.towards_mm):
            raise ValueError("at_mm and towards_mm are the same place")
        return self

    def photo(self) -> PhotoPlace:
        return PhotoPlace(self.epoch, _place(self.at_mm), _place(self.towards_mm), self.upright, self.words)


class _Point(FileModel):
    name: PointName
    at_mm: At

    @model_validator(mode="after")
    def _places(self) -> Self:
        _place(self.at_mm)
        return self


class _BayFile(FileModel):
    schema_name: str = Field(alias="schema")
    car: _Car = _Car()
    by_hand: _ByHand = _ByHand()
    roll_deg: Annotated[list[Annotated[float, Field(ge=-1080.0, le=1080.0)]], Field(min_length=2, max_length=20)] = list(
        ROLL_DEG
    )
    floor: list[_Floor] = []
    photo: list[_Photo] = []
    point: list[_Point] = []
    tape: list[Filled] = []

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        for key, what, names in (
            ("floor", "floor board", [f.name for f in self.floor]),
            ("point", "point", [p.name for p in self.point]),
        ):
            for i, name in enumerate(names):
                if name in names[:i]:
                    raise EntryError(f"{what} {name} stands here twice", key, i, "name")
        if 0 < len(self.floor) < 3:
            raise EntryError(f"{len(self.floor)} floor boards, a plane needs at least 3", "floor")
        self._check_photos()
        if self.tape and (len(self.tape) != 2 or len(set(self.tape)) != 2):
            raise EntryError("tape names the two floor boards between which the tape is held", "tape")
        if self.tape and self.floor and not set(self.tape) <= {f.name for f in self.floor}:
            raise EntryError(f"tape: {', '.join(self.tape)}: not both are floor boards of this bay", "tape")
        return self

    def _check_photos(self) -> None:
        epochs = {EACH_ROLL, REST, CHECK, *(f"roll-{i + 1}" for i in range(len(self.roll_deg)))}
        for i, photo in enumerate(self.photo):
            if photo.epoch not in epochs:
                words = f"a photo of epoch {photo.epoch}, but roll_deg has {len(self.roll_deg)} roll epochs"
                raise EntryError(words, "photo", i, "epoch")
        missing = [e for e in (REST, CHECK) if self.photo and e not in {p.epoch for p in self.photo}]
        if missing:
            words = f"no photo of epoch {missing[0]}: list the photos of all epochs, or none for the usual ones"
            raise EntryError(words, "photo")

    def plan(self) -> BayPlan:
        return BayPlan(
            CarSize(**self.car.model_dump()),
            self.by_hand.by_hand(),
            tuple(self.roll_deg),
            tuple(FloorPlace(f.name, f.ahead_mm, f.left_mm, f.turn_deg) for f in self.floor),
            tuple(p.photo() for p in self.photo),
            tuple((p.name, _place(p.at_mm)) for p in self.point),
            tuple(self.tape),
        )
