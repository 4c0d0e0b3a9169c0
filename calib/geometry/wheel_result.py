"""From the adjusted rolling car to poses: every result is linear in the network's poses and in the priors, to first order.

What the fit learns about the wheel boards is handed on to all other bodies through their covariance with the wheel boards, so
that the outcome is that of one joint adjustment of network and wheels (sequential least squares; Mikhail and Ackermann,
"Observations and Least Squares", from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.geometry.lines import axle_body
from calib.geometry.wheel_data import Gathered
from calib.geometry.wheel_model import RollSolution, plane_basis
from calib.geometry.wheel_start import rest_sightings
from vision.frames import Array, Estimate, Pose, skew
from vision.poses import PoseSet

SOURCE = "car motion"


@dataclass(frozen=True, slots=True, eq=False)
class Gain:
    """How the unknowns follow the data: d unknowns = by_boards @ d observations + by_prior @ (unit-variance prior errors)."""

    by_boards: Array
    by_prior: Array

    @classmethod
    def of(cls, solution: RollSolution) -> Gain:
        m = len(solution.residual)
        scale = np.linalg.norm(solution.design, axis=0)
        design = solution.design / scale
        gain = np.linalg.solve(design.T @ design, design.T) / scale[:, None]
        return cls(gain[:, :m] @ solution.data.whiten, gain[:, m:])


def unknowns(solution: RollSolution, gain: Gain, gathered: Gathered, poses: PoseSet) -> Estimate:
    """The unknowns' corrections (all zero) with their covariance by source; names are p0, p1, …"""
    lift = gain.by_boards @ gathered.select
    cov, parts = _through(poses, lift, gain.by_prior)
    return Estimate(tuple(f"p{i}" for i in range(solution.columns.size)), np.zeros(solution.columns.size), cov, parts)


def adjusted_poses(solution: RollSolution, gain: Gain, gathered: Gathered, poses: PoseSet) -> PoseSet:
    """All bodies of the network after the fit: those that are no wheel boards, wheel boards at `rest`, spin axes."""
    data = solution.data
    others = [body for body in poses.bodies if body not in gathered.bodies]
    rows = poses.rows(others)
    weight = data.whiten.T @ data.whiten
    cross = poses.cov[rows] @ gathered.select.T @ weight
    by_boards = solution.jacobian @ gain.by_boards
    lift = [np.eye(len(poses.cov))[rows] + cross @ (by_boards - np.eye(len(by_boards))) @ gathered.select]
    prior = [cross @ solution.jacobian @ gain.by_prior]
    shift = cross @ solution.residual
    moved = [poses[body].perturbed(shift[6 * i : 6 * i + 6]) for i, body in enumerate(others)]

    resting = rest_sightings(data)
    for w, wheel in enumerate(data.wheels):
        board, board_jac = _board_at_rest(solution, w, poses.target, gathered.bodies[resting[w]])
        axle, axle_jac = _axle(solution, w, poses.target, axle_body(wheel))
        moved += [board, axle]
        for jac in (board_jac, axle_jac):
            lift.append(jac @ gain.by_boards @ gathered.select)
            prior.append(jac @ gain.by_prior)
    cov, parts = _through(poses, np.vstack(lift), np.vstack(prior))
    order = _boards_first(len(others), len(data.wheels))
    rows = [6 * i + k for i in order for k in range(6)]
    grid = np.ix_(rows, rows)
    return PoseSet(tuple(moved[i] for i in order), cov[grid], {source: part[grid] for source, part in parts.items()})


def pierce_points(solution: RollSolution) -> tuple[Array, Array]:
    """Where the spin axes pierce the printed planes at `rest`, shape (W, 3), mm, and their Jacobian (W, 3, p)."""
    state, columns = solution.state, solution.columns
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


def _board_at_rest(solution: RollSolution, w: int, target: str, body: str) -> tuple[Pose, Array]:
    origin = solution.state.mount_origin[w]
    jac = np.zeros((6, solution.columns.size))
    jac[:, 6 * w : 6 * w + 6] = np.eye(6)
    jac[3:, 6 * w : 6 * w + 3] = skew(origin)
    return Pose.from_rt(target, body, solution.state.mount_rotation[w], origin), jac


def _axle(solution: RollSolution, w: int, target: str, body: str) -> tuple[Pose, Array]:
    """Frame of a spin axis: origin where it pierces the printed plane, z outboard, x level (forward on the left side)."""
    state = solution.state
    axis, up = state.axis[w], state.up
    points, by = pierce_points(solution)
    basis = plane_basis(state.axis, up)[w]
    rotation = np.column_stack([-basis[:, 0], -basis[:, 1], axis])
    forward_level = rotation if rotation[:, 0] @ _forward(solution) > 0 else rotation @ np.diag([-1.0, -1.0, 1.0])
    jac = np.zeros((6, solution.columns.size))
    line = solution.columns.line_of(w)
    jac[:3, line.start : line.start + 2] = basis
    jac[3:] = by[w] + skew(points[w]) @ jac[:3]
    return Pose.from_rt(target, body, forward_level, points[w]), jac


def _forward(solution: RollSolution) -> Array:
    axis = dict(zip(solution.data.wheels, solution.state.axis, strict=True))
    return np.cross(axis["rear_left"] - axis["rear_right"], solution.state.up)


def _boards_first(others: int, wheels: int) -> list[int]:
    return [*range(others), *(others + 2 * w for w in range(wheels)), *(others + 2 * w + 1 for w in range(wheels))]


def _through(poses: PoseSet, lift: Array, prior: Array) -> tuple[Array, dict[str, Array]]:
    known = poses.parts or {"poses": poses.cov}
    parts = {source: lift @ part @ lift.T for source, part in known.items()}
    parts[SOURCE] = parts.get(SOURCE, 0.0) + prior @ prior.T
    return np.asarray(sum(parts.values()), dtype=float), parts
