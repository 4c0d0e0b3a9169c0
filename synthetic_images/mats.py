"""Mats on the bay's floor: a sheet that lies where it was put and follows the floor, boards and marked points on it.

Mat frame: seen from above, x and y along the mat, y counter-clockwise from x, mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from synthetic_images.rigid import Array

if TYPE_CHECKING:
    from synthetic_images.bay import Floor


@dataclass(frozen=True, slots=True)
class MatMark:
    """A marked point of the mat."""

    name: str
    x_mm: float
    y_mm: float


@dataclass(frozen=True, slots=True)
class MatBoard:
    """A board on the mat, face up: its centre mark, and its x axis from the mat's x, counter-clockwise."""

    name: str
    x_mm: float
    y_mm: float
    turn_rad: float = 0.0


@dataclass(frozen=True, slots=True)
class Mat:
    """A mat as it lies in frame `bay`, seen from above: its origin, its x axis from the bay's x, and how it is stretched."""

    x_mm: float
    y_mm: float
    turn_rad: float
    marks: tuple[MatMark, ...]
    boards: tuple[MatBoard, ...]
    stretch: float = 1.0
    thickness_mm: float = 2.0

    def seen_from_above_mm(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        """A point of the mat's frame in the bay, x and y."""
        c, s = math.cos(self.turn_rad), math.sin(self.turn_rad)
        return self.x_mm + self.stretch * (c * x_mm - s * y_mm), self.y_mm + self.stretch * (s * x_mm + c * y_mm)

    @property
    def places_mm(self) -> Array:
        """Marks and boards in the mat's frame, shape (n, 2)."""
        return np.array([(m.x_mm, m.y_mm) for m in self.marks] + [(b.x_mm, b.y_mm) for b in self.boards])

    def mark_mm(self, name: str, floor: Floor) -> Array:
        """A mark on the mat's upper face, shape (3,), frame `bay`."""
        mark = next(mark for mark in self.marks if mark.name == name)
        x, y = self.seen_from_above_mm(mark.x_mm, mark.y_mm)
        return np.array([x, y, floor.height_mm(x, y) + self.thickness_mm])
