"""A rigid flat mat laid through boards that lie on it and marks that were touched, seen from above.

Its pose on the floor and its small errors (typed places, stretch, waves) come from all of them at once, weighted by their joint
covariance; what is left over is tested.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc

from calib.geometry.stand import BoardGap
from calib.paper.mat import Mat
from vision.frames import Array, Estimate

MAT_FILE, MAT_SHAPE = "mat file", "mat shape"
LEAST_PROBABILITY = 1e-3
"""Below it boards and touched marks contradict each other: chi-square of what is left over."""
SHORTEST_WAVE_MM = 300.0
"""A mat does not wave within less."""


@dataclass(frozen=True, slots=True)
class Feature:
    """A board, or a touched mark: what it is called, where it is on the mat, where its rows of the observation are."""

    label: str
    at_mm: Array
    turn_rad: float | None
    rows: slice


class MatModel:
    """A mat laid through what was observed: generalised least squares (JCGM 102:2011, 6.2.2), errors as observed unknowns.

    With A, B the observation's Jacobians by the mat's pose (x, y, turn) and its errors e, n the noise of the poses:
    r = A p + B e + n, cov = C_n + B C_e Bᵀ.
    """

    def __init__(self, mat: Mat, features: Sequence[Feature], measured: Estimate) -> None:
        self.features, self.measured = features, measured
        self.marks = np.array([[mark.x_mm, mark.y_mm] for mark in mat.marks])
        self.errors = _errors(mat, features, self.marks)
        self.marks_of = {f"touched mark {mark.name}": i for i, mark in enumerate(mat.marks)}
        self.pose = self._fitted(range(len(features)))
        solved = self._solved(range(len(features)))
        self.gain, self.by_errors, left, weight = solved
        self.redundancy = len(left) - 3
        self.probability = 1.0 if self.redundancy == 0 else float(chdtrc(self.redundancy, float(left @ weight @ left)))
        places = [left[one.rows.start : one.rows.start + 2] for one in features]
        self.residual_mm = float(np.sqrt(np.mean([place @ place for place in places])))

    @property
    def error_cov(self) -> Array:
        return np.asarray(sum(self.errors.values()), dtype=float)

    def at(self, pose: Array) -> Array:
        """What would be observed of a mat without errors."""
        turn, out = _turn(pose[2]), []
        for one in self.features:
            out += [*(pose[:2] + turn @ one.at_mm), *(() if one.turn_rad is None else (pose[2] + one.turn_rad,))]
        return np.array(out)

    def left(self, pose: Array) -> Array:
        """Observed minus that; angles within half a turn."""
        gap = self.measured.value - self.at(pose)
        for one in self.features:
            if one.turn_rad is not None:
                i = one.rows.stop - 1
                gap[i] = math.remainder(gap[i], 2 * math.pi)
        return np.asarray(gap, dtype=float)

    def gaps(self) -> tuple[BoardGap, ...]:
        """Every board and touched mark against all others, where the others tell where it should be."""
        if self.redundancy == 0:
            return ()
        return tuple(gap for k in range(len(self.features)) if (gap := self._gap(k)) is not None)

    def _gap(self, k: int) -> BoardGap | None:
        others = [i for i in range(len(self.features)) if i != k]
        if not any(self.features[i].turn_rad is not None for i in others) and len(others) < 2:
            return None
        one, rows = self.features[k], list(range(self.features[k].rows.start, self.features[k].rows.stop))
        pose = self._fitted(others)
        gain, *_ = self._solved(others, pose)
        a, spread = self._by_pose(pose), self._spread(pose)
        map_ = np.zeros((len(rows), len(self.measured.value)))
        map_[:, rows] = np.eye(len(rows))
        map_ -= a[rows] @ gain
        cov, value = map_ @ spread @ map_.T, map_ @ self.left(pose)
        names = ("x_mm", "y_mm", "turn_rad")[: len(rows)]
        chi_square = float(value @ np.linalg.solve(cov, value))
        probability = float(chdtrc(len(rows), chi_square))
        gap = Estimate(names, value, cov)
        agrees = probability >= LEAST_PROBABILITY
        return BoardGap(one.label, gap, chi_square, probability, agrees, _words(one, gap, self._called(others)))

    def _called(self, others: Sequence[int]) -> str:
        return " and ".join(self.features[i].label for i in others)

    def _fitted(self, which: Sequence[int] | range) -> Array:
        """Pose of the mat by some features; boards start it, else two touched marks."""
        pose = self._start(which)
        for _ in range(4):
            gain, *_ = self._solved(which, pose)
            pose = pose + gain @ self.left(pose)
        return pose

    def _start(self, which: Sequence[int] | range) -> Array:
        some = [self.features[i] for i in which]
        board = next((one for one in some if one.turn_rad is not None), None)
        if board is not None and board.turn_rad is not None:
            x, y, turn = self.measured.value[board.rows]
            turn -= board.turn_rad
            return np.array([*(np.array([x, y]) - _turn(turn) @ board.at_mm), turn])
        a, b = some[:2]
        there, here = self.measured.value[b.rows] - self.measured.value[a.rows], b.at_mm - a.at_mm
        turn = math.atan2(there[1], there[0]) - math.atan2(here[1], here[0])
        return np.array([*(self.measured.value[a.rows] - _turn(turn) @ a.at_mm), turn])

    def _by_pose(self, pose: Array) -> Array:
        """Of the observation by the mat's pose, shape (z, 3)."""
        out = np.zeros((len(self.measured.value), 3))
        for one in self.features:
            i = one.rows.start
            out[i : i + 2, :2] = np.eye(2)
            out[i : i + 2, 2] = _quarter @ _turn(pose[2]) @ one.at_mm
            if one.turn_rad is not None:
                out[i + 2, 2] = 1.0
        return out

    def _by_error(self, pose: Array) -> Array:
        """Of the observation by the mat's small errors (boards' x, y, turn, then marks' x, y), shape (z, e)."""
        out = np.zeros((len(self.measured.value), len(self.errors[MAT_FILE])))
        boards = sum(one.turn_rad is not None for one in self.features)
        for k, one in enumerate(self.features):
            i, turn = one.rows.start, _turn(pose[2])
            j = 3 * k if one.turn_rad is not None else 3 * boards + 2 * self.marks_of[one.label]
            out[i : i + 2, j : j + 2] = turn
            if one.turn_rad is not None:
                out[i + 2, j + 2] = 1.0
        return out

    def _spread(self, pose: Array) -> Array:
        by_error = self._by_error(pose)
        return np.asarray(self.measured.cov + by_error @ self.error_cov @ by_error.T, dtype=float)

    def _solved(self, which: Sequence[int] | range, pose: Array | None = None) -> tuple[Array, Array, Array, Array]:
        """Pose by residual (3, z); by errors (e, z): their estimate; what is left over; the weight, all of these features."""
        pose = self.pose if pose is None else pose
        rows = [row for i in which for row in range(self.features[i].rows.start, self.features[i].rows.stop)]
        a, b = self._by_pose(pose)[rows], self._by_error(pose)[rows]
        weight = np.linalg.inv(self._spread(pose)[np.ix_(rows, rows)])
        gain = np.zeros((3, len(self.measured.value)))
        gain[:, rows] = np.linalg.solve(a.T @ weight @ a, a.T @ weight)
        rest = np.eye(len(rows)) - a @ gain[:, rows]
        by_errors = np.zeros((b.shape[1], len(self.measured.value)))
        by_errors[:, rows] = self.error_cov @ b.T @ weight @ rest
        return gain, by_errors, np.asarray(rest @ self.left(pose)[rows], dtype=float), np.asarray(weight, dtype=float)

    def mark_gain(self) -> tuple[Array, Array]:
        """Marks by residual (2 m, z), and the marks' own error by the mat's errors (2 m, e)."""
        m = len(self.marks)
        by_pose, by_error = np.zeros((2 * m, 3)), np.zeros((2 * m, len(self.errors[MAT_FILE])))
        turn, first = _turn(self.pose[2]), len(self.errors[MAT_FILE]) - 2 * m
        for i, at in enumerate(self.marks):
            by_pose[2 * i : 2 * i + 2, :2] = np.eye(2)
            by_pose[2 * i : 2 * i + 2, 2] = _quarter @ turn @ at
            by_error[2 * i : 2 * i + 2, first + 2 * i : first + 2 * i + 2] = turn
        gain = by_pose @ self.gain + by_error @ self.by_errors
        return gain, gain @ self._by_error(self.pose) - by_error

    def mark_places(self) -> Array:
        """Places of the marks on a mat without errors, floor frame, shape (m, 2)."""
        return np.asarray(self.pose[:2] + self.marks @ _turn(self.pose[2]).T, dtype=float)


_quarter = np.array([[0.0, -1.0], [1.0, 0.0]])


def _turn(angle: float) -> Array:
    return np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])


def _errors(mat: Mat, features: Sequence[Feature], marks: Array) -> dict[str, Array]:
    """Covariance by source of the mat's small errors: seen boards' x, y, turn, then all marks' x, y; the mat's frame."""
    entries = {entry.board: entry for entry in mat.boards}
    seen = [entries[one.label] for one in features if one.turn_rad is not None]
    typed = [half for e in seen for half in (e.pm_mm, e.pm_mm, e.turn_pm_rad)] + [m.pm_mm for m in mat.marks for _ in range(2)]
    places = np.array([[e.x_mm, e.y_mm] for e in seen])
    middle = np.vstack([places, marks]).mean(axis=0)
    grown = np.concatenate([np.column_stack([places - middle, np.zeros(len(seen))]).ravel(), (marks - middle).ravel()])
    shape = (mat.stretch_pm / 2.0) ** 2 * np.outer(grown, grown)
    for i, at in enumerate(marks):
        arm = at - places[int(np.argmin(np.linalg.norm(places - at, axis=1)))]
        long = float(np.linalg.norm(arm))
        # A wave of height f over the length L takes 8 f² / (3 L) of it (parabola).
        shorter = 8.0 * mat.flatness_pm_mm**2 / (3.0 * max(long, SHORTEST_WAVE_MM)) / 2.0
        along, j = arm / max(long, 1e-9), 3 * len(seen) + 2 * i
        shape[j : j + 2, j : j + 2] += shorter**2 * np.outer(along, along)
    return {MAT_FILE: np.diag((np.array(typed) / 2.0) ** 2), MAT_SHAPE: shape}


def _words(one: Feature, gap: Estimate, others: str) -> str:
    shift = float(np.hypot(*gap.value[:2]))
    u_shift = 2.0 * math.sqrt(float(np.linalg.eigvalsh(gap.cov[:2, :2])[-1]))
    words = f"{one.label} lies {shift:.1f} mm (U {u_shift:.1f} mm)"
    if one.turn_rad is not None:
        turn, u_turn = (math.degrees(value) for value in (abs(gap.value[2]), 2.0 * gap.sigma("turn_rad")))
        words += f" and {turn:.2f}° (U {u_turn:.2f}°)"
    return f"{words} from where {others} and the mat file have it"
