"""From the stand boards' poses to the target's, with what the stand file says about their places on the target's face."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc

from calib.paper.sheet import Side
from calib.paper.stand import Pivot, Stand, StandBoard
from vision.boards import Board, BoardSet
from vision.errors import MeasurementError
from vision.frames import Array, Estimate, Pose, exp_so3, skew
from vision.poses import PoseSet

TARGET = "target"
STAND_FILE = "stand file"
GAP_NAMES = ("right_mm", "up_mm", "behind_mm", "turn_rad", "lean_right_rad", "lean_down_rad")
LEAST_PROBABILITY = 0.01
"""Below it the typed place of a second board contradicts its measured place: 99 % band of the chi-square."""
REGULAR_RAD, REGULAR_MM = 1e-7, 1e-4
"""Added to the boards' σ in their weights, far below what a photo shows: a board typed exactly may have no variance at all."""
_TYPED = ("right_mm", "up_mm", "behind_mm", "turn_rad", "tilt_x_rad", "tilt_y_rad")

# Columns: right, down, into the face as seen by a person facing the target, in the target's axes (x forward, y left, z up).
_SEEN_AXES: dict[Side, Array] = {
    "ahead": np.array([[0.0, 0.0, 1.0], [-1.0, 0.0, 0.0], [0.0, -1.0, 0.0]]),
    "behind": np.array([[0.0, 0.0, -1.0], [1.0, 0.0, 0.0], [0.0, -1.0, 0.0]]),
}


def target_from_seen(side: Side) -> Pose:
    """Axes of a person facing the target (right, down, into the face) in the target frame; common origin at its centre."""
    return Pose.from_rt(TARGET, "seen", _SEEN_AXES[side], np.zeros(3))


def board_from_target(entry: StandBoard, board: Board, side: Side) -> Pose:
    """Pose of the target in a stand board's frame, as the stand file has it."""
    return _target(Pose.identity(board.name, board.name), entry, board, side)


def pivot_in_target_mm(pivot: Pivot, side: Side) -> Array:
    """A point of the stand's upright turning axis in the target frame, shape (3,)."""
    return target_from_seen(side).apply([pivot.right_mm, 0.0, pivot.behind_mm])


def target_pose(poses: PoseSet, stand: Stand, boards: BoardSet, body_of: Mapping[str, str], side: Side) -> PoseSet:
    """The set with the body "target" added.

    Every stand board that was seen says where the target is, as well as its own pose and its typed place are known; the target
    is their weighted mean (generalised least squares, JCGM 102:2011, 6.2.2, over the boards' joint covariance). A further board
    whose typed place contradicts that of the first (`second_board_gap`) has no say.

    Parameters
    ----------
    poses : PoseSet
        Poses of the boards in the survey frame, the first stand board's among them.
    stand : Stand
    boards : BoardSet
    body_of : mapping of str to str
        Body name in `poses` by board name, e.g. {"stand-1": "stand-1@check-1"}.
    side : str
        "ahead" or "behind": decides which way the face looks.

    Returns
    -------
    PoseSet
        With the added uncertainty part "stand file".

    Raises
    ------
    MeasurementError
        The first stand board was not seen.
    """
    first = stand.boards[0]
    bodies = [_body(poses, first, body_of)]
    agree = [gap.board for gap in second_board_gaps(poses, stand, boards, body_of) if gap.agrees]
    entries = [first, *(entry for entry in stand.boards[1:] if entry.board in agree)]
    bodies += [_body(poses, entry, body_of) for entry in entries[1:]]
    targets = [_target(poses[body], e, boards[e.board], side) for body, e in zip(bodies, entries, strict=True)]
    lever = np.zeros((6 * len(entries), 6 * len(entries)))
    for i, (body, entry) in enumerate(zip(bodies, entries, strict=True)):
        lever[6 * i : 6 * i + 6, 6 * i : 6 * i + 6] = _by_typed(poses[body], entry, boards[entry.board], side)
    typed = lever @ stand.places_cov([entry.board for entry in entries]) @ lever.T
    gain = _weights(poses.cov_of(bodies), typed, targets[0].translation_mm)
    shift = sum((g @ _left_difference(t, targets[0]) for g, t in zip(gain, targets, strict=True)), np.zeros(6))
    jac = np.zeros((6, len(poses.cov)))
    for body, g in zip(bodies, gain, strict=True):
        jac[:, poses.rows([body])] = g  # a left perturbation passes unchanged through a chain on the right
    across = np.hstack(gain)
    own = across @ typed @ across.T
    return poses.with_derived([targets[0].perturbed(shift)], jac, {STAND_FILE: own})


def _by_typed(survey_from_board: Pose, entry: StandBoard, board: Board, side: Side) -> Array:
    """Left perturbation of the target by what was typed of one board, order `_TYPED`, shape (6, 6)."""
    base = _target(survey_from_board, entry, board, side)

    def moved(offset: Array) -> Array:
        return _left_difference(_target(survey_from_board, entry, board, side, offset), base)

    return _jacobian(moved, 6)


def _weights(cov: Array, typed: Array, centre_mm: Array) -> list[Array]:
    """How the boards' targets, left perturbations with joint covariance `cov` + `typed`, are averaged: (6, 6), sum identity.

    Reckoned about the target's centre: about the survey's origin, metres away, turn and shift are all but the same thing.
    """
    n = len(cov) // 6
    if n == 1:
        return [np.eye(6)]
    lever = np.eye(6)
    lever[3:, :3] = -skew(centre_mm)
    lift = np.kron(np.eye(n), lever)
    joint = lift @ (cov + typed) @ lift.T + np.diag(np.tile([REGULAR_RAD**2] * 3 + [REGULAR_MM**2] * 3, n))
    same = np.tile(np.eye(6), (n, 1))
    pull = np.linalg.solve(joint, same)
    mean = np.linalg.solve(lever, np.linalg.solve(same.T @ pull, pull.T)) @ lift
    return [mean[:, 6 * i : 6 * i + 6] for i in range(n)]


@dataclass(frozen=True, slots=True, eq=False)
class BoardGap:
    """A further stand board: measured minus typed place.

    Attributes
    ----------
    board : str
    gap : Estimate
        `GAP_NAMES`, as seen by a person facing the target; the leans are turns about the right and the down axis.
    chi_square : float
        gapᵀ cov⁻¹ gap, six degrees of freedom.
    probability : float
        Of a chi-square at least as large when the typed values are right within their half-widths.
    agrees : bool
    words : str
        For people.
    """

    board: str
    gap: Estimate
    chi_square: float
    probability: float
    agrees: bool
    words: str


def second_board_gaps(poses: PoseSet, stand: Stand, boards: BoardSet, body_of: Mapping[str, str]) -> tuple[BoardGap, ...]:
    """Measured minus typed place of every further stand board that was seen."""
    seen = (entry for entry in stand.boards[1:] if body_of.get(entry.board) in poses)
    return tuple(second_board_gap(poses, stand, entry.board, boards, body_of) for entry in seen)


def second_board_gap(poses: PoseSet, stand: Stand, board_name: str, boards: BoardSet, body_of: Mapping[str, str]) -> BoardGap:
    """Measured minus typed place of one further stand board, on the target as the first board defines it.

    Raises
    ------
    MeasurementError
        One of the two boards was not seen.
    """
    first = stand.boards[0]
    second = next(entry for entry in stand.boards if entry.board == board_name)
    pair = poses.of([_body(poses, first, body_of), _body(poses, second, body_of)])
    bodies = pair.bodies

    def gap(state: PoseSet, offset: Array) -> Array:
        seen_from_first = seen_from_board(first, boards[first.board], bodies[0], offset[:6])
        measured = seen_from_first @ state[bodies[0]].inverse() @ state[bodies[1]]
        typed = seen_from_board(second, boards[second.board], bodies[1], offset[6:])
        return _gap(measured, typed, boards[second.board])

    none = np.zeros(12)
    from_poses = pair.propagate(GAP_NAMES, lambda state: gap(state, none))
    by_typed = _jacobian(lambda offset: gap(pair, offset) - from_poses.value, 12)
    own = np.asarray(by_typed @ stand.places_cov([first.board, second.board]) @ by_typed.T, dtype=float)
    parts = {**from_poses.parts, STAND_FILE: own}
    estimate = Estimate(GAP_NAMES, from_poses.value, from_poses.cov + own, parts)
    chi_square = float(estimate.value @ np.linalg.solve(estimate.cov, estimate.value))
    probability = float(chdtrc(len(GAP_NAMES), chi_square))
    agrees = probability >= LEAST_PROBABILITY
    return BoardGap(second.board, estimate, chi_square, probability, agrees, _gap_words(second.board, estimate, agrees))


def seen_from_board(entry: StandBoard, board: Board, body: str, offset: Array | None = None) -> Pose:
    """Board in the seen axes; `offset` shifts the typed values, order `_TYPED` (tilts about the seen right and down axes)."""
    d = np.zeros(len(_TYPED)) if offset is None else offset
    place = np.array([entry.right_mm + d[0], -(entry.up_mm + d[1]), -(entry.behind_mm + d[2])])
    rotation = exp_so3(np.array([entry.lean_right_rad + d[4], entry.lean_down_rad + d[5], 0.0])) @ exp_so3(
        np.array([0.0, 0.0, -(entry.turn_rad + d[3])])
    )
    return Pose.from_rt("seen", body, rotation, place - rotation @ board.centre_mm)


def _target(survey_from_board: Pose, entry: StandBoard, board: Board, side: Side, offset: Array | None = None) -> Pose:
    seen = seen_from_board(entry, board, survey_from_board.source, offset)
    return survey_from_board @ seen.inverse() @ target_from_seen(side).inverse()


def _jacobian(function: Callable[[Array], Array], count: int) -> Array:
    """Of `function` by `count` typed-value offsets around zero (central differences); six for each board, order `_TYPED`."""
    columns = []
    for i in range(count):
        step = np.zeros(count)
        step[i] = 1e-3 if i % 6 < 3 else 1e-6
        columns.append((function(step) - function(-step)) / (2 * step[i]))
    return np.column_stack(columns)


def _left_difference(moved: Pose, base: Pose) -> Array:
    gap = moved.transform * base.transform.inv()
    return np.concatenate([gap.rotation.as_rotvec(), gap.translation])


def _gap(measured: Pose, typed: Pose, board: Board) -> Array:
    """Measured minus typed in the order of `GAP_NAMES`, places of the centre marks."""
    shift = measured.apply(board.centre_mm) - typed.apply(board.centre_mm)
    turn = (measured.transform * typed.transform.inv()).rotation.as_rotvec()
    return np.array([shift[0], -shift[1], -shift[2], -turn[2], turn[0], turn[1]])


def _gap_words(board: str, gap: Estimate, agrees: bool) -> str:
    if agrees:
        return f"stand board {board} stands where the stand file says"
    excess = np.abs(gap.value) / np.sqrt(np.diag(gap.cov))
    i = int(np.argmax(excess))
    value, expanded = gap.value[i], 2 * math.sqrt(gap.cov[i, i])
    ways = {
        "right_mm": ("farther left", "farther right"),
        "up_mm": ("lower", "higher"),
        "behind_mm": ("farther from you", "nearer to you"),
        "turn_rad": ("more clockwise", "more counter-clockwise"),
        "lean_right_rad": ("with its top leaning away from you", "with its top leaning towards you"),
        "lean_down_rad": ("with its right edge away from you", "with its right edge towards you"),
    }
    way = ways[GAP_NAMES[i]][int(value > 0)]
    if GAP_NAMES[i].endswith("_mm"):
        size = f"{abs(value):.1f} mm (U {expanded:.1f} mm)"
    else:
        size = f"{math.degrees(abs(value)):.2f}° (U {math.degrees(expanded):.2f}°)"
    return (
        f"stand board {board} is {size} {way} than the stand file says, as seen facing the target: "
        "measure both boards on the target again"
    )


def _body(poses: PoseSet, entry: StandBoard, body_of: Mapping[str, str]) -> str:
    body = body_of.get(entry.board, entry.board)
    if body not in poses:
        raise MeasurementError(
            f"stand board not seen: {entry.board}",
            hint=f"photograph {entry.board} together with at least four floor boards, from 30° to 45° off the target's normal",
        )
    return body
