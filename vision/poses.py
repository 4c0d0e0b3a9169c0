"""Poses that were estimated together: the currency between the network and the geometry of the bay."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from vision.frames import Array, Estimate, Pose

STEP_RAD = 1e-6
STEP_MM = 1e-3


@dataclass(frozen=True, slots=True, eq=False)
class PoseSet:
    """Poses of several bodies in one frame, with their joint covariance and its split by source.

    Attributes
    ----------
    poses : tuple of Pose
        All of the form `target_from_body` with the same target; the source is the body's name, e.g. "floor-3",
        "wheel-rear-left@roll-1" (board and epoch), "floor" (the floor plane's frame), "axle:rear_left".
    cov : ndarray, shape (6 n, 6 n)
        Joint covariance (k = 1) of the left perturbations `rx ry rz tx ty tz` of all poses, in their order (rad, mm).
    parts : dict of str to ndarray, each of shape (6 n, 6 n)
        `cov` split by independent source of uncertainty; the parts add up to `cov`.
    """

    poses: tuple[Pose, ...]
    cov: Array
    parts: Mapping[str, Array] = field(default_factory=dict)

    def __post_init__(self) -> None:
        n = 6 * len(self.poses)
        if len({pose.target for pose in self.poses}) > 1:
            raise ValueError("poses of one set must share their target frame")
        if len({pose.source for pose in self.poses}) != len(self.poses):
            raise ValueError("bodies of one set must differ")
        for what, matrix in (("covariance", self.cov), *self.parts.items()):
            if matrix.shape != (n, n):
                raise ValueError(f"{what} of {len(self.poses)} poses must have shape {(n, n)}, not {matrix.shape}")

    def __iter__(self) -> Iterator[Pose]:
        return iter(self.poses)

    def __contains__(self, body: object) -> bool:
        return any(pose.source == body for pose in self.poses)

    def __getitem__(self, body: str) -> Pose:
        return self.poses[self.position(body)]

    @property
    def bodies(self) -> tuple[str, ...]:
        return tuple(pose.source for pose in self.poses)

    @property
    def target(self) -> str:
        return self.poses[0].target

    def position(self, body: str) -> int:
        for i, pose in enumerate(self.poses):
            if pose.source == body:
                return i
        raise KeyError(f"no body {body!r} in this set: {', '.join(self.bodies)}")

    def rows(self, bodies: Sequence[str]) -> list[int]:
        """Rows of the joint covariance that belong to the bodies, in the order asked for."""
        return [6 * self.position(body) + k for body in bodies for k in range(6)]

    def cov_of(self, bodies: Sequence[str]) -> Array:
        rows = self.rows(bodies)
        return self.cov[np.ix_(rows, rows)]

    def of(self, bodies: Sequence[str]) -> PoseSet:
        """The named part, in the order asked for."""
        rows = self.rows(bodies)
        grid = np.ix_(rows, rows)
        return PoseSet(tuple(self[body] for body in bodies), self.cov[grid], {s: m[grid] for s, m in self.parts.items()})

    def perturbed(self, delta: Array) -> PoseSet:
        """Poses moved by a joint left perturbation, shape (6 n,); the covariance is kept."""
        moved = tuple(pose.perturbed(delta[6 * i : 6 * i + 6]) for i, pose in enumerate(self.poses))
        return PoseSet(moved, self.cov, self.parts)

    def with_derived(self, poses: Sequence[Pose], jac: Array, own: Mapping[str, Array] | None = None) -> PoseSet:
        """Add bodies computed from this set.

        Parameters
        ----------
        poses : sequence of m Pose
        jac : ndarray, shape (6 m, 6 n)
            Left perturbations of the new poses by left perturbations of this set's poses.
        own : dict of str to ndarray of shape (6 m, 6 m), optional
            Covariance by source that the new poses bring of their own, independent of this set's errors.
        """
        n, m = 6 * len(self.poses), 6 * len(poses)
        if jac.shape != (m, n):
            raise ValueError(f"Jacobian must have shape {(m, n)}, not {jac.shape}")

        def grown(matrix: Array) -> Array:
            across = jac @ matrix
            return np.block([[matrix, across.T], [across, across @ jac.T]])

        cov = grown(self.cov)
        parts = {source: grown(matrix) for source, matrix in self.parts.items()}
        for source, matrix in (own or {}).items():
            part = parts.setdefault(source, np.zeros((n + m, n + m)))
            part[n:, n:] += matrix
            cov[n:, n:] += matrix
        return PoseSet(self.poses + tuple(poses), cov, parts)

    def derive(self, function: Callable[[PoseSet], Sequence[Pose]]) -> PoseSet:
        """Add bodies that `function` computes from the poses alone (Jacobian by central differences, exact to 1e-7)."""
        poses = list(function(self))

        def offset(moved: Sequence[Pose]) -> Array:
            return np.concatenate([_left_difference(a, b) for a, b in zip(moved, poses, strict=True)])

        jac = self._jacobian(lambda state: offset(list(function(state))))
        return self.with_derived(poses, jac)

    def propagate(self, names: Sequence[str], function: Callable[[PoseSet], Array]) -> Estimate:
        """Figures computed from the poses, with first-order covariance (JCGM 100:2008, 5.2.2) and its split by source."""
        joint = Estimate(tuple(f"x{i}" for i in range(len(self.cov))), np.zeros(len(self.cov)), self.cov, self.parts)
        return joint.through(names, np.asarray(function(self), dtype=float), self._jacobian(function))

    def _jacobian(self, function: Callable[[PoseSet], Array]) -> Array:
        columns = []
        for i in range(len(self.cov)):
            step = STEP_RAD if i % 6 < 3 else STEP_MM
            delta = np.zeros(len(self.cov))
            delta[i] = step
            ahead = np.asarray(function(self._nudged(i // 6, delta)), dtype=float)
            behind = np.asarray(function(self._nudged(i // 6, -delta)), dtype=float)
            columns.append((ahead - behind) / (2.0 * step))
        return np.column_stack(columns)

    def _nudged(self, index: int, delta: Array) -> PoseSet:
        poses = list(self.poses)
        poses[index] = poses[index].perturbed(delta[6 * index : 6 * index + 6])
        return PoseSet(tuple(poses), self.cov, self.parts)


def _left_difference(moved: Pose, base: Pose) -> Array:
    """Left perturbation that carries `base` to `moved`, shape (6,)."""
    gap = moved.transform * base.transform.inv()
    return np.concatenate([gap.rotation.as_rotvec(), gap.translation])


def pose_change(poses: PoseSet, before: str, after: str, mark_mm: Array) -> Estimate:
    """Turn (rad) and shift of the centre mark (mm) between two bodies that carry the same board, in the survey's axes.

    Names ``rx_rad ry_rad rz_rad x_mm y_mm z_mm``.
    """

    def change(state: PoseSet) -> Array:
        turn = state[after].transform.rotation * state[before].transform.rotation.inv()
        return np.concatenate([turn.as_rotvec(), state[after].apply(mark_mm) - state[before].apply(mark_mm)])

    names = ("rx_rad", "ry_rad", "rz_rad", "x_mm", "y_mm", "z_mm")
    return poses.of([before, after]).propagate(names, change)
