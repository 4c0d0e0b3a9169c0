"""Two cameras fixed to each other see the same relative pose in every pair of photos: how well predicted covariances say so."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq
from scipy.stats import chi2

from vision.frames import Pose, exp_so3, log_so3, skew
from vision.lens import LensFit

COMPONENTS = ("rx", "ry", "rz", "tx", "ty", "tz")


@dataclass(frozen=True, eq=False)
class Pairs:
    """Relative poses `right_from_left` of all pairs with their joint covariance.

    Attributes
    ----------
    names : tuple of str
    poses : tuple of Pose
    cov : ndarray, shape (6 n, 6 n)
        Of the left perturbations; what the pairs share (lenses, board) couples them.
    by_motion : ndarray, shape (n, 6, 6)
        Left perturbation of a pair by a turn (rad) and shift (mm) of the board about its middle between the two exposures.
    """

    names: tuple[str, ...]
    poses: tuple[Pose, ...]
    cov: np.ndarray
    by_motion: np.ndarray

    def without(self, *names: str) -> Pairs:
        keep = [i for i, name in enumerate(self.names) if name not in names]
        rows = [6 * i + k for i in keep for k in range(6)]
        cov = self.cov[np.ix_(rows, rows)]
        return Pairs(tuple(self.names[i] for i in keep), tuple(self.poses[i] for i in keep), cov, self.by_motion[keep])

    def moved_between(self, turn_rad: float, shift_mm: float) -> Pairs:
        """The same pairs if the board moved by so much (σ, each axis) between the two exposures of every pair."""
        motion = np.diag([turn_rad**2] * 3 + [shift_mm**2] * 3)
        cov = self.cov.copy()
        for i, by in enumerate(self.by_motion):
            cov[6 * i : 6 * i + 6, 6 * i : 6 * i + 6] += by @ motion @ by.T
        return replace(self, cov=cov)


@dataclass(frozen=True, eq=False)
class Constancy:
    """How far the pairs scatter about one relative pose, in units of what their covariance predicts."""

    right_from_left: Pose
    gaps: np.ndarray
    chi_square: float
    redundancy: int
    by_component: dict[str, float]

    @property
    def reduced(self) -> float:
        return self.chi_square / self.redundancy

    @property
    def chance(self) -> float:
        """Probability of as large a chi-square if the covariances are true."""
        return float(chi2.sf(self.chi_square, self.redundancy))


def pairs_of(left: LensFit, right: LensFit, number: dict[str, str]) -> Pairs:
    """Pairs of photos both fits use; `number` gives the pair's name by the photo's. The fits share no photo: independent."""
    seen = [{number[view.photo]: i for i, view in enumerate(fit.views)} for fit in (left, right)]
    names = tuple(name for name in seen[0] if name in seen[1])
    n = len(names)
    rows = [[6 * at[name] + k for name in names for k in range(6)] for at in seen]
    cov = np.zeros((12 * n, 12 * n))
    cov[: 6 * n, : 6 * n] = left.pose_cov[np.ix_(rows[0], rows[0])]
    cov[6 * n :, 6 * n :] = right.pose_cov[np.ix_(rows[1], rows[1])]
    poses, jac, by_motion = [], np.zeros((6 * n, 12 * n)), np.zeros((n, 6, 6))
    for i, name in enumerate(names):
        in_left, in_right = (fit.views[at[name]].cam_from_board for fit, at in zip((left, right), seen, strict=True))
        rotation = in_right.rotation @ in_left.rotation.T
        shift = in_right.translation_mm - rotation @ in_left.translation_mm
        poses.append(Pose.from_rt("right", "left", rotation, shift))
        here = slice(6 * i, 6 * i + 6)
        jac[here, here] = -adjoint(rotation, shift)
        jac[here, 6 * n + 6 * i : 6 * n + 6 * i + 6] = np.eye(6)
        by_motion[i] = adjoint(np.eye(3), in_right.translation_mm)
    return Pairs(names, tuple(poses), jac @ cov @ jac.T, by_motion)


def adjoint(rotation: np.ndarray, shift_mm: np.ndarray) -> np.ndarray:
    """How a left perturbation of a pose's source frame looks as one of its target, shape (6, 6)."""
    out = np.zeros((6, 6))
    out[:3, :3] = out[3:, 3:] = rotation
    out[3:, :3] = skew(shift_mm) @ rotation
    return out


def constancy(pairs: Pairs) -> Constancy:
    """Chi-square of all pairs about their weighted mean, jointly and by component (each against its own mean)."""
    n = len(pairs.names)
    weight, every = np.linalg.inv(pairs.cov), np.tile(np.eye(6), (n, 1))
    mean = pairs.poses[0]
    for _ in range(10):
        gaps = np.concatenate([_gap(pose, mean) for pose in pairs.poses])
        step = np.linalg.solve(every.T @ weight @ every, every.T @ weight @ gaps)
        turn = exp_so3(step[:3])
        mean = Pose.from_rt("right", "left", turn @ mean.rotation, turn @ mean.translation_mm + step[3:])
    gaps = np.concatenate([_gap(pose, mean) for pose in pairs.poses])
    by_component = {name: _alone(gaps[c::6], pairs.cov[c::6, c::6]) for c, name in enumerate(COMPONENTS)}
    return Constancy(mean, gaps.reshape(n, 6), float(gaps @ weight @ gaps), 6 * (n - 1), by_component)


def _gap(pose: Pose, mean: Pose) -> np.ndarray:
    turn = pose.rotation @ mean.rotation.T
    return np.concatenate([log_so3(turn), pose.translation_mm - turn @ mean.translation_mm])


def _alone(gaps: np.ndarray, cov: np.ndarray) -> float:
    weight = np.linalg.inv(cov)
    gaps = gaps - weight.sum(axis=0) @ gaps / weight.sum()
    return float(gaps @ weight @ gaps) / (len(gaps) - 1)


def against_the_others(pairs: Pairs) -> dict[str, float]:
    """For each pair the chi-square (of 6) that leaving it out takes away."""
    whole = constancy(pairs).chi_square
    return {name: whole - constancy(pairs.without(name)).chi_square for name in pairs.names}


def motion_that_explains(pairs: Pairs, reach_mm: float) -> float:
    """Shift σ of the board between the exposures, mm, with turns that do as much at `reach_mm`, that makes chi-square 1."""

    def excess(shift_mm: float) -> float:
        return constancy(pairs.moved_between(shift_mm / reach_mm, shift_mm)).reduced - 1.0

    return float(brentq(excess, 0.0, 5.0, xtol=1e-4)) if excess(0.0) > 0 else 0.0


def one_number(names: Sequence[str]) -> dict[str, str]:
    """Pair name of left07.jpg and right07.jpg: 07."""
    return {name: "".join(c for c in name if c.isdigit()) for name in names}
