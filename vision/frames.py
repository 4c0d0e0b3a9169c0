"""Frames: poses that know their two frames, and estimates that never travel without their covariance.

Conventions (DEVELOPERS.md, "Conventions"): lengths mm, angles rad; pose parameters in the order `rx ry rz tx ty tz`;
perturbation on the left (target side): a point moves to ``Exp(r) @ (R @ x + t) + d`` with ``r = (rx, ry, rz)`` and
``d = (tx, ty, tz)`` in the axes of the target frame.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial.transform import RigidTransform, Rotation

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """Rigid transform `target_from_source`.

    Attributes
    ----------
    target, source : str
        Frame names: points given in `source` come out in `target`.
    transform : RigidTransform
        Single (not stacked) transform, translation in mm.
    """

    target: str
    source: str
    transform: RigidTransform

    def __post_init__(self) -> None:
        if not self.transform.single:
            raise ValueError(f"{self.target}_from_{self.source} must be one transform, not a stack")

    @classmethod
    def identity(cls, target: str, source: str) -> Pose:
        return cls(target, source, RigidTransform.identity())

    @classmethod
    def from_matrix(cls, target: str, source: str, matrix: ArrayLike) -> Pose:
        """From a homogeneous 4x4 matrix, translation in mm."""
        return cls(target, source, RigidTransform.from_matrix(np.asarray(matrix, dtype=float)))

    @classmethod
    def from_rt(cls, target: str, source: str, rotation: ArrayLike, translation_mm: ArrayLike) -> Pose:
        """From a rotation matrix (3, 3) or rotation vector (3,) in rad, and a translation (3,) in mm."""
        rotation = np.asarray(rotation, dtype=float)
        turn = Rotation.from_matrix(rotation) if rotation.shape == (3, 3) else Rotation.from_rotvec(rotation)
        translation = np.asarray(translation_mm, dtype=float).reshape(3)
        return cls(target, source, RigidTransform.from_components(translation, turn))

    def __matmul__(self, inner: Pose) -> Pose:
        if self.source != inner.target:
            raise ValueError(f"cannot chain {self.target}_from_{self.source} with {inner.target}_from_{inner.source}")
        return Pose(self.target, inner.source, self.transform * inner.transform)

    def inverse(self) -> Pose:
        return Pose(self.source, self.target, self.transform.inv())

    def apply(self, points_in_source: ArrayLike) -> Array:
        """Points, shape (3,) or (n, 3), mm, of `source` in `target`."""
        return np.asarray(self.transform.apply(np.asarray(points_in_source, dtype=float)), dtype=float)

    @property
    def rotation(self) -> Array:
        """Rotation matrix, shape (3, 3)."""
        # Not through `transform.rotation`: SciPy validates that anew, a hundred times slower.
        return np.array(self.transform.as_matrix()[:3, :3], dtype=float)

    @property
    def translation_mm(self) -> Array:
        """Origin of `source` in `target`, shape (3,), mm."""
        return np.asarray(self.transform.translation, dtype=float)

    def perturbed(self, delta: ArrayLike) -> Pose:
        """The pose moved by the 6-vector `rx ry rz tx ty tz` on the left (target side)."""
        delta = np.asarray(delta, dtype=float).reshape(6)
        turn = Rotation.from_rotvec(delta[:3])
        step = RigidTransform.from_components(delta[3:], turn)
        return Pose(self.target, self.source, step * self.transform)


@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
    """Values that belong together, with their joint covariance, and that covariance by source.

    Attributes
    ----------
    names : tuple of str
        One name per value; the unit is the name's suffix (`_mm`, `_rad`, `_px`).
    value : ndarray, shape (n,)
    cov : ndarray, shape (n, n)
        Joint covariance (k = 1). A vector of variances is refused.
    parts : dict of str to ndarray, each of shape (n, n)
        The covariance split by source of uncertainty ("corners", "lens", "scale", ...): independent sources, so the parts
        add up to `cov`. Empty when the split is not known.
    """

    names: tuple[str, ...]
    value: Array
    cov: Array
    parts: Mapping[str, Array] = field(default_factory=dict)

    def __post_init__(self) -> None:
        n = len(self.names)
        if self.value.shape != (n,):
            raise ValueError(f"{n} names, but values of shape {self.value.shape}")
        for what, matrix in (("covariance", self.cov), *self.parts.items()):
            if matrix.shape != (n, n):
                raise ValueError(f"{what} of {n} values must have shape {(n, n)}, not {matrix.shape}")
        if len(set(self.names)) != n:
            raise ValueError("names of an estimate must differ")

    @classmethod
    def from_source(cls, source: str, names: Sequence[str], value: ArrayLike, cov: ArrayLike) -> Estimate:
        """An estimate whose whole uncertainty has one source."""
        cov = np.asarray(cov, dtype=float)
        return cls(tuple(names), np.asarray(value, dtype=float), cov, {source: cov})

    def index(self, name: str) -> int:
        return self.names.index(name)

    def of(self, names: Sequence[str]) -> Estimate:
        """The named part, in the order asked for."""
        rows = [self.index(name) for name in names]
        grid = np.ix_(rows, rows)
        return Estimate(tuple(names), self.value[rows], self.cov[grid], {s: m[grid] for s, m in self.parts.items()})

    def sigma(self, name: str) -> float:
        """Standard uncertainty (k = 1) of one value."""
        i = self.index(name)
        return float(np.sqrt(self.cov[i, i]))

    def through(self, names: Sequence[str], value: ArrayLike, jac: ArrayLike) -> Estimate:
        """First-order propagation (JCGM 100:2008, 5.2.2) through a function with Jacobian `jac`, shape (m, n)."""
        jac = np.asarray(jac, dtype=float)
        parts = {source: jac @ matrix @ jac.T for source, matrix in self.parts.items()}
        return Estimate(tuple(names), np.asarray(value, dtype=float), jac @ self.cov @ jac.T, parts)

    def without(self, sources: Collection[str]) -> Estimate:
        """The same values as if the named sources had no error: shows their share. Same estimator, smaller covariance."""
        unknown = set(sources) - set(self.parts)
        if unknown:
            raise ValueError(f"unknown sources of uncertainty: {sorted(unknown)}; known: {sorted(self.parts)}")
        parts = {s: m for s, m in self.parts.items() if s not in sources}
        return Estimate(self.names, self.value, sum(parts.values(), np.zeros_like(self.cov)), parts)


def skew(v: ArrayLike) -> Array:
    """Cross-product matrices of vectors (..., 3): ``skew(v) @ x == cross(v, x)``; shape (..., 3, 3)."""
    v = np.asarray(v, dtype=float)
    out = np.zeros((*v.shape, 3))
    out[..., 0, 1], out[..., 0, 2] = -v[..., 2], v[..., 1]
    out[..., 1, 0], out[..., 1, 2] = v[..., 2], -v[..., 0]
    out[..., 2, 0], out[..., 2, 1] = -v[..., 1], v[..., 0]
    return out


def exp_so3(rotvec: ArrayLike) -> Array:
    """Rotation matrices of rotation vectors (..., 3) in rad; shape (..., 3, 3)."""
    rotvec = np.asarray(rotvec, dtype=float)
    flat = Rotation.from_rotvec(rotvec.reshape(-1, 3)).as_matrix()
    return np.asarray(flat, dtype=float).reshape(*rotvec.shape[:-1], 3, 3)


def log_so3(matrix: ArrayLike) -> Array:
    """Rotation vectors, rad, of rotation matrices (..., 3, 3); shape (..., 3)."""
    matrix = np.asarray(matrix, dtype=float)
    flat = Rotation.from_matrix(matrix.reshape(-1, 3, 3)).as_rotvec()
    return np.asarray(flat, dtype=float).reshape(matrix.shape[:-1])
