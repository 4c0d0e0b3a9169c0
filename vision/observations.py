"""What the network adjusts: sightings of bodies in photos and tape distances, and their arrays over all corners at once.

A *body* is a board that did not move while it was seen: "floor-3" is one body in all epochs, "wheel-rear-left@roll-1" and
"wheel-rear-left@rest" are two. Who moved when is known by the caller, not here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.boards import Board, BoardSet
from vision.camera import LensProfile
from vision.frames import Array
from vision.sightings import Sighting

BEND_MODES = 3
ROWS = 1000.0
"""The drift of a photo read row by row while the camera moves is told in px over so many rows."""
SHOWN = 1e-6
"""A mode that departs by less at the corners, of 1 at the rim, cannot be seen."""


@dataclass(frozen=True, slots=True, eq=False)
class BodySighting:
    """A board seen in a photo, and which body it is there."""

    body: str
    sighting: Sighting

    @property
    def board(self) -> str:
        return self.sighting.board


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """One photo: its lens profile's name and the bodies seen in it."""

    photo: str
    lens: str
    seen: tuple[BodySighting, ...]


@dataclass(frozen=True, slots=True)
class Distance:
    """A tape distance between the printed centre marks of two bodies, mm, with its half-width at k = 2."""

    a: str
    b: str
    mm: float
    pm_mm: float


def bend_modes(board: Board, corner_ids: NDArray[np.int64]) -> Array:
    """Departure of the face along z per unit amplitude of each bending mode, at the corners; shape (n, 3).

    The modes are the three quadratic shapes ``u², u v, v²`` over the pattern, scaled so that the face, up to the pattern's
    edge, departs by at most 1 from its own mean plane (as `Board.flatness_pm_mm` is read), and freed of their mean and slope
    over the corners: the pose is that of the corners' mean plane.
    """
    return np.asarray(_modes_of(board)[corner_ids], dtype=float)


def _modes_of(board: Board) -> Array:
    """The modes at all corners of a board."""
    u, v = ((board.corners_mm() - board.centre_mm)[:, :2] / (np.array(board.size_mm) / 2.0)).T
    plane = np.column_stack([np.ones_like(u), u, v])
    modes = face_modes(u, v)
    modes -= plane @ np.linalg.lstsq(plane, modes, rcond=None)[0]
    # A pattern of two corner rows cannot show the bend across them: that mode is left out.
    return np.where(np.abs(modes).max(axis=0) > SHOWN, modes, 0.0)


def face_modes(u: Array, v: Array) -> Array:
    """Departure of a bent face from its mean plane per unit amplitude of each mode, shape (n, 3); u, v from -1 to 1 over it."""
    return np.column_stack([1.5 * (u * u - 1.0 / 3.0), u * v, 1.5 * (v * v - 1.0 / 3.0)])


def bend_sigma_mm(board: Board) -> float:
    """σ (k = 1) of each mode's amplitude, so that three modes together make the board's flatness half-width (k = 2)."""
    return board.flatness_pm_mm / 2.0 / math.sqrt(BEND_MODES)


@dataclass(frozen=True, slots=True, eq=False)
class Observations:
    """All sightings as arrays, padded to the largest number of corners of a sighting; rows of padding have `used` false.

    Shapes: s sightings, m corners at most.

    Attributes
    ----------
    photos, bodies, boards, runs, lenses : tuple of str
        Names behind the index arrays.
    photo, body, board, run, lens : ndarray of int, shape (s,)
    corner_id : ndarray of int, shape (s, m)
        Which corner of its board; 0 in rows of padding.
    corner : ndarray, shape (s, m, 3)
        Corners in the board frame, mm, before scale and bend corrections.
    modes : ndarray, shape (s, m, 3)
    px : ndarray, shape (s, m, 2)
    whiten : ndarray, shape (s, m, 2, 2)
        Inverse Cholesky factor of each corner's covariance, 1/px; identity in rows of padding.
    used : ndarray of bool, shape (s, m)
    count : ndarray of int, shape (s,)
        Corners of each sighting; the rest of its row is padding.
    row_share : ndarray, shape (s, m)
        How far the corner lies below the picture's middle, in units of `ROWS`: what a photo's drift from row to row works by.
    excess : ndarray, shape (s,)
        `Sighting.excess`.
    noise_share : float
        `whiten` is that of covariances times excess to this power (`vision.noise_share`).
    """

    photos: tuple[str, ...]
    bodies: tuple[str, ...]
    boards: tuple[str, ...]
    runs: tuple[str, ...]
    lenses: tuple[str, ...]
    photo: NDArray[np.int64]
    body: NDArray[np.int64]
    board: NDArray[np.int64]
    run: NDArray[np.int64]
    lens: NDArray[np.int64]
    corner_id: NDArray[np.int64]
    corner: Array
    modes: Array
    px: Array
    whiten: Array
    used: NDArray[np.bool_]
    count: NDArray[np.int64]
    row_share: Array
    excess: Array
    noise_share: float = 0.0

    @property
    def lens_of_photo(self) -> NDArray[np.int64]:
        """Index of each photo's lens, shape (photos,)."""
        out = np.zeros(len(self.photos), dtype=np.int64)
        out[self.photo] = self.lens
        return out


def stack_views(views: Sequence[View], boards: BoardSet, lenses: Mapping[str, LensProfile]) -> Observations:
    """Arrays of all sightings of all views; views without sightings are left out."""
    views = [view for view in views if view.seen]
    rows = [(view, seen) for view in views for seen in view.seen]
    if not rows:
        raise ValueError("no sightings to stack")
    photos = tuple(view.photo for view in views)
    if len(set(photos)) != len(photos):
        raise ValueError("two views have the same photo name")
    bodies = tuple(dict.fromkeys(seen.body for _, seen in rows))
    board_names = tuple(dict.fromkeys(seen.board for _, seen in rows))
    runs = tuple(dict.fromkeys(boards[name].print_run for name in board_names))
    lens_names = tuple(dict.fromkeys(view.lens for view in views))
    missing = [name for name in lens_names if name not in lenses]
    if missing:
        raise ValueError(f"views name unknown lenses {missing}")

    s, m = len(rows), max(len(seen.sighting.corner_ids) for _, seen in rows)
    corner, modes = np.zeros((s, m, 3)), np.zeros((s, m, BEND_MODES))
    corner_id = np.zeros((s, m), dtype=np.int64)
    px, whiten = np.zeros((s, m, 2)), np.tile(np.eye(2), (s, m, 1, 1))
    used = np.zeros((s, m), dtype=bool)
    of_board = {name: (boards[name].corners_mm(), _modes_of(boards[name])) for name in board_names}
    for i, (_, seen) in enumerate(rows):
        ids = seen.sighting.corner_ids
        corners, bends = of_board[seen.board]
        n = len(ids)
        corner[i, :n], modes[i, :n], px[i, :n] = corners[ids], bends[ids], seen.sighting.px
        corner_id[i, :n], used[i, :n] = ids, True
    whiten[used] = np.linalg.inv(np.linalg.cholesky(np.concatenate([seen.sighting.cov_px for _, seen in rows])))

    middle_row = np.array([(lenses[view.lens].camera.height_px - 1) / 2.0 for view, _ in rows])

    def index(names: tuple[str, ...], picked: list[str]) -> NDArray[np.int64]:
        place = {name: i for i, name in enumerate(names)}
        return np.array([place[name] for name in picked], dtype=np.int64)

    return Observations(
        photos,
        bodies,
        board_names,
        runs,
        lens_names,
        index(photos, [view.photo for view, _ in rows]),
        index(bodies, [seen.body for _, seen in rows]),
        index(board_names, [seen.board for _, seen in rows]),
        index(runs, [boards[seen.board].print_run for _, seen in rows]),
        index(lens_names, [view.lens for view, _ in rows]),
        corner_id,
        corner,
        modes,
        px,
        whiten,
        used,
        np.array([len(seen.sighting.corner_ids) for _, seen in rows], dtype=np.int64),
        (px[..., 1] - middle_row[:, None]) / ROWS * used,
        np.array([seen.sighting.excess for _, seen in rows]),
    )
