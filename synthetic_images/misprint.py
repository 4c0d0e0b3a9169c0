"""Corners that a printer put beside their place: a smooth warp of the sheet, and what each corner is off by itself.

A print is cut into the cells of its corners, half a square to each side; every cell is printed shifted as one piece, so that a
corner with the edges around it lies exactly where the truth says.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from synthetic_images.rigid import Array
from vision.boards import Board

OWN_SIGMA_MM, SMOOTH_SIGMA_MM = 0.035, 0.015
"""Of an office printer, per axis: together about three quarters of what `print_pm_mm` = 0.1 allows (k = 1: 0.05 mm)."""


@dataclass(frozen=True, slots=True, eq=False)
class Misprint:
    """How far each corner was printed beside the scaled pattern, along x and y, mm: shape (corner rows, corner columns, 2)."""

    shift_mm: Array

    def at(self, board: Board, x_mm: Array, y_mm: Array) -> Array:
        """Shift, shape (n, 2), of points of the pattern: that of the nearest corner."""
        column, row = (np.rint(place).astype(int) for place in corner_places(board, x_mm, y_mm))
        rows, columns = self.shift_mm.shape[:2]
        return np.asarray(self.shift_mm[np.clip(row, 0, rows - 1), np.clip(column, 0, columns - 1)])


def corner_places(board: Board, x_mm: NDArray[Any], y_mm: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
    """Points of the board (true size) counted in corners: (0, 0) is the first, (1, 0) its neighbour along x."""
    first = 1.0 if board.is_charuco else 0.0
    return x_mm / (board.square_mm * board.scale.x) - first, y_mm / (board.square_mm * board.scale.y) - first


def draw_misprints(
    boards: Iterable[Board], rng: np.random.Generator, *, own_mm: float = OWN_SIGMA_MM, smooth_mm: float = SMOOTH_SIGMA_MM
) -> dict[str, Misprint]:
    """Misprints of all boards, by the σ per axis of what is a corner's own and of the warp (RMS over the corners).

    The warp is quadratic and a shear: shifts, turns and scales of a whole print are no print error.
    """
    return {board.name: Misprint(_own(board, rng, own_mm) + _warp(board, rng, smooth_mm)) for board in boards}


def _own(board: Board, rng: np.random.Generator, sigma_mm: float) -> Array:
    return rng.normal(0.0, 1.0, (board.corner_rows, board.corner_columns, 2)) * sigma_mm


def _warp(board: Board, rng: np.random.Generator, sigma_mm: float) -> Array:
    v, u = (np.linspace(-1.0, 1.0, n) for n in (board.corner_rows, board.corner_columns))
    u, v = (grid.ravel() for grid in np.meshgrid(u, v))
    plane = np.column_stack([np.ones_like(u), u, v])
    shapes = np.column_stack([u * u, u * v, v * v])
    shapes -= plane @ np.linalg.lstsq(plane, shapes, rcond=None)[0]
    rms = np.sqrt((shapes**2).mean(axis=0))
    shapes = np.where(rms > 1e-9, shapes / np.maximum(rms, 1e-9), 0.0)
    shear = np.column_stack([v, u]) / math.sqrt(float((u * u + v * v).mean() / 2))
    size = sigma_mm / 2.0
    out = shapes @ rng.normal(0.0, size, (3, 2)) + shear * rng.normal(0.0, size)
    return np.asarray(out.reshape(board.corner_rows, board.corner_columns, 2))
