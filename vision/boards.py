"""Printed boards: corner geometry, marker ids, measured print scale, flatness.

Board frame: origin at the board's first corner (the outer corner of a ChArUco pattern, the first inner corner of a plain
chessboard), x along columns, y along rows, z *into* the board, away from the viewer: OpenCV's. All coordinates here are of
the *printed* board, mm: the nominal ones times the measured print scale.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass, field

import cv2
import numpy as np

from vision.errors import BoardError
from vision.frames import Array

NOMINAL_BAR_MM = 140.0
SCALE_UNMEASURED_PM = 0.005
"""Half-width (k = 2) of the print scale before its check bars are measured: office printers, common practice, no source."""
SCALE_OWN_PM = 0.0002
"""Half-width (k = 2) of one board's own scale within a print run: common practice, no source."""
PRINT_PM_MM = 0.1
"""Half-width (k = 2), per axis, of a corner's printed place about the scaled pattern: σ = 0.05 mm lies between what good
printers keep (0.03 mm) and what the restricted likelihood of the lens fit finds on the classic stereo photos (0.06 mm)."""


@dataclass(frozen=True, slots=True)
class PrintScale:
    """Printed size over nominal size along the board's x and y, with half-widths at k = 2 (relative, unit 1).

    `common_pm` is shared by all boards of one print run (same printer, paper and measuring tool), `own_pm` is the board's own.
    """

    x: float = 1.0
    y: float = 1.0
    common_pm: float = SCALE_UNMEASURED_PM
    own_pm: float = SCALE_OWN_PM


@dataclass(frozen=True, slots=True)
class Board:
    """One printed board.

    Attributes
    ----------
    name : str
    columns, rows : int
        ChArUco: squares along x and y. Chessboard: *inner corners* along x and y.
    square_mm, marker_mm : float
        Nominal sizes; `marker_mm` is 0 for a plain chessboard.
    dictionary : str
        Name of a predefined OpenCV dictionary, e.g. "DICT_APRILTAG_36h11"; empty for a plain chessboard.
    first_id : int
        Marker ids run from here, in OpenCV's order.
    legacy : bool
        OpenCV's corner layout before 4.6 (boards people already own).
    thickness_mm, thickness_pm_mm : float
        From the printed face to the back of the stiff sheet, half-width at k = 2.
    flatness_pm_mm : float
        Largest departure of the printed face from its mean plane, half-width at k = 2.
    print_run : str
        Boards of one run share the common part of the print scale.
    scale : PrintScale
    print_pm_mm : float
        Printed place of a corner about the scaled pattern, along x and along y, half-width at k = 2; 0 for a perfect print.
    """

    name: str
    columns: int
    rows: int
    square_mm: float
    marker_mm: float = 0.0
    dictionary: str = ""
    first_id: int = 0
    legacy: bool = False
    thickness_mm: float = 0.0
    thickness_pm_mm: float = 0.2
    flatness_pm_mm: float = 0.5
    print_run: str = "1"
    scale: PrintScale = field(default_factory=PrintScale)
    print_pm_mm: float = PRINT_PM_MM

    def __post_init__(self) -> None:
        least = 3 if self.is_charuco else 2
        if self.columns < least or self.rows < least:
            raise BoardError(f"board {self.name}: {self.columns} x {self.rows} is too small, at least {least} x {least}")
        if not self.square_mm > 0 or self.marker_mm < 0 or (self.is_charuco and not 0 < self.marker_mm < self.square_mm):
            raise BoardError(f"board {self.name}: the marker must be smaller than the square, both larger than zero")
        if self.is_charuco and (self.first_id < 0 or self.first_id + self.marker_count > dictionary_size(self.dictionary)):
            raise BoardError(
                f"board {self.name}: ids {self.first_id} to {self.first_id + self.marker_count - 1} are not all in "
                f"{self.dictionary}, which ends at {dictionary_size(self.dictionary) - 1}"
            )

    @property
    def is_charuco(self) -> bool:
        return bool(self.dictionary)

    @property
    def marker_count(self) -> int:
        return self.columns * self.rows // 2 if not self.legacy else len(_marker_cells(self.columns, self.rows, True))

    @property
    def marker_ids(self) -> range:
        return range(self.first_id, self.first_id + self.marker_count) if self.is_charuco else range(0)

    @property
    def corner_columns(self) -> int:
        return self.columns - 1 if self.is_charuco else self.columns

    @property
    def corner_rows(self) -> int:
        return self.rows - 1 if self.is_charuco else self.rows

    @property
    def corner_count(self) -> int:
        return self.corner_columns * self.corner_rows

    @property
    def size_mm(self) -> tuple[float, float]:
        """Printed size of the pattern along x and y (chessboard: between the outermost inner corners)."""
        nx, ny = (self.columns, self.rows) if self.is_charuco else (self.columns - 1, self.rows - 1)
        return nx * self.square_mm * self.scale.x, ny * self.square_mm * self.scale.y

    @property
    def centre_mm(self) -> Array:
        """The printed centre mark, shape (3,), board frame."""
        w, h = self.size_mm
        return np.array([w / 2, h / 2, 0.0])

    def corners_mm(self) -> Array:
        """Inner chessboard corners, shape (n, 3), mm, board frame; row by row, OpenCV's order."""
        offset = 1.0 if self.is_charuco else 0.0
        gx, gy = np.meshgrid(np.arange(self.corner_columns) + offset, np.arange(self.corner_rows) + offset)
        flat = np.zeros(gx.size)
        return np.column_stack([gx.ravel() * self.square_mm * self.scale.x, gy.ravel() * self.square_mm * self.scale.y, flat])

    def marker_corners_mm(self) -> Array:
        """Outer corners of the markers, shape (markers, 4, 3), mm, board frame; clockwise from the marker's first corner."""
        cells = np.array(_marker_cells(self.columns, self.rows, self.legacy), dtype=float).reshape(-1, 2)
        inset = (self.square_mm - self.marker_mm) / 2
        low, high = inset, inset + self.marker_mm
        square = np.array([[low, low], [high, low], [high, high], [low, high]])
        xy = cells[:, None, :] * self.square_mm + square[None]
        xy = xy * np.array([self.scale.x, self.scale.y])
        return np.concatenate([xy, np.zeros((*xy.shape[:2], 1))], axis=2)

    def black_squares(self) -> list[tuple[int, int]]:
        """(column, row) of the black squares of a ChArUco pattern; the others carry the markers."""
        white = set(_marker_cells(self.columns, self.rows, self.legacy))
        return [(c, r) for r in range(self.rows) for c in range(self.columns) if (c, r) not in white]

    def marker_cells(self) -> list[tuple[int, int]]:
        """(column, row) of the white squares in marker order: marker `first_id + i` lies in cell i."""
        return list(_marker_cells(self.columns, self.rows, self.legacy))

    def marker_bits(self) -> list[np.ndarray]:
        """Black/white cells of each marker including its one-cell black border: (cells, cells) of 0 (black) or 1."""
        return [_marker_picture(self.dictionary, marker) for marker in self.marker_ids]

    def cv_board(self) -> cv2.aruco.CharucoBoard:
        """OpenCV's nominal board (print scale not applied)."""
        if not self.is_charuco:
            raise ValueError(f"board {self.name} is a plain chessboard")
        ids = np.arange(self.first_id, self.first_id + self.marker_count, dtype=np.int32)
        board = cv2.aruco.CharucoBoard(
            (self.columns, self.rows), self.square_mm, self.marker_mm, predefined_dictionary(self.dictionary), ids
        )
        board.setLegacyPattern(self.legacy)
        return board


@functools.cache
def _marker_cells(columns: int, rows: int, legacy: bool) -> tuple[tuple[int, int], ...]:
    # OpenCV >= 4.6 starts with a black square top left; the legacy layout does so only for an odd number of rows.
    shift = 1 if legacy and rows % 2 == 0 else 0
    return tuple((c, r) for r in range(rows) for c in range(columns) if (c + r + shift) % 2 == 1)


def dictionary_names() -> list[str]:
    """Names of OpenCV's predefined dictionaries."""
    return sorted(name for name in dir(cv2.aruco) if name.startswith("DICT_"))


@functools.cache
def predefined_dictionary(name: str) -> cv2.aruco.Dictionary:
    if name not in dictionary_names():
        raise BoardError(f"unknown marker dictionary {name!r}", hint=f"one of {', '.join(dictionary_names())}")
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name))


def dictionary_size(name: str) -> int:
    return len(predefined_dictionary(name).bytesList)


@functools.cache
def _marker_picture(dictionary: str, marker: int) -> np.ndarray:
    cells = predefined_dictionary(dictionary).markerSize + 2
    picture = cv2.aruco.generateImageMarker(predefined_dictionary(dictionary), marker, cells, borderBits=1)
    return (np.asarray(picture) > 127).astype(np.uint8)


@dataclass(frozen=True, slots=True)
class BoardSet:
    """All boards of a shop; names and marker ids are unique.

    Raises
    ------
    BoardError
        Two boards share a name or a marker id of the same dictionary.
    """

    boards: tuple[Board, ...]

    def __post_init__(self) -> None:
        names: set[str] = set()
        owner: dict[tuple[str, int], str] = {}
        for board in self.boards:
            if board.name in names:
                raise BoardError(f"two boards are called {board.name}", hint="give every board its own name")
            names.add(board.name)
            for marker in board.marker_ids:
                other = owner.setdefault((board.dictionary, marker), board.name)
                if other != board.name:
                    raise BoardError(
                        f"boards {other} and {board.name} share marker id {marker} of {board.dictionary}",
                        hint="give every board its own range of ids (first_id)",
                    )

    def __iter__(self) -> Iterator[Board]:
        return iter(self.boards)

    def __len__(self) -> int:
        return len(self.boards)

    def __contains__(self, name: object) -> bool:
        return any(board.name == name for board in self.boards)

    def __getitem__(self, name: str) -> Board:
        for board in self.boards:
            if board.name == name:
                return board
        known = ", ".join(board.name for board in self.boards)
        raise BoardError(f"there is no board {name!r}", hint=f"known boards: {known}")
