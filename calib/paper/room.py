"""Room files: how large a bay is, where the car stands in it, and what stands in the way; measured from two walls.

The car looks at the front wall. Left is the car's. Inside, places are x towards the front and y to the left from the middle of
the rear axle, mm.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import numpy as np
from pydantic import Field, model_validator

from calib.paper.entries import Filled, Length, LengthUnit
from calib.paper.sheet_scene import USUAL_CAR, CarShape
from vision.frames import Array
from vision.toml_io import EntryError, FileModel, read_toml

SCHEMA = "room/1"
WALLS = ("front", "rear", "left", "right")


@dataclass(frozen=True, slots=True, eq=False)
class Obstacle:
    """Something that stands or hangs in the bay.

    Attributes
    ----------
    name : str
    corners_mm : ndarray, shape (4, 2)
        Seen from above.
    low_mm, high_mm : float
        Its lower and upper end above the floor.
    """

    name: str
    corners_mm: Array
    low_mm: float
    high_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class Room:
    """A bay around a car.

    Attributes
    ----------
    name : str
    walls_mm : dict of wall to float
        Where the walls are: x of "front" and "rear", y of "left" and "right".
    ceiling_mm : float
        inf where the file gives none.
    car : CarShape
    obstacles : tuple of Obstacle
    """

    name: str
    walls_mm: dict[str, float]
    ceiling_mm: float
    car: CarShape
    obstacles: tuple[Obstacle, ...]


def read_room(path: Path) -> Room:
    """Read a room file.

    Raises
    ------
    FileError
        Names file, line and key: no unit, a car that does not stand inside the bay, an obstacle twice or outside.
    """
    return read_toml(path, _RoomFile, SCHEMA).room()


class _LengthFrom(FileModel):
    """A length measured in the bay."""

    unit: LengthUnit | None = None
    value: Length

    @model_validator(mode="after")
    def _of_a_bay(self) -> _LengthFrom:
        if not 0 <= self.value <= 50000.0:
            raise ValueError(f"{self.value:g} mm is no length in a bay: 0 to 50000 mm")
        return self


class _Car(FileModel):
    """Where the car stands and how large it is."""

    front_axle_from_front_wall: _LengthFrom
    middle_from_left_wall: _LengthFrom
    wheelbase_mm: Annotated[float, Field(ge=1000.0, le=8000.0)] = USUAL_CAR.wheelbase_mm
    track_mm: Annotated[float, Field(ge=800.0, le=3000.0)] = USUAL_CAR.track_mm
    width_mm: Annotated[float, Field(ge=1000.0, le=3000.0)] = USUAL_CAR.width_mm
    front_overhang_mm: Annotated[float, Field(ge=200.0, le=3000.0)] = USUAL_CAR.front_overhang_mm
    rear_overhang_mm: Annotated[float, Field(ge=200.0, le=3000.0)] = USUAL_CAR.rear_overhang_mm


class _Obstacle(FileModel):
    """Its nearest edges from front and left wall, its size, and how far it reaches down and up."""

    name: Filled
    from_front_wall: _LengthFrom
    from_left_wall: _LengthFrom
    length: _LengthFrom
    width: _LengthFrom
    height: _LengthFrom | None = None
    from_floor: _LengthFrom | None = None


class _RoomFile(FileModel):
    schema_name: str = Field(alias="schema")
    name: Filled
    length: _LengthFrom
    width: _LengthFrom
    height: _LengthFrom | None = None
    car: _Car
    obstacle: list[_Obstacle] = []

    @model_validator(mode="after")
    def _all_inside(self) -> _RoomFile:
        car = self.car
        rear = car.front_axle_from_front_wall.value + car.wheelbase_mm + car.rear_overhang_mm
        if car.front_axle_from_front_wall.value < car.front_overhang_mm or rear > self.length.value:
            words = f"the car does not stand between front and rear wall ({self.length.value:g} mm apart)"
            raise EntryError(words, "car", "front_axle_from_front_wall")
        middle = car.middle_from_left_wall.value
        if middle < car.width_mm / 2 or middle + car.width_mm / 2 > self.width.value:
            words = f"the car does not stand between left and right wall ({self.width.value:g} mm apart)"
            raise EntryError(words, "car", "middle_from_left_wall")
        for i, one in enumerate(self.obstacle):
            self._check_obstacle(i, one)
        return self

    def _check_obstacle(self, i: int, one: _Obstacle) -> None:
        if one.name in [earlier.name for earlier in self.obstacle[:i]]:
            raise EntryError(f"obstacle {one.name!r} is listed twice", "obstacle", i, "name")
        for key, size in (("length", one.length), ("width", one.width), ("height", one.height)):
            if size is not None and size.value == 0.0:
                raise EntryError(f"obstacle {one.name!r} has no {key}: 0 mm", "obstacle", i, key)
        across = one.from_left_wall.value + one.width.value > self.width.value
        if across or one.from_front_wall.value + one.length.value > self.length.value:
            key = "from_left_wall" if across else "from_front_wall"
            raise EntryError(f"obstacle {one.name!r} reaches through a wall of the bay", "obstacle", i, key)
        if self.height is not None and one.from_floor is not None and one.from_floor.value >= self.height.value:
            words = f"obstacle {one.name!r} would hang above the ceiling ({self.height.value:g} mm)"
            raise EntryError(words, "obstacle", i, "from_floor")

    def room(self) -> Room:
        car = CarShape(
            self.car.wheelbase_mm,
            self.car.track_mm,
            self.car.width_mm,
            self.car.front_overhang_mm,
            self.car.rear_overhang_mm,
        )
        front = self.car.wheelbase_mm + self.car.front_axle_from_front_wall.value
        left = self.car.middle_from_left_wall.value
        walls = {"front": front, "rear": front - self.length.value, "left": left, "right": left - self.width.value}
        obstacles = tuple(_obstacle(one, front, left) for one in self.obstacle)
        return Room(self.name, walls, np.inf if self.height is None else self.height.value, car, obstacles)


def _obstacle(one: _Obstacle, front_mm: float, left_mm: float) -> Obstacle:
    x = front_mm - one.from_front_wall.value
    y = left_mm - one.from_left_wall.value
    corners = [(x, y), (x - one.length.value, y), (x - one.length.value, y - one.width.value), (x, y - one.width.value)]
    low = one.from_floor.value if one.from_floor else 0.0
    return Obstacle(one.name, np.array(corners), low, np.inf if one.height is None else low + one.height.value)
