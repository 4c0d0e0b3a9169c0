"""Stand files: where the stand boards sit on the target's face, as typed by the person who mounted them.

"Seen" means seen by a person who faces the target (stands between car and target and looks at its face): `right_mm` to
that person's right, `up_mm` up, `behind_mm` away from the person, `turn_deg` counter-clockwise. `_pm_` values are half-widths
at k = 2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Self

from pydantic import Field, model_validator

from calib.paper.sheet import Filled
from vision.toml_io import FileModel, read_toml

SCHEMA = "stand/1"
PLACE_PM_MM = 0.5
"""A centre mark measured with a steel rule from the target's centre (common practice, no source)."""
BEHIND_PM_MM = 0.2
"""A sheet thickness measured with callipers."""
TURN_PM_DEG = 0.05
"""A board of 300 mm aligned to 0.25 mm over its width."""
PARALLEL_PM_DEG = 0.02
"""A flat board glued to a flat face: 0.1 mm over 300 mm."""


@dataclass(frozen=True, slots=True)
class StandBoard:
    """Where one board sits on the target's face.

    Attributes
    ----------
    board : str
    right_mm, up_mm : float
        The board's centre mark from the target's centre, as seen.
    behind_mm : float
        Target face behind the printed face.
    turn_rad : float
        Board turned counter-clockwise as seen; zero when its columns run to the right and its rows down.
    right_pm_mm, up_pm_mm, behind_pm_mm, turn_pm_rad : float
        Half-widths at k = 2.
    parallel_pm_rad : float
        Printed face parallel to the target's face, about both axes, half-width at k = 2.
    """

    board: str
    right_mm: float
    up_mm: float
    behind_mm: float
    turn_rad: float = 0.0
    right_pm_mm: float = PLACE_PM_MM
    up_pm_mm: float = PLACE_PM_MM
    behind_pm_mm: float = BEHIND_PM_MM
    turn_pm_rad: float = math.radians(TURN_PM_DEG)
    parallel_pm_rad: float = math.radians(PARALLEL_PM_DEG)


@dataclass(frozen=True, slots=True)
class Pivot:
    """Upright axis the stand turns about, from the target's centre, as seen by a person facing the target."""

    right_mm: float
    behind_mm: float


@dataclass(frozen=True, slots=True)
class Stand:
    """Boards on the target's face; the first one defines the target, any other is a check of the typed values."""

    boards: tuple[StandBoard, ...]
    pivot: Pivot | None = None

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(board.board for board in self.boards)

    def surer(self, factor: float) -> Stand:
        """The same stand, its typed values so many times as sure."""

        def better(entry: StandBoard) -> StandBoard:
            return replace(
                entry,
                right_pm_mm=entry.right_pm_mm / factor,
                up_pm_mm=entry.up_pm_mm / factor,
                behind_pm_mm=entry.behind_pm_mm / factor,
                turn_pm_rad=entry.turn_pm_rad / factor,
                parallel_pm_rad=entry.parallel_pm_rad / factor,
            )

        return replace(self, boards=tuple(better(entry) for entry in self.boards))


def read_stand(path: Path) -> Stand:
    """Read a stand file.

    Raises
    ------
    FileError
        Names file, line and key: missing or unknown key, negative half-width, the same board twice.
    """
    return read_toml(path, _StandFile, SCHEMA).stand()


Place = Annotated[float, Field(ge=-3000.0, le=3000.0)]
HalfWidthMm = Annotated[float, Field(ge=0.0, le=50.0)]
HalfWidthDeg = Annotated[float, Field(ge=0.0, le=10.0)]


class _BoardEntry(FileModel):
    name: Filled
    right_mm: Place
    up_mm: Place
    behind_mm: Annotated[float, Field(ge=0.0, le=500.0)]
    turn_deg: Annotated[float, Field(ge=-180.0, le=180.0)] = 0.0
    right_pm_mm: HalfWidthMm = PLACE_PM_MM
    up_pm_mm: HalfWidthMm = PLACE_PM_MM
    behind_pm_mm: HalfWidthMm = BEHIND_PM_MM
    turn_pm_deg: HalfWidthDeg = TURN_PM_DEG
    parallel_pm_deg: HalfWidthDeg = PARALLEL_PM_DEG

    def board(self) -> StandBoard:
        return StandBoard(
            board=self.name,
            right_mm=self.right_mm,
            up_mm=self.up_mm,
            behind_mm=self.behind_mm,
            turn_rad=math.radians(self.turn_deg),
            right_pm_mm=self.right_pm_mm,
            up_pm_mm=self.up_pm_mm,
            behind_pm_mm=self.behind_pm_mm,
            turn_pm_rad=math.radians(self.turn_pm_deg),
            parallel_pm_rad=math.radians(self.parallel_pm_deg),
        )


class _PivotEntry(FileModel):
    right_mm: Place
    behind_mm: Place


class _StandFile(FileModel):
    schema_name: str = Field(alias="schema")
    board: Annotated[list[_BoardEntry], Field(min_length=1)]
    pivot: _PivotEntry | None = None

    @model_validator(mode="after")
    def _each_board_once(self) -> Self:
        names = [entry.name for entry in self.board]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"board {twice[0]} is listed twice")
        return self

    def stand(self) -> Stand:
        pivot = None if self.pivot is None else Pivot(self.pivot.right_mm, self.pivot.behind_mm)
        return Stand(tuple(entry.board() for entry in self.board), pivot)
