"""A target's face laid through what is known on it: touched marks, and boards printed or measured in a known place.

Generalised least squares over the joint covariance of all that was measured (JCGM 102:2011, 6.2.2), with the ± of the known
places added. A mark gives three equations; a board gives six, its turn and the place of its centre mark.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import block_diag
from scipy.spatial.transform import Rotation

from calib.geometry.stand import seen_from_board
from calib.geometry.stylus import point_body
from calib.paper.target_face import TargetFace
from vision.boards import Board, BoardSet
from vision.frames import Array, Pose, skew
from vision.poses import PoseSet

ROUNDS = 4
REGULAR_MM, REGULAR_RAD = 1e-4, 1e-7
"""Added to every σ in the weights: what is typed and seen exactly may have no variance at all."""


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """What is known on a face, and the bodies it was measured as.

    Attributes
    ----------
    face : TargetFace
    bodies : mapping of board name to body
    boards : BoardSet
    """

    face: TargetFace
    bodies: Mapping[str, str]
    boards: BoardSet

    @property
    def names(self) -> tuple[str, ...]:
        return (*(mark.name for mark in self.face.marks), *self.face.board_names)

    @property
    def measured_as(self) -> list[str]:
        return [*(point_body(mark.name) for mark in self.face.marks), *(self.bodies[name] for name in self.face.board_names)]

    @property
    def redundancy(self) -> int:
        return 3 * len(self.face.marks) + 6 * len(self.face.boards) - 6

    @property
    def places_mm(self) -> Array:
        """Places of the marks, shape (n, 3), in the axes right, down, into the face."""
        return np.array([[mark.right_mm, -mark.up_mm, 0.0] for mark in self.face.marks]).reshape(-1, 3)

    def without(self) -> Iterator[tuple[str, Known]]:
        """Each name, and what is known when it is left out."""
        marks, boards = self.face.marks, self.face.boards
        for name in self.names:
            less = TargetFace(tuple(m for m in marks if m.name != name), tuple(b for b in boards if b.board != name))
            yield name, replace(self, face=less)

    def typed_sigmas(self) -> Array:
        """Of what `there` may be shifted by, in its order."""
        marks = [mark.pm_mm / 2.0 for mark in self.face.marks for _ in range(3)]
        return np.array([*marks, *(value / 2.0 for entry in self.face.boards for value in entry.half_widths)])

    def there(self, shift: Array | None = None) -> There:
        """Known places in the seen axes, the typed values shifted: three for a mark, six for a board."""
        n = len(self.face.marks)
        shift = np.zeros(3 * n + 6 * len(self.face.boards)) if shift is None else shift
        boards = []
        for i, entry in enumerate(self.face.boards):
            own = shift[3 * n + 6 * i : 3 * n + 6 * i + 6]
            boards.append(seen_from_board(entry, self.boards[entry.board], self.bodies[entry.board], own))
        return There(self.places_mm + shift[: 3 * n].reshape(-1, 3), tuple(boards), self._charts())

    def measured(self, state: PoseSet) -> There:
        """The same in the survey frame, as measured."""
        touched = np.array([state[point_body(mark.name)].translation_mm for mark in self.face.marks]).reshape(-1, 3)
        return There(touched, tuple(state[self.bodies[name]] for name in self.face.board_names), self._charts())

    def _charts(self) -> tuple[Board, ...]:
        return tuple(self.boards[name] for name in self.face.board_names)


@dataclass(frozen=True, slots=True, eq=False)
class There:
    """Points and boards in one frame."""

    points: Array
    poses: tuple[Pose, ...]
    boards: tuple[Board, ...]

    @property
    def centres(self) -> list[Array]:
        return [pose.apply(board.centre_mm) for pose, board in zip(self.poses, self.boards, strict=True)]

    @property
    def outline(self) -> Array:
        """All points, and three on every board: enough for a start, shape (n, 3)."""
        on_boards = [
            pose.apply(np.array([[0.0, 0.0, 0.0], [2.0 * b.centre_mm[0], 0.0, 0.0], [0.0, 2.0 * b.centre_mm[1], 0.0]]))
            for pose, b in zip(self.poses, self.boards, strict=True)
        ]
        return np.vstack([self.points, *on_boards])


@dataclass(frozen=True, slots=True, eq=False)
class FaceFit:
    """A fitted face.

    Attributes
    ----------
    face : Pose
        `survey_from_seen`.
    weight : ndarray
        Inverse covariance of the residuals.
    residual : ndarray, shape (3 n + 6 m,)
        Measured minus known, survey axes: marks, then of every board its turn (rad) and its centre mark.
    left : ndarray, shape (3 n + 6 m,)
        What the adjustment leaves of it: without the error that it lays on what all have in common (`shared_error`).
    chi_square : float
    rms_mm : float
        Of what is left, over the redundancy (0 without one); a board's turn counts as far as it moves the pattern's corners.
    """

    face: Pose
    weight: Array
    residual: Array
    left: Array
    chi_square: float
    rms_mm: float


def fit_face(used: PoseSet, known: Known) -> FaceFit:
    """The face through everything known on it; `used`: the poses of this, and of the boards to be found."""
    measured, there = known.measured(used), known.there()
    weight = _weight(used, known, _start(measured, there))
    face = laid(measured, there, weight)
    residual = residual_of(face, measured, there)
    reach = [1.0] * (3 * len(known.face.marks))
    for board in there.boards:
        reach += [float(np.linalg.norm(board.centre_mm))] * 3 + [1.0] * 3
    left = residual - shared_error(used, known, weight @ residual)
    squares = float(np.sum((left * reach) ** 2))
    rms = math.sqrt(squares / known.redundancy) if known.redundancy else 0.0
    return FaceFit(face, weight, residual, left, float(residual @ weight @ residual), rms)


def shared_error(used: PoseSet, known: Known, pull: Array) -> Array:
    """The part of the residuals that is an error marks and boards have in common, such as a scale's or the floor boards'.

    Best linear prediction, as for the boards to be found (`pulled`): the covariance of what was measured, less of each mark and
    board its own, which is what no other one shares (its covariance when all others are given). A mark whose errors are all
    its own keeps its residual whole.

    Parameters
    ----------
    pull : ndarray, shape (3 n + 6 m,)
        Weight times residual.
    """
    levers = _levers(used, known)
    spread = block_diag(*levers.values())
    small = np.concatenate([_small(len(lever)) for lever in levers.values()])
    cov = spread @ used.cov_of(list(levers)) @ spread.T + np.diag(small)
    inverse = np.linalg.inv(cov)
    starts = dict(zip(levers, np.cumsum([0, *(len(lever) for lever in levers.values())]), strict=False))
    own = []
    for body in known.measured_as:
        rows = slice(starts[body], starts[body] + len(levers[body]))
        own.append(np.linalg.inv(inverse[rows, rows]))
    count = len(pull)
    return np.asarray((cov[:count, :count] - block_diag(*own)) @ pull)


def pulled(used: PoseSet, known: Known, weight: Array, bodies: Sequence[str]) -> Array:
    """Error of bodies' poses by the residuals, as far as they share it with what was measured, shape (6 k, residuals).

    A board to be found has no say in the face, but errors in common with it: those that the residuals show are taken off it as
    well (best linear prediction). Else the boards would hang on a face shifted against all its marks.
    """
    shared = used.cov[np.ix_(used.rows(bodies), used.rows(known.measured_as))]
    return np.asarray(shared @ _spread(used, known).T @ weight)


def laid(measured: There, there: There, weight: Array, near: Pose | None = None) -> Pose:
    """`survey_from_seen` by Gauss–Newton with fixed weights; one step from a face `near` by gives its derivatives."""
    face = near or _start(measured, there)
    for _ in range(1 if near else ROUNDS):
        residual, jac = residual_of(face, measured, there), _jacobian(face, there)
        pull = jac.T @ weight
        face = face.perturbed(np.linalg.solve(pull @ jac, pull @ residual))
    return face


def _start(measured: There, there: There) -> Pose:
    """Without weights (Kabsch 1976, as SciPy has it)."""
    into, from_ = measured.outline, there.outline
    turn = Rotation.align_vectors(into - into.mean(axis=0), from_ - from_.mean(axis=0))[0]
    return Pose.from_rt("survey", "seen", turn.as_matrix(), into.mean(axis=0) - turn.apply(from_.mean(axis=0)))


def residual_of(face: Pose, measured: There, there: There) -> Array:
    parts = [(measured.points - face.apply(there.points)).ravel()] if len(there.points) else []
    for seen, pose, centre, middle in zip(measured.poses, there.poses, measured.centres, there.centres, strict=True):
        turn = Rotation.from_matrix(seen.rotation @ (face.rotation @ pose.rotation).T).as_rotvec()
        parts += [turn, centre - face.apply(middle)]
    return np.concatenate(parts)


def _jacobian(face: Pose, there: There) -> Array:
    """Of the known places by a left perturbation of the face, in the order of the residual."""
    rows = [np.hstack([-skew(face.apply(point)), np.eye(3)]) for point in there.points]
    for middle in there.centres:
        rows += [np.hstack([np.eye(3), np.zeros((3, 3))]), np.hstack([-skew(face.apply(middle)), np.eye(3)])]
    return np.vstack(rows)


def _weight(used: PoseSet, known: Known, face: Pose) -> Array:
    """Inverse covariance of the residuals: what was measured and what is typed together."""
    spread = _spread(used, known)
    own = [(mark.pm_mm / 2.0) ** 2 * np.eye(3) for mark in known.face.marks]
    for entry in known.face.boards:
        right, up, behind, turn, lean_right, lean_down = (float(value) for value in entry.half_widths / 2.0)
        for sigmas in ((lean_right, lean_down, turn), (right, up, behind)):
            own.append(face.rotation @ np.diag(np.square(sigmas)) @ face.rotation.T)
    levers = _levers(used, known)
    small = np.concatenate([_small(len(levers[body])) for body in known.measured_as])
    cov = spread @ used.cov_of(known.measured_as) @ spread.T + block_diag(*own) + np.diag(small)
    return np.asarray(np.linalg.inv(cov))


def _small(size: int) -> Array:
    """Variances added to those of a mark (3) or a board (6)."""
    return np.square([REGULAR_MM] * 3 if size == 3 else [REGULAR_RAD] * 3 + [REGULAR_MM] * 3)


def _spread(used: PoseSet, known: Known) -> Array:
    """Residuals by left perturbations of all that was measured."""
    levers = _levers(used, known)
    return np.asarray(block_diag(*(levers[body] for body in known.measured_as)))


def _levers(used: PoseSet, known: Known) -> dict[str, Array]:
    """By body, left perturbation to shift of the touched point, or turn and shift of the centre mark: what is known first."""
    levers = {point_body(mark.name): np.hstack([np.zeros((3, 3)), np.eye(3)]) for mark in known.face.marks}
    for name in dict.fromkeys([*known.face.board_names, *known.bodies]):
        body = known.bodies[name]
        levers[body] = np.eye(6)
        levers[body][3:, :3] = -skew(used[body].apply(known.boards[name].centre_mm))
    return levers


def steps_of(known: Known) -> Sequence[float]:
    """Sizes of steps for differences by what was typed, in the order of `Known.typed_sigmas`."""
    return [1e-3] * (3 * len(known.face.marks)) + ([1e-3] * 3 + [1e-6] * 3) * len(known.face.boards)
