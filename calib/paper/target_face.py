"""What is known of a target's face before its stand is taught: marks to touch, and patterns in a known place on it.

A pattern is a board that the target's maker printed on the face, or that the shop laid there and measured. Its keys are those
of a board in a stand file, seen by a person who faces the target.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Self

from pydantic import Field, model_validator

from calib.paper.sheet import PointName
from calib.paper.stand import Place, StandBoard, TypedBoard
from vision.boards import BoardSet
from vision.errors import FileError
from vision.toml_io import FileModel, line_of, read_text, read_toml

SCHEMA = "target-marks/1"
MARK_PM_MM = 0.3
"""A mark printed on a rigid target, and the tip set on it (common practice, no source)."""
LEAST_MARKS = 3
"""Without a board in a known place on the face."""


@dataclass(frozen=True, slots=True)
class TargetMark:
    """A mark on the target's face, touched under this name: its place as seen facing it, ± (k = 2) in every direction."""

    name: str
    right_mm: float
    up_mm: float
    pm_mm: float = MARK_PM_MM


@dataclass(frozen=True, slots=True)
class TargetFace:
    """Marks and boards whose places on a target's face are known.

    Attributes
    ----------
    marks : tuple of TargetMark
    boards : tuple of StandBoard
    """

    marks: tuple[TargetMark, ...]
    boards: tuple[StandBoard, ...] = ()

    @property
    def board_names(self) -> tuple[str, ...]:
        return tuple(board.board for board in self.boards)


def read_face(path: Path) -> TargetFace:
    """Read a file of what is known of a target's face.

    Raises
    ------
    FileError
        Names file, line and key: nothing that fixes the face, a mark or board twice, two marks in one place.
    """
    return read_toml(path, _FaceFile, SCHEMA).face()


def check_face(path: Path, face: TargetFace, boards: BoardSet, elsewhere: Collection[str], to_teach: Collection[str]) -> None:
    """Refuse a board of the face that there is not, that lies on floor or car, or whose place is to be taught.

    Raises
    ------
    FileError
        Names file, line and key.
    """
    for i, name in enumerate(face.board_names):
        where = f"{path}:{line_of(read_text(path), ('board', i, 'name'))}: board.{i}.name"
        if name not in boards or not boards[name].is_charuco:
            known = ", ".join(board.name for board in boards if board.is_charuco)
            raise FileError(f"{where}: there is no board {name!r} in the board set", hint=f"known boards: {known}")
        if name in elsewhere:
            raise FileError(
                f"{where}: board {name} is on the floor or the car in this job", hint="a board can be in one place only"
            )
        if name in to_teach:
            raise FileError(
                f"{where}: board {name} has a known place on the face here, and --board asks to teach it",
                hint="strike it in one of the two: a place is either known or taught",
            )


class _FaceBoardEntry(TypedBoard):
    behind_mm: Annotated[float, Field(ge=0.0, le=500.0)] = 0.0


class _MarkEntry(FileModel):
    name: PointName
    right_mm: Place
    up_mm: Place
    pm_mm: Annotated[float, Field(gt=0.0, le=20.0)] = MARK_PM_MM


class _FaceFile(FileModel):
    schema_name: str = Field(alias="schema")
    mark: list[_MarkEntry] = []
    board: list[_FaceBoardEntry] = []

    @model_validator(mode="after")
    def _apart(self) -> Self:
        if not self.board and len(self.mark) < LEAST_MARKS:
            raise ValueError(
                f"{len(self.mark)} marks, at least {LEAST_MARKS} are needed, or a [[board]] in a known place on the face"
            )
        for what, names in (("mark", [m.name for m in self.mark]), ("board", [b.name for b in self.board])):
            twice = sorted({name for name in names if names.count(name) > 1})
            if twice:
                raise ValueError(f"{what} {twice[0]} is listed twice")
        places = [(entry.right_mm, entry.up_mm) for entry in self.mark]
        same = [entry.name for entry in self.mark if places.count((entry.right_mm, entry.up_mm)) > 1]
        if same:
            raise ValueError(f"{' and '.join(same)} are in the same place")
        return self

    def face(self) -> TargetFace:
        marks = tuple(TargetMark(entry.name, entry.right_mm, entry.up_mm, entry.pm_mm) for entry in self.mark)
        return TargetFace(marks, tuple(entry.board() for entry in self.board))
