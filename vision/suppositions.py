"""What may be wrong in a network, as suppositions to be tested (`snooping.py`), and what a test found. Plain types."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from vision.frames import Array
from vision.observations import face_modes


@dataclass(frozen=True, slots=True)
class Moved:
    """Bodies that stood elsewhere in some of their photos; `together`: all by one rigid motion."""

    later: Mapping[str, frozenset[str]]
    together: bool = False


@dataclass(frozen=True, slots=True)
class Zoomed:
    """A lens that drew everything larger or smaller in some of its photos."""

    lens: str
    later: frozenset[str]


@dataclass(frozen=True, slots=True)
class Typed:
    """Something known beforehand that is otherwise: "own" or "scale" (print), "bend", "lens"; of what; and its unknowns."""

    kind: str
    of: str
    names: tuple[str, ...] = ()


MOST_DRIFT_PX = 5.0
"""A photo that drifts by more, along x or y, is left out: its rows did not drift evenly."""


@dataclass(frozen=True, slots=True)
class Sheared:
    """A photo that drifts from row to row: the camera moved while a rolling shutter read them."""

    photo: str


Guessed = Moved | Zoomed | Sheared
Supposition = Guessed | Typed


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """A supposition with what the network says of it.

    Attributes
    ----------
    what : Moved, Zoomed, Sheared or Typed
    value : ndarray, shape (q,)
        Estimate: turn (rad) and shift (mm) in the survey frame for each body or for all together; relative focal length; drift
        along x and y, px over `rolling_shutter.ROWS`; or how far the true values lie from those known beforehand.
    cov : ndarray, shape (q, q)
        Of `value`, in the directions that the network can tell.
    drop : float
        Drop of the square sum over the variance of unit weight.
    freedom : int
        Directions that the network can tell.
    log_chance : float
        Natural logarithm of the probability of such a drop when nothing is wrong.
    """

    what: Supposition
    value: Array
    cov: Array
    drop: float
    freedom: int
    log_chance: float

    def shift_mm(self, mark_mm: Array, body: int = 0) -> float:
        """How far a body's centre mark (survey frame, mm) moved."""
        turn, shift = self.value[6 * body : 6 * body + 3], self.value[6 * body + 3 : 6 * body + 6]
        return float(np.linalg.norm(shift + np.cross(turn, mark_mm)))

    def turn_rad(self, body: int = 0) -> float:
        return float(np.linalg.norm(self.value[6 * body : 6 * body + 3]))


@dataclass(frozen=True, slots=True)
class Break:
    """A moment between two photos, and which later photos show each body that was seen before it."""

    before: str
    after: str
    later: Mapping[str, frozenset[str]]


def breaks(bodies: Collection[str], seen: Sequence[tuple[str, Collection[str]]]) -> list[Break]:
    """Ways to part the photos in time, such that a body is seen on both sides.

    Parameters
    ----------
    seen : sequence of (photo, bodies seen in it)
        In the order in which the photos were taken.

    Returns
    -------
    list of Break
        Photos are those that show one of the bodies; bodies not seen on both sides are left out. Each parting once.
    """
    showing = [(photo, set(bodies) & set(there)) for photo, there in seen if set(bodies) & set(there)]
    out: dict[frozenset[tuple[str, frozenset[str]]], Break] = {}
    for k in range(1, len(showing)):
        later = {}
        for body in bodies:
            before = [photo for photo, there in showing[:k] if body in there]
            after = frozenset(photo for photo, there in showing[k:] if body in there)
            if before and after:
                later[body] = after
        if later:
            out.setdefault(frozenset(later.items()), Break(showing[k - 1][0], showing[k][0], later))
    return list(out.values())


def face_departure_mm(amplitudes: Array, cov: Array) -> tuple[float, float]:
    """Largest departure of a bent face from its mean plane over the whole pattern, and its σ, mm.

    Parameters
    ----------
    amplitudes, cov : ndarray, shapes (3,) and (3, 3)
        Of the bending modes.
    """
    u, v = (grid.ravel() for grid in np.meshgrid(np.linspace(-1.0, 1.0, 9), np.linspace(-1.0, 1.0, 9)))
    heights = face_modes(u, v)
    at = int(np.argmax(np.abs(heights @ amplitudes)))
    return float(abs(heights[at] @ amplitudes)), float(np.sqrt(heights[at] @ cov @ heights[at]))
