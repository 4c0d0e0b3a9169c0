"""Observations and unknowns of a car whose wheels turn, as arrays; `wheel_model.py` says how they hang together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.frames import Array

AXIS, POINT, MOUNT, MOTION = 2, 2, 6, 6


@dataclass(frozen=True, slots=True, eq=False)
class RollData:
    """Observed boards: n sightings of W wheels and of the car's body in E epochs, the last epoch being `rest`.

    Attributes
    ----------
    wheels, epochs : tuple of str
    body : tuple of str
        Boards on the car's body.
    wheel, epoch, mount : ndarray of int, shape (n,)
        Which wheel (-1: the car's body), epoch and mounting each sighting belongs to; mountings are the wheels' at `rest`, then
        those of the boards on the body.
    rotation, origin : ndarray, shapes (n, 3, 3), (n, 3)
        `survey_from_board`.
    whiten : ndarray, shape (6 n + 2, 6 n + 2)
        W with WᵀW the inverse covariance of all centred board poses and the floor's tilt.
    up : ndarray, shape (3,)
        Measured floor normal.
    level : ndarray, shape (2, 3)
        Two unit directions square to `up`, level[0] × level[1] = up; tilts are turns about them.
    front : ndarray of bool, shape (W,)
    centre : ndarray, shape (3,)
        Point of the car at `rest` whose shift is called travel, side slip and heave.
    pivot : ndarray, shape (W, 3)
        Supposed point of each front wheel's steering axis at `rest`.
    pivot_along : ndarray, shape (W, 3)
        Outboard directions in which the true points may lie off, by the same length on both sides.
    pivot_sigma_mm : float
        σ of that length.
    heave_whiten, tilt_whiten : ndarray, shape (E-1, E-1)
        W with WᵀW the inverse covariance of the heaves (mm) and of the tilts (rad) of the epochs before `rest`.
    still_whiten, yaw_whiten : ndarray, shape (E-1, E-1) or (0, E-1)
        The same of travel and side slip (mm), and of the yaws (rad); without rows when the car rolls.
    mark : ndarray, shape (W, 3)
        Centre mark of each wheel's board, in the board's frame.
    centring_sigma_mm, square_sigma_rad : ndarray, shape (W,)
        σ with which the spin axis passes the centre mark, and is square to the board, about each of the board's two axes; inf
        where nothing is known.
    """

    wheels: tuple[str, ...]
    epochs: tuple[str, ...]
    body: tuple[str, ...]
    wheel: NDArray[np.int64]
    epoch: NDArray[np.int64]
    mount: NDArray[np.int64]
    rotation: Array
    origin: Array
    whiten: Array
    up: Array
    level: Array
    front: NDArray[np.bool_]
    centre: Array
    pivot: Array
    pivot_along: Array
    pivot_sigma_mm: float
    heave_whiten: Array
    tilt_whiten: Array
    still_whiten: Array
    yaw_whiten: Array
    mark: Array
    centring_sigma_mm: Array
    square_sigma_rad: Array

    @property
    def rest(self) -> int:
        return len(self.epochs) - 1

    @property
    def before(self) -> NDArray[np.int64]:
        """Sightings before `rest`."""
        return np.flatnonzero(self.epoch != self.rest)

    @property
    def on_wheels(self) -> NDArray[np.int64]:
        return np.flatnonzero(self.wheel >= 0)

    @property
    def moved(self) -> NDArray[np.int64]:
        """Sightings of wheel boards before `rest`: those with a roll angle."""
        return np.flatnonzero((self.epoch != self.rest) & (self.wheel >= 0))

    @property
    def in_front(self) -> NDArray[np.bool_]:
        """Whether each sighting is one of a front wheel."""
        return np.asarray((self.wheel >= 0) & self.front[self.wheel], dtype=bool)

    @property
    def steered(self) -> NDArray[np.int64]:
        """Epochs before `rest` in which a front wheel was seen."""
        return np.unique(self.epoch[self.in_front & (self.epoch != self.rest)])


@dataclass(frozen=True, slots=True, eq=False)
class RollState:
    """Values of the unknowns; rows follow `RollData`.

    Attributes
    ----------
    mount_rotation, mount_origin : ndarray, shapes (mounts, 3, 3), (mounts, 3)
        `survey_from_board` as mounted, brought to `rest`.
    axis, point : ndarray, shape (W, 3)
        Spin axes at `rest`: unit direction, outboard, and a point on each.
    turn : ndarray, shape (n,)
        Roll angle from `rest` about the outboard axis, rad.
    car_rotation, car_shift : ndarray, shapes (E, 3, 3), (E, 3)
        Car motion from `rest` about `RollData.centre`.
    steer : ndarray, shape (E,)
        rad, about up.
    pivot_shift_mm : float
        How far outboard the steering axes lie of `RollData.pivot`.
    up : ndarray, shape (3,)
    """

    mount_rotation: Array
    mount_origin: Array
    axis: Array
    point: Array
    turn: Array
    car_rotation: Array
    car_shift: Array
    steer: Array
    pivot_shift_mm: float
    up: Array


@dataclass(frozen=True, slots=True)
class Columns:
    """Where the unknowns stand in the parameter vector."""

    mount: int
    line: int
    turn: int
    motion: int
    steer: int
    tilt: int
    pivot: int
    size: int

    @classmethod
    def of(cls, data: RollData, mounts: int) -> Columns:
        line = MOUNT * mounts
        turn = line + (AXIS + POINT) * len(data.wheels)
        motion = turn + len(data.moved)
        steer = motion + MOTION * data.rest
        tilt = steer + len(data.steered)
        return cls(0, line, turn, motion, steer, tilt, tilt + 2, tilt + 3)

    @property
    def tilts(self) -> slice:
        """Tilt of the floor about its two level directions."""
        return slice(self.tilt, self.tilt + 2)

    def line_of(self, wheel: int) -> slice:
        """Turn of the axis about (level along the car, up), shift of its point along (level along the car, up)."""
        return slice(self.line + 4 * wheel, self.line + 4 * wheel + 4)


def plane_basis(axis: Array, up: Array) -> Array:
    """Unit directions square to the axes (W, 3): along the car (level) and up; shape (W, 3, 2)."""
    along = np.cross(up, axis)
    along /= np.linalg.norm(along, axis=-1, keepdims=True)
    return np.stack([along, np.cross(axis, along)], axis=-1)
