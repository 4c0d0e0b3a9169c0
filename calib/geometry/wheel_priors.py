"""What is known of a car's wheels before a photo is taken, as pseudo-observations of `wheel_model.py`, each with its source.

How far the car heaves, rocks or (on a lift) moves at all; where the front wheels steer; how squarely, and how centrally, a
holder sits on its wheel.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.geometry.wheel_state import MOTION, Columns, RollData, RollState, plane_basis
from vision.frames import Array, skew

CAR_MOTION, CENTRING, MOUNTING = "car motion", "centring", "board mounting"


def prior_residuals(data: RollData, state: RollState) -> Array:
    """Whitened residuals in the order of `prior_sources`."""
    return np.concatenate([_motion(data, state), _centring(data, state), _square(data, state)])


def prior_jacobian(data: RollData, state: RollState, columns: Columns) -> Array:
    """Of `prior_residuals`, by the parameters of `moved_state`, shape (priors, p)."""
    return np.vstack(
        [
            _motion_jacobian(data, state, columns),
            _centring_jacobian(data, state, columns),
            _square_jacobian(data, state, columns),
        ]
    )


def prior_sources(data: RollData) -> tuple[str, ...]:
    """Source of uncertainty of every prior."""
    motions = 3 * len(data.heave_whiten) + 1 + 2 * len(data.still_whiten) + len(data.yaw_whiten)
    return (CAR_MOTION,) * motions + (CENTRING,) * 2 * len(centred(data)) + (MOUNTING,) * 2 * len(squared(data))


def centred(data: RollData) -> NDArray[np.int64]:
    """Wheels on which the axis is known to pass the board's centre mark."""
    return np.flatnonzero(np.isfinite(data.centring_sigma_mm))


def squared(data: RollData) -> NDArray[np.int64]:
    """Wheels on which the board is known to be square to the axis."""
    return np.flatnonzero(np.isfinite(data.square_sigma_rad))


def pierce_points(state: RollState, columns: Columns) -> tuple[Array, Array]:
    """Where the spin axes pierce the printed planes at `rest`, shape (W, 3), mm, and their Jacobian (W, 3, p)."""
    basis = plane_basis(state.axis, state.up)
    points, jacs = [], []
    for w, axis in enumerate(state.axis):
        normal, centre, point = state.mount_rotation[w][:, 2], state.mount_origin[w], state.point[w]
        along, slant = float(normal @ (centre - point) / (normal @ axis)), float(normal @ axis)
        points.append(point + along * axis)
        turn, shift = np.zeros((3, columns.size)), np.zeros((3, columns.size))
        line = columns.line_of(w)
        turn[:, line.start : line.start + 2] = -skew(axis) @ basis[w]
        shift[:, line.start + 2 : line.stop] = basis[w]
        by_normal, by_centre = np.zeros((3, columns.size)), np.zeros((3, columns.size))
        by_normal[:, 6 * w : 6 * w + 3] = -skew(normal)
        by_centre[:, 6 * w + 3 : 6 * w + 6] = np.eye(3)
        to = centre - point - along * axis
        d_along = (to @ by_normal + normal @ (by_centre - shift) - along * (normal @ turn)) / slant
        jacs.append(shift + along * turn + np.outer(axis, d_along))
    return np.array(points), np.array(jacs)


def off_centre(data: RollData, state: RollState, columns: Columns) -> tuple[Array, Array]:
    """Where the axes pierce the boards, from the centre marks along the boards' x and y, (W, 2), mm; Jacobian (W, 2, p)."""
    points, by = pierce_points(state, columns)
    values, jacs = [], []
    for w, (point, jac) in enumerate(zip(points, by, strict=True)):
        axes = state.mount_rotation[w][:, :2].T
        to_mark = state.mount_rotation[w] @ data.mark[w]
        gap = point - state.mount_origin[w] - to_mark
        out = axes @ jac
        out[:, 6 * w : 6 * w + 3] += np.cross(axes, gap) + axes @ skew(to_mark)
        out[:, 6 * w + 3 : 6 * w + 6] -= axes
        values.append(axes @ gap)
        jacs.append(out)
    return np.array(values), np.array(jacs)


def off_square(state: RollState, columns: Columns) -> tuple[Array, Array]:
    """Parts of the unit spin axes along the boards' x and y, shape (W, 2), nil on a square board; Jacobian (W, 2, p)."""
    basis = plane_basis(state.axis, state.up)
    values, jacs = [], []
    for w, axis in enumerate(state.axis):
        axes = state.mount_rotation[w][:, :2].T
        out = np.zeros((2, columns.size))
        out[:, 6 * w : 6 * w + 3] = np.cross(axes, axis)
        line = columns.line_of(w)
        out[:, line.start : line.start + 2] = -np.cross(axes, axis) @ basis[w]
        values.append(axes @ axis)
        jacs.append(out)
    return np.array(values), np.array(jacs)


def _motion(data: RollData, state: RollState) -> Array:
    car, shift = state.car_rotation[:-1], state.car_shift[:-1]
    leans = np.cross(state.up, car @ state.up) @ data.level.T
    sides = shift @ data.level.T
    yaw = car @ data.level[0] @ data.level[1]
    pivot = np.array([state.pivot_shift_mm / data.pivot_sigma_mm])
    heave, tilts = data.heave_whiten @ (shift @ state.up), [data.tilt_whiten @ lean for lean in leans.T]
    still = [data.still_whiten @ side for side in sides.T]
    return np.concatenate([heave, *tilts, pivot, *still, data.yaw_whiten @ yaw])


def _motion_jacobian(data: RollData, state: RollState, columns: Columns) -> Array:
    rest = data.rest
    heave, yaw = np.zeros((rest, columns.size)), np.zeros((rest, columns.size))
    lean, side = np.zeros((2, rest, columns.size)), np.zeros((2, rest, columns.size))
    for k in range(rest):
        at = columns.motion + MOTION * k
        leaning = state.car_rotation[k] @ state.up
        heave[k, at + 3 : at + 6] = state.up
        heave[k, columns.tilts] = data.level @ np.cross(state.up, state.car_shift[k])
        lean[:, k, at : at + 3] = data.level @ skew(state.up) @ -skew(leaning)
        by_up = -skew(leaning) + skew(state.up) @ state.car_rotation[k]
        lean[:, k, columns.tilts] = data.level @ by_up @ -skew(state.up) @ data.level.T
        side[:, k, at + 3 : at + 6] = data.level
        yaw[k, at : at + 3] = np.cross(state.car_rotation[k] @ data.level[0], data.level[1])
    pivot = np.zeros((1, columns.size))
    pivot[0, columns.pivot] = 1.0 / data.pivot_sigma_mm
    still = [data.still_whiten @ part for part in side]
    tilts = [data.tilt_whiten @ part for part in lean]
    return np.vstack([data.heave_whiten @ heave, *tilts, pivot, *still, data.yaw_whiten @ yaw])


def _centring(data: RollData, state: RollState) -> Array:
    wheels = centred(data)
    if not len(wheels):
        return np.zeros(0)
    gaps = off_centre(data, state, Columns.of(data, len(state.mount_rotation)))[0][wheels]
    return np.asarray(gaps / data.centring_sigma_mm[wheels, None], dtype=float).ravel()


def _centring_jacobian(data: RollData, state: RollState, columns: Columns) -> Array:
    wheels = centred(data)
    if not len(wheels):
        return np.zeros((0, columns.size))
    jac = off_centre(data, state, columns)[1][wheels] / data.centring_sigma_mm[wheels, None, None]
    return np.asarray(jac.reshape(-1, columns.size), dtype=float)


def _square(data: RollData, state: RollState) -> Array:
    wheels = squared(data)
    if not len(wheels):
        return np.zeros(0)
    parts = off_square(state, Columns.of(data, len(state.mount_rotation)))[0][wheels]
    return np.asarray(parts / data.square_sigma_rad[wheels, None], dtype=float).ravel()


def _square_jacobian(data: RollData, state: RollState, columns: Columns) -> Array:
    wheels = squared(data)
    if not len(wheels):
        return np.zeros((0, columns.size))
    jac = off_square(state, columns)[1][wheels] / data.square_sigma_rad[wheels, None, None]
    return np.asarray(jac.reshape(-1, columns.size), dtype=float)
