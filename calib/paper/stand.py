"""Stand files: where the stand boards sit on the target's face, as typed by the person who mounted them.

"Seen" means seen by a person who faces the target (stands between car and target and looks at its face): `right_mm` to
that person's right, `up_mm` up, `behind_mm` away from the person, `turn_deg` counter-clockwise. `_pm_` values are half-widths
at k = 2.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, Self

import numpy as np
from pydantic import Field, model_validator

from calib.paper.adjusters import Adjuster, AdjusterEntry
from calib.paper.listed import each_once
from calib.paper.sheet import Filled
from vision.frames import Array
from vision.toml_io import FileModel, parsed, read_text, read_toml

SCHEMA = "stand/1"
PLACE_PM_MM = 0.5
"""A centre mark measured with a steel rule from the target's centre (common practice, no source)."""
BEHIND_PM_MM = 0.2
"""A sheet thickness measured with callipers."""
TURN_PM_DEG = 0.05
"""A board of 300 mm aligned to 0.25 mm over its width."""
LEAST_BEHIND_MM = -5.0
"""A taught board printed on the target's face itself lies at zero, more or less its U."""
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
    lean_right_rad, lean_down_rad : float
        Printed face against the target's face: turned about the seen right and the seen down axis; 0 unless taught.
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
    lean_right_rad: float = 0.0
    lean_down_rad: float = 0.0

    @property
    def place(self) -> Array:
        """Right, up, behind, mm, turn, lean right, lean down, rad."""
        leans = [self.lean_right_rad, self.lean_down_rad]
        return np.array([self.right_mm, self.up_mm, self.behind_mm, self.turn_rad, *leans])

    @property
    def half_widths(self) -> Array:
        """At k = 2, in the order of `Taught.cov`."""
        places = [self.right_pm_mm, self.up_pm_mm, self.behind_pm_mm]
        return np.array([*places, self.turn_pm_rad, self.parallel_pm_rad, self.parallel_pm_rad])


@dataclass(frozen=True, slots=True)
class Taught:
    """How a stand file was taught instead of typed.

    Attributes
    ----------
    date : datetime.date
    marks : tuple of str
        Touched marks on the target it comes from.
    residual_mm : float
        RMS distance of marks and boards of the face from their places; 0 where nothing was over-determined.
    cov : ndarray, shape (6 n, 6 n)
        Joint covariance (k = 1) of the boards' places in their order: right, up, behind, mm, turn, lean right, lean down, rad.
        It takes the place of the half-widths.
    on_face : tuple of str
        Boards in a known place on the face it comes from.
    """

    date: datetime.date
    marks: tuple[str, ...]
    residual_mm: float
    cov: Array = field(compare=False)
    on_face: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Pivot:
    """Upright axis the stand turns about, from the target's centre, as seen by a person facing the target."""

    right_mm: float
    behind_mm: float


@dataclass(frozen=True, slots=True)
class Stand:
    """Boards on the target's face; the first one defines the target, any other is a check of the typed values.

    `adjusters` are what the stand is moved by: they measure nothing.
    """

    boards: tuple[StandBoard, ...]
    pivot: Pivot | None = None
    taught: Taught | None = None
    adjusters: tuple[Adjuster, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(board.board for board in self.boards)

    def places_cov(self, names: Sequence[str]) -> Array:
        """Joint covariance (6 n, 6 n) of what the file says of some boards, in the order asked for; see `Taught.cov`."""
        if self.taught is None:
            typed = {entry.board: entry for entry in self.boards}
            sigma = np.concatenate([typed[name].half_widths for name in names]) / 2.0
            return np.diag(sigma**2)
        rows = [6 * self.names.index(name) + k for name in names for k in range(6)]
        return self.taught.cov[np.ix_(rows, rows)]

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

        taught = self.taught and replace(self.taught, cov=self.taught.cov / factor**2)
        return replace(self, boards=tuple(better(entry) for entry in self.boards), taught=taught)


def read_stand(path: Path) -> Stand:
    """Read a stand file.

    Raises
    ------
    FileError
        Names file, line and key: missing or unknown key, negative half-width, the same board twice.
    """
    taught = "taught" in parsed(path, read_text(path))
    return read_toml(path, TaughtFile if taught else _StandFile, SCHEMA).stand()


Place = Annotated[float, Field(ge=-3000.0, le=3000.0)]
HalfWidthMm = Annotated[float, Field(ge=0.0, le=50.0)]
HalfWidthDeg = Annotated[float, Field(ge=0.0, le=10.0)]


class TypedBoard(FileModel):
    """A board's place on a target's face as people type it."""

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
    lean_right_deg: Annotated[float, Field(ge=-20.0, le=20.0)] = 0.0
    lean_down_deg: Annotated[float, Field(ge=-20.0, le=20.0)] = 0.0

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
            lean_right_rad=math.radians(self.lean_right_deg),
            lean_down_rad=math.radians(self.lean_down_deg),
        )


class _TaughtBoardEntry(TypedBoard):
    behind_mm: Annotated[float, Field(ge=LEAST_BEHIND_MM, le=500.0)]


class PivotEntry(FileModel):
    right_mm: Place
    behind_mm: Place


class _TaughtEntry(FileModel):
    date: datetime.date
    marks: list[Filled]
    residual_mm: Annotated[float, Field(ge=0.0)]
    covariance: list[list[float]]
    on_face: list[Filled] = []

    @model_validator(mode="after")
    def _from_something(self) -> Self:
        if len(self.marks) < 3 and not self.on_face:
            raise ValueError(f"taught from {len(self.marks)} marks and no board on the face: teach the stand again")
        return self

    def taught(self, count: int) -> Taught:
        cov = np.array(self.covariance, dtype=float) if len({len(row) for row in self.covariance}) == 1 else np.zeros((0, 0))
        if cov.shape != (6 * count, 6 * count):
            raise ValueError(f"the covariance of {count} boards has {6 * count} rows of {6 * count} numbers, in mm and rad")
        if not np.allclose(cov, cov.T, rtol=1e-6, atol=0.0) or np.linalg.eigvalsh(cov)[0] < -1e-9 * np.linalg.eigvalsh(cov)[-1]:
            raise ValueError("this is no covariance: teach the stand again")
        return Taught(self.date, tuple(self.marks), self.residual_mm, (cov + cov.T) / 2, tuple(self.on_face))


class _StandFile(FileModel):
    schema_name: str = Field(alias="schema")
    board: Annotated[list[TypedBoard], Field(min_length=1)]
    pivot: PivotEntry | None = None
    adjuster: list[AdjusterEntry] = []

    @model_validator(mode="after")
    def _each_board_once(self) -> Self:
        each_once(board=(one.name for one in self.board), adjuster=(one.name for one in self.adjuster))
        return self

    def stand(self) -> Stand:
        pivot = None if self.pivot is None else Pivot(self.pivot.right_mm, self.pivot.behind_mm)
        adjusters = tuple(entry.adjuster() for entry in self.adjuster)
        return Stand(tuple(entry.board() for entry in self.board), pivot, adjusters=adjusters)


class TaughtFile(_StandFile):
    board: Annotated[list[_TaughtBoardEntry], Field(min_length=1)]  # type: ignore[assignment]
    taught: _TaughtEntry

    @model_validator(mode="after")
    def _covariance_of_these_boards(self) -> Self:
        self.taught.taught(len(self.board))
        return self

    def stand(self) -> Stand:
        return replace(super().stand(), taught=self.taught.taught(len(self.board)))
