"""Stylus files: where the tip of a stylus is in its board's frame, as taught, with its covariance.

Standard deviations are k = 1 and the correlations are kept beside them, so that a person can read how well the tip is known.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Self

import numpy as np
import tomlkit
from pydantic import Field, model_validator

from calib.paper.sheet import Filled
from vision.boards import Board, BoardSet
from vision.errors import FileError
from vision.frames import Array
from vision.toml_io import FileModel, read_toml, write_whole

SCHEMA = "stylus/1"
SAME_SCALE = 1e-6
"""A print scale that differs by more was measured anew."""
AXES = "xyz"
PAIRS = ((0, 1), (0, 2), (1, 2))


@dataclass(frozen=True, slots=True, eq=False)
class Stylus:
    """A taught stylus.

    Attributes
    ----------
    board : str
    tip_mm : ndarray, shape (3,)
        In the board frame.
    cov_mm2 : ndarray, shape (3, 3)
    scale : tuple of float
        Print scale x, y of the board when it was taught: the tip was measured with it.
    residual_mm : float
        RMS distance of the tip from the point it was turned about.
    photos, left_out : tuple of str
    date : datetime.date
    """

    board: str
    tip_mm: Array
    cov_mm2: Array
    scale: tuple[float, float]
    residual_mm: float
    photos: tuple[str, ...]
    left_out: tuple[str, ...]
    date: datetime.date


def read_stylus(path: Path) -> Stylus:
    """Read a stylus file.

    Raises
    ------
    FileError
        Names file, line and key: missing or unknown key, correlations that contradict each other.
    """
    return read_toml(path, _StylusFile, SCHEMA).stylus()


def write_stylus(path: Path, stylus: Stylus) -> None:
    """Write a stylus file, whole or not at all.

    Raises
    ------
    FileError
        It cannot be written.
    """
    sigma = np.sqrt(np.diag(stylus.cov_mm2))
    doc = tomlkit.document()
    doc.add("schema", SCHEMA)
    doc.add(tomlkit.comment("Written by: bayfix stylus teach. Teach again when the tip was bent or the board printed anew."))
    doc.add("board", stylus.board)
    doc.add("date", stylus.date)
    doc.add("residual_mm", round(stylus.residual_mm, 3))
    doc.add("photos", list(stylus.photos))
    doc.add("left_out", list(stylus.left_out))
    doc.add("tip", _table({f"{axis}_mm": round(float(v), 4) for axis, v in zip(AXES, stylus.tip_mm, strict=True)}))
    doc.add("sigma", _table({f"{axis}_mm": round(float(s), 5) for axis, s in zip(AXES, sigma, strict=True)}))
    pairs = {AXES[i] + AXES[j]: round(float(stylus.cov_mm2[i, j] / (sigma[i] * sigma[j])), 6) for i, j in PAIRS}
    doc.add("correlation", _table(pairs))
    doc.add("scale", _table({"x": stylus.scale[0], "y": stylus.scale[1]}))
    try:
        write_whole(path, tomlkit.dumps(doc))
    except OSError as err:
        raise FileError(f"{path}: cannot be written: {err.strerror or err}", hint="choose another file with --out") from err


def to_document(stylus: Stylus) -> dict[str, Any]:
    """What a point touched with this stylus keeps of it, in plain lists and numbers."""
    return {
        "board": stylus.board,
        "tip_mm": stylus.tip_mm.tolist(),
        "cov_mm2": stylus.cov_mm2.tolist(),
        "scale": list(stylus.scale),
        "residual_mm": stylus.residual_mm,
        "taught": stylus.date.isoformat(),
    }


def from_document(document: Mapping[str, Any]) -> Stylus:
    """The stylus of a document written by `to_document`; its photos are not kept there."""
    x, y = document["scale"]
    return Stylus(
        document["board"],
        np.array(document["tip_mm"], dtype=float),
        np.array(document["cov_mm2"], dtype=float),
        (x, y),
        document["residual_mm"],
        (),
        (),
        datetime.date.fromisoformat(document["taught"]),
    )


def scale_of(board: Board) -> tuple[float, float]:
    return board.scale.x, board.scale.y


def check_stylus(stylus: Stylus, boards: BoardSet, path: Path) -> None:
    """Refuse a stylus whose board is not in the set, or was measured anew since it was taught.

    Raises
    ------
    FileError
    """
    known = ", ".join(board.name for board in boards if board.is_charuco)
    if stylus.board not in boards:
        raise FileError(f"{path}: there is no board {stylus.board!r} in the board set", hint=f"known boards: {known}")
    now = scale_of(boards[stylus.board])
    if max(abs(a - b) for a, b in zip(now, stylus.scale, strict=True)) > SAME_SCALE:
        raise FileError(
            f"{path}: the print scale of {stylus.board} was recorded anew since this stylus was taught on {stylus.date}",
            hint="teach it again: bayfix stylus teach JOB PHOTOS",
        )


def _table(values: dict[str, float]) -> tomlkit.items.Table:
    table = tomlkit.table()
    table.update(values)
    return table


class _Tip(FileModel):
    x_mm: Annotated[float, Field(ge=-2000.0, le=2000.0)]
    y_mm: Annotated[float, Field(ge=-2000.0, le=2000.0)]
    z_mm: Annotated[float, Field(ge=-2000.0, le=2000.0)]


class _TipSigma(FileModel):
    x_mm: Annotated[float, Field(ge=0.0, le=50.0)]
    y_mm: Annotated[float, Field(ge=0.0, le=50.0)]
    z_mm: Annotated[float, Field(ge=0.0, le=50.0)]


Share = Annotated[float, Field(ge=-1.0, le=1.0)]


class _TipCorrelation(FileModel):
    xy: Share = 0.0
    xz: Share = 0.0
    yz: Share = 0.0

    @model_validator(mode="after")
    def _possible(self) -> Self:
        if float(np.linalg.eigvalsh(self.matrix())[0]) < -1e-6:
            raise ValueError("these correlations contradict each other (the matrix has a negative eigenvalue)")
        return self

    def matrix(self) -> Array:
        return np.array([[1.0, self.xy, self.xz], [self.xy, 1.0, self.yz], [self.xz, self.yz, 1.0]])


class _TaughtScale(FileModel):
    x: Annotated[float, Field(gt=0.0)]
    y: Annotated[float, Field(gt=0.0)]


class _StylusFile(FileModel):
    schema_name: str = Field(alias="schema")
    board: Filled
    date: datetime.date
    residual_mm: Annotated[float, Field(ge=0.0)]
    photos: list[str] = []
    left_out: list[str] = []
    tip: _Tip
    sigma: _TipSigma
    correlation: _TipCorrelation = _TipCorrelation()
    scale: _TaughtScale

    def stylus(self) -> Stylus:
        sigma = np.array([self.sigma.x_mm, self.sigma.y_mm, self.sigma.z_mm])
        cov = self.correlation.matrix() * np.outer(sigma, sigma)
        return Stylus(
            self.board,
            np.array([self.tip.x_mm, self.tip.y_mm, self.tip.z_mm]),
            cov,
            (self.scale.x, self.scale.y),
            self.residual_mm,
            tuple(self.photos),
            tuple(self.left_out),
            self.date,
        )
