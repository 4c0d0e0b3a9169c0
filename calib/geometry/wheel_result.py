"""From the adjusted rolling car to poses: every result is linear in the network's poses and in the priors, to first order.

What the fit learns about the wheel boards is handed on to all other bodies through their covariance with the wheel boards, so
that the outcome is that of one joint adjustment of network and wheels (sequential least squares; Mikhail and Ackermann,
"Observations and Least Squares", from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from calib.geometry.lines import axle_body
from calib.geometry.wheel_data import Gathered
from calib.geometry.wheel_model import RollSolution
from calib.geometry.wheel_priors import pierce_points, prior_sources
from calib.geometry.wheel_start import rest_sightings
from calib.geometry.wheel_state import plane_basis
from vision.frames import Array, Estimate, Pose, skew
from vision.poses import PoseSet

SPRINGS = "springs"


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
    known = _known(solution, gathered, gain.by_boards, gain.by_prior)
    cov, parts = _through(poses, gain.by_boards @ gathered.select, known)
    return Estimate(tuple(f"p{i}" for i in range(solution.columns.size)), np.zeros(solution.columns.size), cov, parts)


def adjusted_poses(solution: RollSolution, gain: Gain, gathered: Gathered, poses: PoseSet) -> PoseSet:
    """All bodies of the network after the fit: those the fit did not use, boards on wheels and body at `rest`, spin axes."""
    data = solution.data
    others = [body for body in poses.bodies if body not in gathered.bodies]
    rows = poses.rows(others)
    weight = data.whiten.T @ data.whiten
    cross = poses.cov[rows] @ gathered.select.T @ weight
    follow = cross @ (solution.jacobian @ gain.by_boards - np.eye(len(weight)))
    by_data, by_prior = [follow], [cross @ solution.jacobian @ gain.by_prior]
    lift = [np.eye(len(poses.cov))[rows] + follow @ gathered.select]
    shift = cross @ solution.residual
    moved = [poses[body].perturbed(shift[6 * i : 6 * i + 6]) for i, body in enumerate(others)]

    for pose, jac in _at_rest(solution, gathered, poses.target):
        moved.append(pose)
        by_data.append(jac @ gain.by_boards)
        by_prior.append(jac @ gain.by_prior)
        lift.append(by_data[-1] @ gathered.select)
    known = _known(solution, gathered, np.vstack(by_data), np.vstack(by_prior))
    cov, parts = _through(poses, np.vstack(lift), known)
    return PoseSet(tuple(moved), cov, parts)


def _at_rest(solution: RollSolution, gathered: Gathered, target: str) -> list[tuple[Pose, Array]]:
    """Boards on wheels and body at `rest`, then the spin axes, each with its Jacobian by the unknowns, shape (6, p)."""
    wheels = solution.data.wheels
    boards = [
        _board_at_rest(solution, mount, target, gathered.bodies[i]) for mount, i in enumerate(rest_sightings(solution.data))
    ]
    return boards + [_axle(solution, w, target, axle_body(wheel)) for w, wheel in enumerate(wheels)]


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
    points, by = pierce_points(state, solution.columns)
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


def _known(solution: RollSolution, gathered: Gathered, by_boards: Array, by_prior: Array) -> dict[str, Array]:
    """What unit errors of everything known beside the network do, by source: shapes (rows, errors)."""
    sources = np.array(prior_sources(solution.data))
    out = {source: by_prior[:, sources == source] for source in dict.fromkeys(sources.tolist())}
    if gathered.springs.shape[1]:
        out[SPRINGS] = by_boards @ gathered.springs
    return out


def _through(poses: PoseSet, lift: Array, known: Mapping[str, Array]) -> tuple[Array, dict[str, Array]]:
    parts = {source: lift @ part @ lift.T for source, part in (poses.parts or {"poses": poses.cov}).items()}
    for source, by in known.items():
        parts[source] = parts.get(source, 0.0) + by @ by.T
    return np.asarray(sum(parts.values()), dtype=float), parts
