"""The printed face of a board as a picture in board coordinates, with exact coverage of every picture cell."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic_images.rigid import Array
from synthetic_images.scene import PAPER_MARGIN, SHEET_MARGIN
from vision.boards import Board

INK = 0.055
PAPER = 0.84
SHEET = 0.46


@dataclass(frozen=True, slots=True, eq=False)
class PrintPicture:
    """Reflectance (rows, columns) in 1/255, uint8, of the sheet between `low_mm` and `high_mm` (x, y).

    Picture coordinates of a nominal board point (x, y) mm are `((x, y) - low_mm) * cells_per_mm - 0.5`.
    """

    values: NDArray[np.uint8]
    low_mm: tuple[float, float]
    high_mm: tuple[float, float]
    cells_per_mm: float


@functools.lru_cache(maxsize=96)
def print_picture(board: Board, cells_per_mm: float) -> PrintPicture:
    """Picture of the *nominal* board: the caller applies the true print scale. Area-exact: no cell is merely sampled."""
    xs, ys, pattern = _areas(board)
    shares = _overlaps(ys, cells_per_mm) @ (255.0 * pattern).astype(np.float32) @ _overlaps(xs, cells_per_mm).T
    values = np.rint(shares, out=shares).astype(np.uint8)
    return PrintPicture(values, (float(xs[0]), float(ys[0])), (float(xs[-1]), float(ys[-1])), cells_per_mm)


def _areas(board: Board) -> tuple[Array, Array, Array]:
    """Edges along x and y (mm, nominal), and the reflectance of the rectangles between them (along y, along x)."""
    square, marker = board.square_mm, board.marker_mm
    columns, rows, first = (board.columns, board.rows, 0.0) if board.is_charuco else (board.columns + 1, board.rows + 1, -1.0)
    cells = len(board.marker_bits()[0]) if board.is_charuco else 1
    inset = (square - marker) / 2
    inner = inset + marker * np.arange(cells + 1) / cells if board.is_charuco else np.array([0.0])

    def edges(count: int) -> Array:
        start = np.arange(count) * square + first * square
        grid = np.unique(np.round(np.concatenate([start[:, None] + inner, start[:, None]], axis=1), 9))
        end = (count + first) * square
        paper, rim = PAPER_MARGIN * square, (PAPER_MARGIN + SHEET_MARGIN) * square
        return np.concatenate([[start[0] - rim, start[0] - paper], grid, [end, end + paper, end + rim]])

    xs, ys = edges(columns), edges(rows)
    x_mid, y_mid = (xs[1:] + xs[:-1]) / 2, (ys[1:] + ys[:-1]) / 2
    pattern = np.full((len(y_mid), len(x_mid)), SHEET)
    pattern[1:-1, 1:-1] = PAPER
    for column, row in _black_squares(board, columns, rows):
        _fill(pattern, x_mid, y_mid, ((column + first) * square, (row + first) * square), square, np.zeros((1, 1)))
    if board.is_charuco:
        for (column, row), bits in zip(board.marker_cells(), board.marker_bits(), strict=True):
            _fill(pattern, x_mid, y_mid, (column * square + inset, row * square + inset), marker, bits)
    return xs, ys, pattern


def _black_squares(board: Board, columns: int, rows: int) -> list[tuple[int, int]]:
    if board.is_charuco:
        return board.black_squares()
    return [(c, r) for r in range(rows) for c in range(columns) if (c + r) % 2 == 0]


def _fill(
    pattern: Array, x_mid: Array, y_mid: Array, at: tuple[float, float], size: float, bits: NDArray[np.uint8] | Array
) -> None:
    """Put a square of black (0) and white (1) cells, its first corner at `at`."""
    n = len(bits)
    in_x = np.flatnonzero((x_mid > at[0]) & (x_mid < at[0] + size))
    in_y = np.flatnonzero((y_mid > at[1]) & (y_mid < at[1] + size))
    cell_x = ((x_mid[in_x] - at[0]) / size * n).astype(int)
    cell_y = ((y_mid[in_y] - at[1]) / size * n).astype(int)
    pattern[np.ix_(in_y, in_x)] = np.where(bits[np.ix_(cell_y, cell_x)] > 0, PAPER, INK)


def _overlaps(edges: Array, cells_per_mm: float) -> NDArray[np.float32]:
    """Share of each picture cell covered by each interval, shape (cells, intervals); the last one goes on beyond the sheet."""
    count = int(np.ceil((edges[-1] - edges[0]) * cells_per_mm)) + 1
    left = edges[0] + np.arange(count) / cells_per_mm
    right = left + 1.0 / cells_per_mm
    ends = np.append(edges[1:-1], edges[-1] + 2.0 / cells_per_mm)
    share = np.minimum(right[:, None], ends) - np.maximum(left[:, None], edges[:-1])
    return np.asarray(np.clip(share, 0.0, None) * cells_per_mm, dtype=np.float32)
