"""Where the adjustment of the wheels starts: spin axes, roll angles and car motion, roughly, from pairs of epochs."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from calib.geometry.wheel_state import RollData, RollState, plane_basis
from vision.frames import Array, exp_so3

ROUNDS = 12
MOST_CROOKED = math.cos(math.radians(20.0))
"""Boards sit crooked by up to 5°: four times that is no board on a wheel."""


def start(data: RollData) -> RollState:
    """Rough values of all unknowns.

    The spin axis is the direction that the relative rotations of all pairs of epochs leave where it is (the helical axis),
    after the car's yaw is taken out; the yaw is what turns the axes of all wheels alike. Axis points and car shifts then follow
    by linear least squares. Works for any roll angles, half and whole turns included; steering, heave, roll and pitch start at
    nil.
    """
    axis, yaw = _axes_and_yaws(data)
    car = exp_so3(yaw[:, None] * data.up)
    level = np.swapaxes(car, 1, 2)[data.epoch] @ data.rotation
    at_rest, moved = rest_sightings(data), data.moved
    relative = level[moved] @ np.swapaxes(data.rotation[at_rest[data.wheel[moved]]], 1, 2)
    turn = np.zeros(len(data.wheel))
    turn[moved] = _angle_about(relative, axis[data.wheel[moved]])
    mount_rotation, mount_origin = data.rotation[at_rest], data.origin[at_rest]
    point, shift = _points_and_shifts(data, axis, turn, car, mount_origin)
    epochs = len(data.epochs)
    return RollState(mount_rotation, mount_origin, axis, point, turn, car, shift, np.zeros(epochs), 0.0, data.up)


def rest_sightings(data: RollData) -> NDArray[np.int64]:
    """Sighting at `rest` of each board, on wheels first, then on the body, shape (W + B,)."""
    out = np.full(len(data.wheels) + len(data.body), -1)
    resting = np.flatnonzero(data.epoch == data.rest)
    out[data.mount[resting]] = resting
    return out


def _axes_and_yaws(data: RollData) -> tuple[Array, Array]:
    """Outboard spin axes at `rest`, shape (W, 3), and the car's yaw from `rest`, rad, shape (E,)."""
    # The printed face looks outboard, whatever the mounting error.
    face = -data.rotation[rest_sightings(data)][: len(data.wheels), :, 2]
    yaw = np.zeros(len(data.epochs))
    for _ in range(ROUNDS):
        level = exp_so3(-yaw[data.epoch, None] * data.up) @ data.rotation
        axis = np.array([helical_axis(level[data.wheel == w], face[w]) for w in range(len(data.wheels))])
        # Little roll and much yaw make a helical axis of the yaw: then the face is the better guess.
        crooked = (axis * face).sum(axis=1) < MOST_CROOKED
        axis = np.where(crooked[:, None], face, axis)
        yaw = _yaws(data, axis)
    return axis, yaw


def helical_axis(rotation: Array, near: Array) -> Array:
    """Direction best left alone by the relative rotations of all pairs (m, 3, 3); its sign is that of `near`."""
    i, j = np.triu_indices(len(rotation), 1)
    change = rotation[i] @ np.swapaxes(rotation[j], 1, 2) - np.eye(3)
    axis = np.linalg.eigh(np.einsum("pki,pkj->ij", change, change))[1][:, 0]
    return np.asarray(axis if axis @ near >= 0 else -axis, dtype=float)


def _yaws(data: RollData, axis: Array) -> Array:
    """Yaw of each epoch from `rest` that best carries the spin axes along."""
    mine = data.on_wheels
    wheel, epoch = data.wheel[mine], data.epoch[mine]
    from_rest = data.rotation[mine] @ np.swapaxes(data.rotation[rest_sightings(data)[wheel]], 1, 2)
    carried = np.einsum("nij,nj->ni", from_rest, axis[wheel])
    before, after = axis[wheel] @ data.level.T, carried @ data.level.T
    sine = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    cosine = (before * after).sum(axis=1)
    size = len(data.epochs)
    yaw = np.arctan2(np.bincount(epoch, sine, size), np.bincount(epoch, cosine, size))
    yaw[data.rest] = 0.0
    return np.asarray(yaw, dtype=float)


def _angle_about(rotation: Array, axis: Array) -> Array:
    """Angle of each rotation (n, 3, 3) about its axis (n, 3), rad, in (-π, π]."""
    odd = np.stack(
        [
            rotation[:, 2, 1] - rotation[:, 1, 2],
            rotation[:, 0, 2] - rotation[:, 2, 0],
            rotation[:, 1, 0] - rotation[:, 0, 1],
        ],
        axis=1,
    )
    trace = np.trace(rotation, axis1=1, axis2=2)
    return np.asarray(np.arctan2((odd * axis).sum(axis=1) / 2.0, (trace - 1.0) / 2.0), dtype=float)


def _points_and_shifts(data: RollData, axis: Array, turn: Array, car: Array, rest_origin: Array) -> tuple[Array, Array]:
    """Axis points (W, 3) and car shifts (E, 3): linear, lightly held to no heave and to points near the boards."""
    wheels, epochs = len(data.wheels), len(data.epochs)
    basis = plane_basis(axis, data.up)
    size = 2 * wheels + 3 * (epochs - 1)
    rows, right = [], []
    for i in data.moved:
        w, k = data.wheel[i], data.epoch[i]
        spin = exp_so3(axis[w] * turn[i])
        row = np.zeros((3, size))
        row[:, 2 * w : 2 * w + 2] = car[k] @ (np.eye(3) - spin) @ basis[w]
        row[:, 2 * wheels + 3 * k : 2 * wheels + 3 * k + 3] = np.eye(3)
        still = data.centre + car[k] @ (rest_origin[w] - data.centre)
        rows.append(row)
        right.append(data.origin[i] - still)
    for k in range(epochs - 1):
        row = np.zeros((1, size))
        row[0, 2 * wheels + 3 * k : 2 * wheels + 3 * k + 3] = data.up
        rows.append(row)
        right.append(np.zeros(1))
    near = np.zeros((2 * wheels, size))
    near[:, : 2 * wheels] = 1e-3 * np.eye(2 * wheels)
    solved = np.linalg.lstsq(np.vstack([*rows, near]), np.concatenate([*right, np.zeros(2 * wheels)]), rcond=None)[0]
    shift = np.vstack([solved[2 * wheels :].reshape(-1, 3), np.zeros(3)])
    return rest_origin[:wheels] + np.einsum("wij,wj->wi", basis, solved[: 2 * wheels].reshape(-1, 2)), shift
