"""Corners that were not printed where they should be: their part of the network's normal equations.

A corner's printed place touches that corner's two rows alone, in every sighting of its board: its products are formed corner by
corner and put in place, instead of being multiplied out with the zeros of all others.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.frames import Array


@dataclass(frozen=True, slots=True, eq=False)
class PrintProducts:
    """Products of the derivatives by printed places with a sighting's own columns, with themselves and with the residuals.

    Attributes
    ----------
    own : ndarray, shape (s, k, 2 m)
    square : ndarray, shape (s, m, 2, 2)
    residual : ndarray, shape (s, 2 m)
    places : ndarray of int, shape (s, 2 m)
        In the joint vector; `size` for held ones.
    size : int
    """

    own: Array
    square: Array
    residual: Array
    places: NDArray[np.int64]
    size: int

    def across(self, to: Array, rows: NDArray[np.int64], height: int) -> Array:
        """Products with unknowns that the own columns follow by `to` (s, i, k), summed at `rows` (s, i): (height, size)."""
        return scatter(to @ self.own, rows, self.places, height, self.size + 1)[:, : self.size]

    def within(self) -> Array:
        """Products with themselves, shape (size, size)."""
        s, m = self.square.shape[:2]
        places = self.places.reshape(s * m, 2)
        return scatter(self.square.reshape(s * m, 2, 2), places, places, self.size + 1, self.size + 1)[: self.size, : self.size]

    def right(self) -> Array:
        sums = np.bincount(self.places.ravel(), self.residual.ravel(), minlength=self.size + 1)
        return np.asarray(sums[: self.size], dtype=float)


def print_products(rows: Array, residual: Array, by_print: Array, places: NDArray[np.int64], size: int) -> PrintProducts:
    """From weighted derivatives by the own columns, `rows` (s, 2 m, k), and by printed places, `by_print` (s, m, 2, 2)."""
    s, m = by_print.shape[:2]
    turned = np.swapaxes(by_print, 2, 3)
    own = (turned @ rows.reshape(s, m, 2, -1)).reshape(s, 2 * m, -1)
    right = (turned @ residual.reshape(s, m, 2, 1)).reshape(s, 2 * m)
    return PrintProducts(np.swapaxes(own, 1, 2), turned @ by_print, right, places, size)


def scatter(blocks: Array, rows: NDArray[np.int64], columns: NDArray[np.int64], height: int, width: int) -> Array:
    """Sum of blocks (s, i, j) at their rows (s, i) and columns (s, j) of a matrix."""
    flat = rows[:, :, None] * width + columns[:, None, :]
    out = np.bincount(flat.ravel(), blocks.ravel(), minlength=height * width)
    return np.asarray(out, dtype=float).reshape(height, width)
