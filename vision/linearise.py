"""Every corner of a network predicted at given values, and its derivatives: the inner loop of the adjustment.

Model of one corner (DEVELOPERS.md, "The network"): board frame, scaled about the centre mark, printed a little beside and bent,
to `survey` by the body's pose, to `cam` by the photo's pose, to pixels by the lens with the photo's wobble and its rows' drift.

A corner's pixel is differentiated once, by the *own columns* of its sighting: pose of the board in the camera, print scale,
bend, lens, drift. What a photo or a body does to the pixel is a linear map of these per sighting: turning and shifting a body
in `survey` is the adjoint of the photo's pose applied to the board's motion in `cam`; a scale common to a print run acts like
the board's own; wobble acts like the lens. So products of derivatives are formed from the few own columns and mapped
afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.camera import project_arrays
from vision.frames import Array, skew
from vision.observations import BEND_MODES, Observations
from vision.unknowns import Layout, Values

POSE, SCALE, BEND = slice(0, 6), slice(6, 8), slice(8, 8 + BEND_MODES)
LENS = slice(8 + BEND_MODES, 20 + BEND_MODES)
DRIFT = slice(LENS.stop, LENS.stop + 2)
OWN_COLUMNS = DRIFT.stop
PHOTO_COLUMNS = 11
"""Of a photo: pose, relative focal length, principal point, drift from row to row."""
DRIFT_OF_PHOTO = slice(9, 11)
JOINT_COLUMNS = 6 + 2 + 2 + BEND_MODES + 12
"""Of what a sighting touches: pose of its body, scale of its run, own scale, bend, lens."""
FOCAL = slice(10 + BEND_MODES, 12 + BEND_MODES)
"""Focal lengths among these."""
NEAREST_MM = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Prediction:
    """All corners at given values; s sightings, m corners at most.

    Attributes
    ----------
    from_mark : ndarray, shape (s, m, 2)
        Corners from the centre mark before scale, mm.
    in_cam : ndarray, shape (s, m, 3)
    ahead : ndarray of bool, shape (s, m)
        In front of the camera.
    lens : ndarray, shape (12, s)
        Camera parameters of each sighting's photo, its wobble included.
    residual : ndarray, shape (s, m, 2)
        Whitened, prediction − observation; 0 where a corner is not used.
    """

    from_mark: Array
    in_cam: Array
    ahead: NDArray[np.bool_]
    lens: Array
    residual: Array


def predict(obs: Observations, centres: Array, values: Values) -> Prediction:
    """Corners in the cameras and their whitened residuals; `centres` (boards, 3) are the boards' centre marks, mm."""
    s, m = obs.used.shape
    scale = values.scale_run[obs.run] + values.scale_own[obs.board]
    # Scale works about the centre mark: it stays where the board's frame has it, and floor, target and tape look for it there.
    from_mark = obs.corner[..., :2] - centres[obs.board][:, None, :2]
    in_board = obs.corner.copy()
    in_board[..., :2] += from_mark * scale[:, None, :]
    in_board[..., :2] += values.printed[obs.board[:, None], obs.corner_id]
    in_board[..., 2] += (obs.modes @ values.bend[obs.board][:, :, None])[..., 0]
    turn, shift = _cam_from_body(obs, values)
    in_cam = in_board @ np.swapaxes(turn, 1, 2) + shift[:, None, :]
    ahead = in_cam[..., 2] > NEAREST_MM
    own = values.lens[obs.lens_of_photo].T.copy()
    own[:2] *= 1.0 + values.wobble[:, 0]
    own[2:4] += values.wobble[:, 1:3].T
    lens = own[:, obs.photo]
    px, _, _ = project_arrays(_in_front(in_cam, ahead), _per_corner(lens, m), jacobians=False)
    px = px.reshape(s, m, 2) + obs.row_share[..., None] * values.wobble[obs.photo, None, 3:]
    residual = whitened(obs, (px - obs.px)[..., None])[..., 0] * obs.used[..., None]
    return Prediction(from_mark, in_cam, ahead, lens, residual)


def design(obs: Observations, values: Values, at: Prediction, columns: int) -> Array:
    """Derivatives of the whitened residuals by the first `columns` own columns, shape (s, 2 m, columns)."""
    s, m = obs.used.shape
    _, d_point, d_lens = project_arrays(_in_front(at.in_cam, at.ahead), _per_corner(at.lens, m), lens=columns > LENS.start)
    used = (obs.used & at.ahead)[..., None, None]
    by_point = np.where(used, whitened(obs, d_point.reshape(s, m, 2, 3)), 0.0)
    out = np.empty((s, m, 2, columns))
    x, y, z = (at.in_cam[..., k, None] for k in range(3))
    dx, dy, dz = (by_point[..., k] for k in range(3))
    out[..., 0], out[..., 1], out[..., 2] = y * dz - z * dy, z * dx - x * dz, x * dy - y * dx
    out[..., 3:6] = by_point
    if columns > SCALE.start:
        turn, _ = _cam_from_body(obs, values)
        in_board = by_point.reshape(s, 2 * m, 3) @ turn
        in_board = in_board.reshape(s, m, 2, 3)
        out[..., SCALE] = in_board[..., :2] * at.from_mark[:, :, None, :]
        out[..., BEND] = in_board[..., 2:] * obs.modes[:, :, None, :]
    if columns > LENS.start:
        out[..., LENS] = np.where(used, whitened(obs, d_lens.reshape(s, m, 2, 12)), 0.0)
    if columns > DRIFT.start:
        out[..., DRIFT] = np.where(used, whitened(obs, obs.row_share[..., None, None] * np.eye(2)), 0.0)
    return out.reshape(s, 2 * m, columns)


def by_printed_place(obs: Observations, values: Values, rows: Array) -> Array:
    """Derivatives of every corner by its own printed place, shape (s, m, 2, 2), from those of `design`: no other's matters."""
    s, m = obs.used.shape
    turn, _ = _cam_from_body(obs, values)
    return np.asarray((rows[..., 3:6] @ turn[:, :, :2]).reshape(s, m, 2, 2), dtype=float)


def printed_places(obs: Observations, layout: Layout) -> NDArray[np.int64]:
    """Places in the joint vector of every sighting's corners' printed places, shape (s, 2 m).

    `layout.size` for held ones and in rows of padding, so that no place but that one comes twice.
    """
    places = layout.printed[obs.board[:, None], obs.corner_id]
    there = np.arange(places.shape[1]) < obs.count[:, None]
    return np.where(there[..., None] & (places >= 0), places, layout.size).reshape(len(obs.board), -1)


def own_columns(layout: Layout, wobble_sigma: Array) -> int:
    """How many own columns matter: 6, with scale and bend 11, with lens or wobble 23, with drift all."""
    if wobble_sigma[:, 3:].any():
        return OWN_COLUMNS
    if (layout.lens >= 0).any() or wobble_sigma.any():
        return LENS.stop
    free = any((places >= 0).any() for places in (layout.scale_run, layout.scale_own, layout.bend))
    return BEND.stop if free else POSE.stop


def photo_map(obs: Observations, values: Values, wobble_sigma: Array, columns: int) -> Array:
    """How a sighting's own columns follow its photo's unknowns, shape (s, columns, 6) or, with the lens, (s, columns, 9),
    with drift (s, columns, 11)."""
    unknowns = {OWN_COLUMNS: PHOTO_COLUMNS, LENS.stop: DRIFT_OF_PHOTO.start}.get(columns, 6)
    out = np.zeros((len(obs.photo), columns, unknowns))
    out[:, POSE, :6] = np.eye(6)
    if columns > LENS.start:
        wobbles = wobble_sigma[obs.photo] > 0
        focal = values.lens[obs.lens]
        for k in (0, 1):
            out[:, LENS.start + k, 6] = focal[:, k] * wobbles[:, 0]
            out[:, LENS.start + 2 + k, 7 + k] = wobbles[:, 1 + k]
            if columns > DRIFT.start:
                out[:, DRIFT.start + k, 9 + k] = wobbles[:, 3 + k]
    return out


def joint_map(obs: Observations, values: Values, columns: int) -> Array:
    """How a sighting's own columns follow the joint unknowns it touches, shape (s, columns, j), in `joint_places`' order."""
    out = np.zeros((len(obs.photo), columns, _joint_columns(columns)))
    turn = values.photo_rotation
    adjoint = np.zeros((len(turn), 6, 6))
    adjoint[:, :3, :3] = adjoint[:, 3:, 3:] = turn
    adjoint[:, 3:, :3] = np.array([skew(shift) for shift in values.photo_translation]) @ turn
    out[:, POSE, :6] = adjoint[obs.photo]
    if columns > SCALE.start:
        out[:, SCALE, 6:8] = out[:, SCALE, 8:10] = np.eye(2)
        out[:, BEND, 10 : 10 + BEND_MODES] = np.eye(BEND_MODES)
    if columns > LENS.start:
        first = 10 + BEND_MODES
        out[:, LENS, first:] = np.eye(12)
        out[:, LENS.start : LENS.start + 2, first : first + 2] *= (1.0 + values.wobble[obs.photo, 0])[:, None, None]
    return out


def joint_places(obs: Observations, layout: Layout, columns: int) -> NDArray[np.int64]:
    """Places in the joint vector of what every sighting touches, shape (s, j); `layout.size` for held unknowns."""
    places = np.concatenate(
        [
            layout.pose[obs.body],
            layout.scale_run[obs.run],
            layout.scale_own[obs.board],
            layout.bend[obs.board],
            layout.lens[obs.lens],
        ],
        axis=1,
    )[:, : _joint_columns(columns)]
    return np.where(places < 0, layout.size, places)


def whitened(obs: Observations, by: Array) -> Array:
    """`by`, shape (s, m, 2, k), in units of each corner's standard deviation (the factor is lower triangular)."""
    w = obs.whiten[..., None]
    out = np.empty_like(by)
    out[..., 0, :] = w[..., 0, 0, :] * by[..., 0, :]
    out[..., 1, :] = w[..., 1, 0, :] * by[..., 0, :] + w[..., 1, 1, :] * by[..., 1, :]
    return out


def _joint_columns(columns: int) -> int:
    return {POSE.stop: 6, BEND.stop: 10 + BEND_MODES, LENS.stop: JOINT_COLUMNS, OWN_COLUMNS: JOINT_COLUMNS}[columns]


def _cam_from_body(obs: Observations, values: Values) -> tuple[Array, Array]:
    """Rotations (s, 3, 3) and translations (s, 3)."""
    turn = values.photo_rotation[obs.photo]
    shift = (turn @ values.body_translation[obs.body][:, :, None])[..., 0] + values.photo_translation[obs.photo]
    return turn @ values.body_rotation[obs.body], shift


def _in_front(in_cam: Array, ahead: NDArray[np.bool_]) -> Array:
    """Corners (n, 3); one behind its camera is put before it: it only must not disturb."""
    return np.where(ahead[..., None], in_cam, [0.0, 0.0, 1.0]).reshape(-1, 3)


def _per_corner(lens: Array, corners: int) -> Array:
    """Camera parameters (s m, 12), each parameter's column in one piece."""
    return np.repeat(lens, corners, axis=1).T
