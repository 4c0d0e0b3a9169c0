"""Mat files: where a mat's marked points and the boards that lie on it are, in the mat's own frame.

Seen from above: x and y along any two edges or lines of the mat, y counter-clockwise from x; angles counter-clockwise. `_pm_`
values are half-widths at k = 2. What is supposed of the mat: rigid and flat between a board and a mark, but for
`stretch_pm_percent` and `flatness_pm_mm`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Self

from pydantic import Field, model_validator

from calib.paper.entries import Filled, PointName
from calib.paper.listed import apart, each_once
from vision.toml_io import FileModel, read_toml

SCHEMA = "mat/1"
PLACE_PM_MM = 1.0
"""A mark's or a board's centre on a mat, measured with a steel tape (common practice, no source)."""
TURN_PM_DEG = 0.1
"""A board's edge aligned with a line of the mat to 0.4 mm over 230 mm."""
STRETCH_PM_PERCENT = 0.1
"""A plastic mat: some 10 K off the temperature it was measured at, at 10⁻⁴ per K (plasticised PVC, textbook value)."""
FLATNESS_PM_MM = 3.0
"""A wave of a mat that was rolled up; what can be felt with the foot is larger (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class MatMark:
    """A marked point of the mat."""

    name: str
    x_mm: float
    y_mm: float
    pm_mm: float = PLACE_PM_MM


@dataclass(frozen=True, slots=True)
class MatBoard:
    """A board that lies on the mat, face up: its centre mark, and its x axis (along the columns) from the mat's x."""

    board: str
    x_mm: float
    y_mm: float
    turn_rad: float = 0.0
    pm_mm: float = PLACE_PM_MM
    turn_pm_rad: float = math.radians(TURN_PM_DEG)


@dataclass(frozen=True, slots=True)
class Mat:
    """What a mat file says.

    Attributes
    ----------
    marks : tuple of MatMark
    boards : tuple of MatBoard
    stretch_pm : float
        Of all lengths on the mat alike, relative, half-width at k = 2.
    flatness_pm_mm : float
        Height of a wave between a board and a mark, half-width at k = 2.
    """

    marks: tuple[MatMark, ...]
    boards: tuple[MatBoard, ...]
    stretch_pm: float = STRETCH_PM_PERCENT / 100.0
    flatness_pm_mm: float = FLATNESS_PM_MM

    @property
    def board_names(self) -> tuple[str, ...]:
        return tuple(board.board for board in self.boards)

    @property
    def mark_names(self) -> tuple[str, ...]:
        return tuple(mark.name for mark in self.marks)

    def surer(self, factor: float) -> Mat:
        """The same mat, its marks and boards measured so many times as well."""
        return replace(
            self,
            marks=tuple(replace(mark, pm_mm=mark.pm_mm / factor) for mark in self.marks),
            boards=tuple(
                replace(board, pm_mm=board.pm_mm / factor, turn_pm_rad=board.turn_pm_rad / factor) for board in self.boards
            ),
        )


def read_mat(path: Path) -> Mat:
    """Read a mat file.

    Raises
    ------
    FileError
        Names file, line and key: missing or unknown key, a mark or board twice, two marks in one place.
    """
    return read_toml(path, _MatFile, SCHEMA).mat()


_Place = Annotated[float, Field(ge=-20_000.0, le=20_000.0)]
_HalfWidth = Annotated[float, Field(gt=0.0, le=50.0)]


class _MatMarkEntry(FileModel):
    name: PointName
    x_mm: _Place
    y_mm: _Place
    pm_mm: _HalfWidth = PLACE_PM_MM

    def mark(self) -> MatMark:
        return MatMark(self.name, self.x_mm, self.y_mm, self.pm_mm)


class _MatBoardEntry(FileModel):
    name: Filled
    x_mm: _Place
    y_mm: _Place
    turn_deg: Annotated[float, Field(ge=-360.0, le=360.0)] = 0.0
    pm_mm: _HalfWidth = PLACE_PM_MM
    turn_pm_deg: Annotated[float, Field(gt=0.0, le=10.0)] = TURN_PM_DEG

    def board(self) -> MatBoard:
        turn_rad, turn_pm_rad = math.radians(self.turn_deg), math.radians(self.turn_pm_deg)
        return MatBoard(self.name, self.x_mm, self.y_mm, turn_rad, self.pm_mm, turn_pm_rad)


class _MatFile(FileModel):
    schema_name: str = Field(alias="schema")
    stretch_pm_percent: Annotated[float, Field(ge=0.0, le=5.0)] = STRETCH_PM_PERCENT
    flatness_pm_mm: Annotated[float, Field(ge=0.0, le=50.0)] = FLATNESS_PM_MM
    mark: Annotated[list[_MatMarkEntry], Field(min_length=1)]
    board: Annotated[list[_MatBoardEntry], Field(min_length=1)]

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        each_once(mark=(one.name for one in self.mark), board=(one.name for one in self.board))
        for what, entries in (("marks", self.mark), ("boards", self.board)):
            apart({one.name: (one.x_mm, one.y_mm) for one in entries}, what)
        return self

    def mat(self) -> Mat:
        return Mat(
            tuple(entry.mark() for entry in self.mark),
            tuple(entry.board() for entry in self.board),
            self.stretch_pm_percent / 100.0,
            self.flatness_pm_mm,
        )
