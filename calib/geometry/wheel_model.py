"""Model of a rolling car: how wheel boards move from epoch to epoch, and its least-squares adjustment.

A point of the wheel board of wheel w, given in the survey frame at `rest`, is in epoch k at

    M_k · S_k · Rot(axis_w, θ_wk)

with M_k the car's motion, S_k the steering (front wheels only, about up through the wheel's pivot) and θ_wk the roll angle;
all three are nil at `rest`. A board on the car's body is at M_k. Residuals and perturbations of a board are *centred*: rotation
vector and shift of the board's origin, so that lever arms of metres do not enter. Weighted least squares on the manifold
(Gauss–Newton with Levenberg–Marquardt damping).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calib.geometry.wheel_priors import prior_jacobian, prior_residuals
from calib.geometry.wheel_state import MOTION, MOUNT, Columns, RollData, RollState, plane_basis
from vision.frames import Array, exp_so3, log_so3, skew

MOST_STEPS = 30


@dataclass(frozen=True, slots=True, eq=False)
class RollSolution:
    """Adjusted state and its linearisation.

    Attributes
    ----------
    residual : ndarray, shape (6 n + 2,)
        Prediction − observation, centred (rad, mm), floor tilt last.
    jacobian : ndarray, shape (6 n + 2, p)
        Of `residual`.
    design : ndarray, shape (6 n + 2 + priors, p)
        Whitened Jacobian, priors (`wheel_priors.py`) last.
    white : ndarray
        Whitened residuals, rows as `design`.
    """

    data: RollData
    state: RollState
    columns: Columns
    residual: Array
    jacobian: Array
    design: Array
    white: Array

    @property
    def chi2(self) -> float:
        return float(self.white @ self.white)

    @property
    def redundancy(self) -> int:
        scale = np.linalg.norm(self.design, axis=0)
        return len(self.white) - int(np.linalg.matrix_rank(self.design / np.where(scale > 0, scale, 1.0), tol=1e-7))


def predict(data: RollData, state: RollState) -> tuple[Array, Array]:
    """Poses of all sightings by the model: rotations (n, 3, 3) and origins (n, 3)."""
    spin, _, steering, x2 = _stages(data, state)
    car = state.car_rotation[data.epoch]
    origin = data.centre + state.car_shift[data.epoch] + _turn(car, x2 - data.centre)
    return car @ steering @ spin @ state.mount_rotation[data.mount], origin


def residuals(data: RollData, state: RollState) -> tuple[Array, Array]:
    """Centred residuals of the observations, shape (6 n + 2,), and whitened ones of the priors."""
    rotation, origin = predict(data, state)
    boards = np.hstack([log_so3(rotation @ np.swapaxes(data.rotation, 1, 2)), origin - data.origin])
    tilt = data.level @ np.cross(data.up, state.up)
    return np.concatenate([boards.ravel(), tilt]), prior_residuals(data, state)


def jacobians(data: RollData, state: RollState) -> tuple[Array, Array]:
    """Of `residuals`, by the parameters of `moved_state`: shapes (6 n + 2, p) and (priors, p)."""
    n = len(data.wheel)
    columns = Columns.of(data, len(state.mount_rotation))
    spin, arm, steering, x2 = _stages(data, state)
    car = state.car_rotation[data.epoch]
    after = car @ steering
    axis, basis = state.axis[data.wheel], plane_basis(state.axis, state.up)[data.wheel]
    jac = np.zeros((n, 6, columns.size))
    rows = np.arange(n)

    place = columns.mount + MOUNT * data.mount
    for k in range(3):
        jac[rows, :3, place + k] = (after @ spin)[:, :, k]
        jac[rows, 3:, place + 3 + k] = (after @ spin)[:, :, k]
    swing = after @ (np.eye(3) - spin) @ basis
    lever = -after @ skew(arm) @ (np.eye(3) - spin) @ basis
    turning = data.on_wheels
    place = columns.line + 4 * data.wheel[turning]
    for k in range(2):
        jac[turning, :3, place + k] = swing[turning, :, k]
        jac[turning, 3:, place + k] = lever[turning, :, k]
        jac[turning, 3:, place + 2 + k] = swing[turning, :, k]
    moved = data.moved
    place = columns.turn + np.arange(len(moved))
    jac[moved, :3, place] = _turn(after, axis)[moved]
    jac[moved, 3:, place] = _turn(after, np.cross(axis, arm))[moved]
    from_centre = -skew(_turn(car, x2 - data.centre))
    before = data.before
    place = columns.motion + MOTION * data.epoch[before]
    for k in range(3):
        jac[before, k, place + k] = 1.0
        jac[before, 3:, place + k] = from_centre[before, :, k]
        jac[before, 3 + k, place + 3 + k] = 1.0
    _steer_columns(data, state, jac, columns, car, steering, x2)

    observed = np.vstack([jac.reshape(n * 6, columns.size), np.zeros((2, columns.size))])
    to_up = data.level @ skew(data.up) @ -skew(state.up) @ data.level.T
    observed[n * 6 :, columns.tilts] = to_up
    return observed, prior_jacobian(data, state, columns)


def _steer_columns(
    data: RollData, state: RollState, jac: Array, columns: Columns, car: Array, steering: Array, x2: Array
) -> None:
    steered = data.steered
    front = np.flatnonzero(data.in_front & (data.epoch != data.rest))
    arm = x2 - _pivots(data, state)
    place = columns.steer + np.searchsorted(steered, data.epoch[front])
    jac[front, :3, place] = _turn(car[front], state.up)
    jac[front, 3:, place] = _turn(car[front], np.cross(state.up, arm[front]))
    unturned = np.eye(3) - steering[front]
    jac[front, :3, columns.tilts] = car[front] @ unturned @ data.level.T
    jac[front, 3:, columns.tilts] = -car[front] @ skew(arm[front]) @ unturned @ data.level.T
    jac[front, 3:, columns.pivot] = _turn(car[front] @ unturned, data.pivot_along[data.wheel[front]])


def moved_state(data: RollData, state: RollState, step: Array) -> RollState:
    """The state moved by a parameter step: left perturbations, axis turned and shifted square to itself."""
    columns = Columns.of(data, len(state.mount_rotation))
    mounts = step[: columns.line].reshape(-1, 6)
    lines = step[columns.line : columns.turn].reshape(-1, 4)
    motion = step[columns.motion : columns.steer].reshape(-1, 6)
    basis = plane_basis(state.axis, state.up)
    turn, steer = state.turn.copy(), state.steer.copy()
    turn[data.moved] += step[columns.turn : columns.motion]
    steer[data.steered] += step[columns.steer : columns.tilt]
    rotation, shift = state.car_rotation.copy(), state.car_shift.copy()
    rotation[:-1] = exp_so3(motion[:, :3]) @ rotation[:-1]
    shift[:-1] += motion[:, 3:]
    return RollState(
        exp_so3(mounts[:, :3]) @ state.mount_rotation,
        state.mount_origin + mounts[:, 3:],
        _turn(exp_so3(_turn(basis, lines[:, :2])), state.axis),
        state.point + _turn(basis, lines[:, 2:]),
        turn,
        rotation,
        shift,
        steer,
        state.pivot_shift_mm + float(step[columns.pivot]),
        exp_so3(step[columns.tilts] @ data.level) @ state.up,
    )


def adjust(data: RollData, start: RollState, settled: float = 1e-9) -> RollSolution:
    """Least squares from a start within some degrees, until chi-square falls by less than the share `settled`.

    Unknowns the data do not show keep their start (see `redundancy`).
    """
    state, damping = start, 1e-9
    solution = linearise(data, state)
    for _ in range(MOST_STEPS):
        # Unknowns that 1 mm or 1 rad hardly shows are not scaled up: the damping holds them where they are.
        scale = np.maximum(np.linalg.norm(solution.design, axis=0), 1.0)
        design = solution.design / scale
        normal, right = design.T @ design, -design.T @ solution.white
        while True:
            step = np.linalg.solve(normal + damping * np.eye(len(normal)), right) / scale
            candidate = moved_state(data, state, step)
            cost = _cost(data, candidate)
            if np.isfinite(cost) and cost <= solution.chi2 * (1 + 1e-12) + 1e-12:
                break
            damping = damping * 10.0
            if damping > 1e6:
                return solution
        gain, state, damping = solution.chi2 - cost, candidate, max(damping / 10.0, 1e-9)
        solution = linearise(data, state)
        if gain <= settled * max(1.0, cost):
            break
    return solution


def linearise(data: RollData, state: RollState) -> RollSolution:
    """Residuals and Jacobians at a state, no step taken."""
    residual, prior = residuals(data, state)
    jac, prior_jac = jacobians(data, state)
    design = np.vstack([data.whiten @ jac, prior_jac])
    white = np.concatenate([data.whiten @ residual, prior])
    return RollSolution(data, state, Columns.of(data, len(state.mount_rotation)), residual, jac, design, white)


def remounted(data: RollData, state: RollState, board: int, after: int) -> tuple[RollData, RollState]:
    """The same problem with a free new mounting of one board up to epoch `after`; boards count as their mountings do."""
    early = (data.mount == board) & (data.epoch <= after)
    mount = np.where(early, len(state.mount_rotation), data.mount)
    return replace(data, mount=mount), replace(
        state,
        mount_rotation=np.concatenate([state.mount_rotation, state.mount_rotation[board : board + 1]]),
        mount_origin=np.concatenate([state.mount_origin, state.mount_origin[board : board + 1]]),
    )


def _cost(data: RollData, state: RollState) -> float:
    residual, prior = residuals(data, state)
    white = data.whiten @ residual
    return float(white @ white + prior @ prior)


def _stages(data: RollData, state: RollState) -> tuple[Array, Array, Array, Array]:
    """Spin rotations, arms from the axis point after the spin, steering rotations, origins after steering."""
    spin = exp_so3(state.axis[data.wheel] * state.turn[:, None])
    point = state.point[data.wheel]
    arm = _turn(spin, state.mount_origin[data.mount] - point)
    angle = np.where(data.in_front, state.steer[data.epoch], 0.0)
    steering = exp_so3(angle[:, None] * state.up)
    pivot = _pivots(data, state)
    return spin, arm, steering, pivot + _turn(steering, point + arm - pivot)


def _pivots(data: RollData, state: RollState) -> Array:
    return np.asarray((data.pivot + state.pivot_shift_mm * data.pivot_along)[data.wheel], dtype=float)


def _turn(rotation: Array, vectors: Array) -> Array:
    """Stacked matrix times stacked (or one) vector."""
    return np.asarray(np.einsum("...ij,...j->...i", rotation, vectors), dtype=float)
