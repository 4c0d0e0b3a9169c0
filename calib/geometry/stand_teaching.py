"""Where stand boards sit on a target, from marks of the target that were touched: nothing is measured with a rule.

The marks' places on the target's face are known (its drawing, or the printed pattern itself). The face is laid through the
touched points by generalised least squares over their joint covariance; the boards' places on it follow, with everything they
have in common.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import block_diag
from scipy.spatial.transform import Rotation
from scipy.special import chdtrc, chdtri

from calib.geometry.stylus import point_body
from calib.paper.stand import StandBoard, TargetMark
from vision.boards import Board, BoardSet
from vision.errors import MeasurementError
from vision.frames import Array, Pose, skew
from vision.poses import PoseSet

LEAST_MARKS = 3
LEAST_SPREAD_MM = 60.0
"""RMS spread of the marks across their longest line, below which the face could turn about it."""
CONTRADICTION, BAND = 1e-6, 0.01
WORST_MM = 3.0
ROUNDS = 4
REGULAR_MM = 1e-4
TYPED_STEP_MM = 1e-3


@dataclass(frozen=True, slots=True, eq=False)
class TaughtPlaces:
    """Places of stand boards on a target.

    Attributes
    ----------
    boards : tuple of StandBoard
        Half-widths are those of the covariance's diagonal.
    cov : ndarray, shape (6 n, 6 n)
        See `calib.paper.stand.Taught`.
    gaps_mm : dict of mark to ndarray, shape (3,)
        Touched minus its place on the fitted face: right, up, out of the face towards the viewer.
    rms_mm, chi_square, redundancy
    scatter : float
        What the marks' covariance was multiplied by: 1, or χ² over redundancy where that is significantly larger.
    """

    boards: tuple[StandBoard, ...]
    cov: Array
    gaps_mm: Mapping[str, Array]
    rms_mm: float
    chi_square: float
    redundancy: int
    scatter: float


def teach_places(poses: PoseSet, marks: Sequence[TargetMark], bodies: Mapping[str, str], boards: BoardSet) -> TaughtPlaces:
    """Fit the face through touched marks and say where the boards are on it.

    Parameters
    ----------
    poses : PoseSet
        Bodies "point:MARK" of all marks and the boards' bodies, in one frame.
    marks : sequence of TargetMark
    bodies : mapping of board name to body

    Raises
    ------
    MeasurementError
        Too few marks, on one line, mirrored, or touched points that contradict the marks' places.
    """
    if len(marks) < LEAST_MARKS:
        raise MeasurementError(
            f"{len(marks)} marks on the target, at least {LEAST_MARKS} are needed",
            hint="touch four or more, far apart on the face",
        )
    places = np.array([[mark.right_mm, -mark.up_mm, 0.0] for mark in marks])
    _need_spread(places)
    points = [point_body(mark.name) for mark in marks]
    used = poses.of([*points, *bodies.values()])
    typed = np.concatenate([[mark.pm_mm / 2.0] * 3 for mark in marks])
    touched = _touched(used, points)
    weight = _weight(used, points, typed, _start(touched, places))
    face = _fitted(touched, places, weight)
    residual = (touched - face.apply(places)).ravel()
    chi_square, redundancy = float(residual @ weight @ residual), 3 * len(marks) - 6
    gaps = {
        mark.name: np.array([1.0, -1.0, -1.0]) * (face.rotation.T @ part)
        for mark, part in zip(marks, residual.reshape(-1, 3), strict=True)
    }
    rms = math.sqrt(float(residual @ residual) / redundancy)
    _need_agreement(touched, places, weight, marks)
    _need_facing(used, face, bodies)
    scatter = chi_square / redundancy if chi_square > chdtri(redundancy, BAND) else 1.0

    def all_places(state: PoseSet, shift: Array | None = None) -> Array:
        there = places + (0.0 if shift is None else shift.reshape(-1, 3))
        laid = _fitted(_touched(state, points), there, weight)
        return np.concatenate([_place_of(laid, state[body], boards[name]) for name, body in bodies.items()])

    names = [f"{name}:{k}" for name in bodies for k in range(6)]
    measured = used.propagate(names, all_places)
    by_typed = _by_steps(lambda shift: all_places(used, shift), len(typed))
    cov = scatter * (measured.cov + by_typed @ np.diag(typed**2) @ by_typed.T)
    entries = tuple(
        _entry(name, measured.value[6 * i : 6 * i + 6], np.diag(cov)[6 * i : 6 * i + 6]) for i, name in enumerate(bodies)
    )
    return TaughtPlaces(entries, np.asarray((cov + cov.T) / 2), gaps, rms, chi_square, redundancy, scatter)


def _touched(state: PoseSet, points: Sequence[str]) -> Array:
    return np.array([state[body].translation_mm for body in points])


def _start(touched: Array, places: Array) -> Pose:
    """Face through the points without weights (Kabsch 1976, as SciPy has it)."""
    turn = Rotation.align_vectors(touched - touched.mean(axis=0), places - places.mean(axis=0))[0]
    shift = touched.mean(axis=0) - turn.apply(places.mean(axis=0))
    return Pose.from_rt("survey", "seen", turn.as_matrix(), shift)


def _weight(used: PoseSet, points: Sequence[str], typed: Array, face: Pose) -> Array:
    """Inverse covariance of the residuals, shape (3 n, 3 n): touched points and typed places together."""
    rows = [6 * i + k for i in range(len(points)) for k in (3, 4, 5)]
    cov = used.cov_of(points)[np.ix_(rows, rows)]
    turn = block_diag(*[face.rotation] * len(points))
    own = turn @ np.diag(typed**2) @ turn.T
    return np.asarray(np.linalg.inv(cov + own + REGULAR_MM**2 * np.eye(len(own))))


def _fitted(touched: Array, places: Array, weight: Array) -> Pose:
    """`survey_from_seen`: Gauss–Newton with fixed weights."""
    face = _start(touched, places)
    for _ in range(ROUNDS):
        there = face.apply(places)
        jac = np.vstack([np.hstack([-skew(point), np.eye(3)]) for point in there])
        pull = jac.T @ weight
        face = face.perturbed(np.linalg.solve(pull @ jac, pull @ (touched - there).ravel()))
    return face


def _place_of(face: Pose, survey_from_board: Pose, board: Board) -> Array:
    """Right, up, behind, turn, lean right, lean down of a board on the face: the way back of `stand._seen_from_board`."""
    seen_from_board = face.inverse() @ Pose("survey", survey_from_board.source, survey_from_board.transform)
    x, y, z = seen_from_board.apply(board.centre_mm)
    rotation = seen_from_board.rotation
    normal = rotation[:, 2]
    # the lean turns the face's normal into the board's, about an axis in the face
    axis = np.array([-normal[1], normal[0], 0.0])
    sine = float(np.linalg.norm(axis))
    lean = axis * (math.atan2(sine, float(normal[2])) / sine) if sine > 1e-12 else np.zeros(3)
    flat = Rotation.from_rotvec(lean).as_matrix().T @ rotation
    return np.array([x, -y, -z, -math.atan2(flat[1, 0], flat[0, 0]), lean[0], lean[1]])


def _by_steps(function: Callable[[Array], Array], count: int) -> Array:
    """Jacobian by typed places (central differences)."""
    steps = TYPED_STEP_MM * np.eye(count)
    return np.column_stack([(function(step) - function(-step)) / (2 * TYPED_STEP_MM) for step in steps])


def _entry(name: str, value: Array, variance: Array) -> StandBoard:
    pm = 2.0 * np.sqrt(variance)
    return StandBoard(
        name,
        right_mm=float(value[0]),
        up_mm=float(value[1]),
        behind_mm=float(value[2]),
        turn_rad=float(value[3]),
        right_pm_mm=float(pm[0]),
        up_pm_mm=float(pm[1]),
        behind_pm_mm=float(pm[2]),
        turn_pm_rad=float(pm[3]),
        parallel_pm_rad=float(max(pm[4:])),
        lean_right_rad=float(value[4]),
        lean_down_rad=float(value[5]),
    )


def _need_spread(places: Array) -> None:
    spread = np.linalg.svd(places[:, :2] - places[:, :2].mean(axis=0), compute_uv=False)[1] / math.sqrt(len(places))
    if spread < LEAST_SPREAD_MM:
        raise MeasurementError(
            f"the marks on the target lie on one line (within {spread:.0f} mm): the face could turn about it",
            hint="touch marks in the face's corners",
        )


def _need_agreement(touched: Array, places: Array, weight: Array, marks: Sequence[TargetMark]) -> None:
    """Refuse marks that contradict each other; with four or more the one is named without which the others agree best."""
    chi_square, rms = _misfit(touched, places, weight)
    if chdtrc(3 * len(marks) - 6, chi_square) >= CONTRADICTION and rms <= WORST_MM:
        return
    what = f"the touched marks are not where the marks file has them: {rms:.1f} mm RMS"
    hint = "compare the marks file with the target, and touch the marks again"
    if len(marks) == LEAST_MARKS:
        raise MeasurementError(what, hint=f"{hint}; with a fourth mark a wrong one is found")
    without = [np.arange(len(marks)) != i for i in range(len(marks))]
    left = [_misfit(touched[keep], places[keep], weight[np.ix_(*[np.repeat(keep, 3)] * 2)])[0] for keep in without]
    worst = int(np.argmin(left))
    face = _fitted(touched[without[worst]], places[without[worst]], weight[np.ix_(*[np.repeat(without[worst], 3)] * 2)])
    right, down, into = face.rotation.T @ (touched[worst] - face.apply(places[worst]))
    raise MeasurementError(
        f"{what}; {marks[worst].name} is the likeliest wrong one, touched {right:+.1f} mm to the right, {-down:+.1f} mm up, "
        f"{-into:+.1f} mm out of the face of where the others put it, as seen facing it",
        hint=hint,
    )


def _misfit(touched: Array, places: Array, weight: Array) -> tuple[float, float]:
    """χ² and RMS distance of marks from their places on the face fitted to them."""
    residual = (touched - _fitted(touched, places, weight).apply(places)).ravel()
    return float(residual @ weight @ residual), math.sqrt(float(residual @ residual) / max(len(residual) - 6, 1))


def _need_facing(used: PoseSet, face: Pose, bodies: Mapping[str, str]) -> None:
    turned = [name for name, body in bodies.items() if float(used[body].rotation[:, 2] @ face.rotation[:, 2]) < 0.0]
    if turned:
        raise MeasurementError(
            f"{', '.join(turned)} would look out of the target's back: the marks are mirrored",
            hint="right_mm counts to the right of a person who faces the target, not of somebody behind it",
        )
