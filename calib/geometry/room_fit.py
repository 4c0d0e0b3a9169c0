"""Whether a set-up fits into a bay: gaps between convex outlines seen from above, against the free room that is asked for."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from vision.frames import Array


@dataclass(frozen=True, slots=True)
class Gap:
    """Room between two things.

    Attributes
    ----------
    what, to : str
    free_mm : float
        Negative by how far they run into each other (a wall), 0 where two things overlap.
    needed_mm : float
        Free room that is asked for between them.
    """

    what: str
    to: str
    free_mm: float
    needed_mm: float = 0.0

    @property
    def fits(self) -> bool:
        return self.free_mm > 0.0 and self.free_mm >= self.needed_mm

    @property
    def short_mm(self) -> float:
        """How much is missing; 0 when it fits."""
        return 0.0 if self.fits else self.needed_mm - self.free_mm


def wall_gaps_mm(outline: Array, walls_mm: Mapping[str, float]) -> dict[str, float]:
    """Least distance of an outline, shape (n, 2), from each wall; negative beyond it."""
    low, high = outline.min(axis=0), outline.max(axis=0)
    return {
        "front": walls_mm["front"] - float(high[0]),
        "rear": float(low[0]) - walls_mm["rear"],
        "left": walls_mm["left"] - float(high[1]),
        "right": float(low[1]) - walls_mm["right"],
    }


def distance_mm(a: Array, b: Array) -> float:
    """Least distance of two convex outlines, shape (n, 2), corners in order; 0 where they overlap.

    Notes
    -----
    Apart exactly when a line along an edge of one separates them (separating axis theorem); then the least distance is one
    from a corner of one to an edge of the other.
    """
    if not _apart(a, b) and not _apart(b, a):
        return 0.0
    return min(_corner_to_edges(a, b), _corner_to_edges(b, a))


def _apart(a: Array, b: Array) -> bool:
    edges = np.roll(a, -1, axis=0) - a
    normals = np.column_stack([edges[:, 1], -edges[:, 0]])
    normals = normals[np.linalg.norm(normals, axis=1) > 0.0]
    on_a, on_b = a @ normals.T, b @ normals.T
    return bool(np.any((on_a.max(axis=0) <= on_b.min(axis=0)) | (on_b.max(axis=0) <= on_a.min(axis=0))))


def _corner_to_edges(corners: Array, outline: Array) -> float:
    ends = np.roll(outline, -1, axis=0)
    least = math.inf
    for start, end in zip(outline, ends, strict=True):
        edge = end - start
        length2 = float(edge @ edge)
        along = np.clip((corners - start) @ edge / length2, 0.0, 1.0) if length2 else np.zeros(len(corners))
        nearest = start + along[:, None] * edge
        least = min(least, float(np.linalg.norm(corners - nearest, axis=1).min()))
    return least
