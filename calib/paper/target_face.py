"""What is known of a target's face before its stand is taught: marks to touch, and patterns in a known place on it.

A pattern is a board that the target's maker printed on the face, or that the shop laid there and measured. Its keys are those
of a board in a stand file, seen by a person who faces the target.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Self

import numpy as np
from pydantic import Field, ValidationInfo, field_validator, model_validator

from calib.paper.listed import apart, each_once
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
LEAST_SPREAD_MM = 60.0
"""RMS spread of the marks across their longest line, below which the face could turn about it."""


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


def no_face_words(marks: Sequence[TargetMark]) -> str:
    """Why marks alone fix no face: too few, on one line, or too near one another; "" when they do."""
    if len(marks) < LEAST_MARKS:
        return f"{len(marks)} marks, at least {LEAST_MARKS} are needed, or a [[board]] in a known place on the face"
    places = np.array([[mark.right_mm, mark.up_mm] for mark in marks])
    along, across = np.linalg.svd(places - places.mean(axis=0), compute_uv=False) / math.sqrt(len(marks))
    if across >= LEAST_SPREAD_MM:
        return ""
    corners = "choose some in the face's corners"
    if along < 2.0 * LEAST_SPREAD_MM:
        return f"the marks lie too near one another ({2.0 * along:.0f} mm by {2.0 * across:.0f} mm) to fix the face: {corners}"
    return f"the marks lie on one line (within {across:.0f} mm): the face could turn about it; {corners}"


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

    def mark(self) -> TargetMark:
        return TargetMark(self.name, self.right_mm, self.up_mm, self.pm_mm)


class _FaceFile(FileModel):
    schema_name: str = Field(alias="schema")
    board: list[_FaceBoardEntry] = []
    mark: Annotated[list[_MarkEntry], Field(validate_default=True)] = []

    @field_validator("mark")
    @classmethod
    def _fix_the_face(cls, mark: list[_MarkEntry], info: ValidationInfo) -> list[_MarkEntry]:
        words = "" if info.data.get("board", True) else no_face_words([entry.mark() for entry in mark])
        if words:
            raise ValueError(words)
        return mark

    @model_validator(mode="after")
    def _apart(self) -> Self:
        each_once(mark=(one.name for one in self.mark), board=(one.name for one in self.board))
        apart({one.name: (one.right_mm, one.up_mm) for one in self.mark})
        return self

    def face(self) -> TargetFace:
        return TargetFace(tuple(entry.mark() for entry in self.mark), tuple(entry.board() for entry in self.board))
