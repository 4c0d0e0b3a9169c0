"""Where stand boards sit on a target, from what is known on its face: touched marks, a pattern printed on it, or both.

The marks' and patterns' places are known (the target's drawing, or a rule). The face is laid through them by generalised least
squares over the joint covariance of all that was measured (`calib.geometry.face_fit`); the boards' places on it follow, with
everything they have in common.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation
from scipy.special import chdtrc, chdtri

from calib.geometry.face_fit import FaceFit, Known, fit_face, laid, pulled, residual_of, steps_of
from calib.paper.stand import StandBoard
from calib.paper.target_face import TargetFace, no_face_words
from vision.boards import Board, BoardSet
from vision.errors import MeasurementError
from vision.frames import Array, Pose
from vision.poses import PoseSet

CONTRADICTION, BAND = 1e-6, 0.01
WORST_MM = 3.0
QUARTER_RAD, NEAR_RAD = math.pi / 2.0, math.radians(3.0)
"""A pattern put in or typed turned by quarters is off by these, more or less."""
MIRRORED_MM = 5.0
ODD_DEG = 30.0
LYING = 0.7
"""Cosine between a face's normal and up, above which it lies rather than stands."""
HINT = "compare the marks file with the target, and touch the marks again"


@dataclass(frozen=True, slots=True, eq=False)
class TaughtPlaces:
    """Places of boards on a target.

    Attributes
    ----------
    boards : tuple of StandBoard
        Half-widths are those of the covariance's diagonal.
    cov : ndarray, shape (6 n, 6 n)
        See `calib.paper.stand.Taught`.
    gaps_mm : dict of mark to ndarray, shape (3,)
        Touched minus its place on the fitted face, as the adjustment leaves it (`FaceFit.left`): right, up, out of the face
        towards the viewer.
    board_gaps : dict of board on the face to ndarray, shape (6,)
        Measured minus its known place, as the adjustment leaves it: right, up, out of the face, mm, turn, lean right, lean
        down, rad.
    rms_mm, chi_square, redundancy
    scatter : float
        What the covariance was multiplied by: 1, or χ² over redundancy where that is significantly larger.
    face : Pose
        `survey_from_seen`: right, down, into the face.
    """

    boards: tuple[StandBoard, ...]
    cov: Array
    gaps_mm: Mapping[str, Array]
    board_gaps: Mapping[str, Array]
    rms_mm: float
    chi_square: float
    redundancy: int
    scatter: float
    face: Pose


def rolled_rad(face: Pose, floor: Sequence[Pose]) -> float:
    """How far a face that stands is turned on itself, counter-clockwise as seen, by the floor boards' up; 0 where it lies."""
    up = -np.mean([pose.rotation[:, 2] for pose in floor], axis=0)  # a board's z goes into it
    right, upward, into = face.rotation.T @ (up / np.linalg.norm(up)) * [1.0, -1.0, 1.0]
    return 0.0 if abs(into) > LYING else math.atan2(right, upward)


def upright_words(face: Pose, floor: Sequence[Pose]) -> list[str]:
    """A question when the face stood turned on itself: a place typed for another way up looks like that."""
    turned = math.degrees(rolled_rad(face, floor))
    if abs(turned) < ODD_DEG:
        return []
    way = "counter-clockwise" if turned > 0 else "clockwise"
    return [f"by the marks file the target stood turned {abs(turned):.0f}° {way} on itself: are its places and turn_deg right?"]


def teach_places(poses: PoseSet, face: TargetFace, bodies: Mapping[str, str], boards: BoardSet) -> TaughtPlaces:
    """Fit the face through what is known on it and say where the boards are.

    Parameters
    ----------
    poses : PoseSet
        Bodies "point:MARK" of all marks and the boards' bodies, in one frame.
    face : TargetFace
    bodies : mapping of board name to body
        Of the boards to find, and of those with a known place on the face: they are found too, a little better.

    Raises
    ------
    MeasurementError
        Too few marks, on one line, mirrored, or marks and boards that contradict what is known of the face.
    """
    known = Known(face, bodies, boards)
    if not face.boards:
        _need_marks(known)
    used = poses.of(list(dict.fromkeys([*known.measured_as, *bodies.values()])))
    fit = fit_face(used, known)
    _need_agreement(used, known, fit)
    _need_facing(used, known, fit.face)
    doubtful = known.redundancy > 0 and fit.chi_square > chdtri(known.redundancy, BAND)
    scatter = fit.chi_square / known.redundancy if doubtful else 1.0

    pull = pulled(used, known, fit.weight, list(bodies.values()))

    def all_places(state: PoseSet, shift: Array | None = None) -> Array:
        measured, there = known.measured(state), known.there(shift)
        found = laid(measured, there, fit.weight, fit.face)
        shared = (pull @ residual_of(found, measured, there)).reshape(-1, 6)
        return np.concatenate(
            [
                _place_of(found, state[body].perturbed(-error), boards[name])
                for (name, body), error in zip(bodies.items(), shared, strict=True)
            ]
        )

    names = [f"{name}:{k}" for name in bodies for k in range(6)]
    measured = used.propagate(names, all_places)
    by_typed = _by_steps(lambda shift: all_places(used, shift), steps_of(known))
    cov = scatter * (measured.cov + by_typed @ np.diag(known.typed_sigmas() ** 2) @ by_typed.T)
    entries = tuple(
        _entry(name, measured.value[6 * i : 6 * i + 6], np.diag(cov)[6 * i : 6 * i + 6]) for i, name in enumerate(bodies)
    )
    gaps, board_gaps = _gaps(used, known, fit)
    return TaughtPlaces(
        entries,
        np.asarray((cov + cov.T) / 2),
        gaps,
        board_gaps,
        fit.rms_mm,
        fit.chi_square,
        known.redundancy,
        scatter,
        fit.face,
    )


def _gaps(used: PoseSet, known: Known, fit: FaceFit) -> tuple[dict[str, Array], dict[str, Array]]:
    count = len(known.face.marks)
    rows = fit.left[: 3 * count].reshape(-1, 3)
    gaps = {
        mark.name: np.array([1.0, -1.0, -1.0]) * (fit.face.rotation.T @ part)
        for mark, part in zip(known.face.marks, rows, strict=True)
    }
    shared = (fit.residual - fit.left)[3 * count :].reshape(-1, 6)
    board_gaps = {}
    for entry, (*turn, x, y, z) in zip(known.face.boards, shared, strict=True):
        pose = used[known.bodies[entry.board]]
        centre = pose.apply(known.boards[entry.board].centre_mm)
        error = np.concatenate([turn, np.array([x, y, z]) - np.cross(turn, centre)])
        board_gaps[entry.board] = _gap_of(pose.perturbed(-error), known, entry, fit.face)
    return gaps, board_gaps


def _gap_of(pose: Pose, known: Known, entry: StandBoard, face: Pose) -> Array:
    """Where a board is on the face, less where it is known to be."""
    found = _place_of(face, pose, known.boards[entry.board])
    gap = found - entry.place
    gap[3] = math.remainder(gap[3], 2.0 * math.pi)
    return np.asarray(gap)


def _place_of(face: Pose, survey_from_board: Pose, board: Board) -> Array:
    """Right, up, behind, turn, lean right, lean down of a board on the face: the way back of `stand.seen_from_board`."""
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


def _by_steps(function: Callable[[Array], Array], sizes: Sequence[float]) -> Array:
    """Jacobian by typed places (central differences)."""
    steps = np.diag(sizes)
    return np.column_stack([(function(step) - function(-step)) / (2 * step.sum()) for step in steps])


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


def _need_marks(known: Known) -> None:
    words = no_face_words(known.face.marks)
    if words:
        raise MeasurementError(words, hint="touch four or more, far apart on the face")


def _fixed(known: Known) -> bool:
    """Whether it fixes a face, and more: then it can be said whether it agrees."""
    return known.redundancy > 0 and (bool(known.face.boards) or not no_face_words(known.face.marks))


def _agrees(known: Known, fit: FaceFit) -> bool:
    return float(chdtrc(known.redundancy, fit.chi_square)) >= CONTRADICTION and fit.rms_mm <= WORST_MM


def _need_agreement(used: PoseSet, known: Known, fit: FaceFit) -> None:
    """Refuse what contradicts itself; where the others agree without it, the wrong mark or board is named."""
    if known.redundancy == 0 or _agrees(known, fit):
        return
    rest = {name: (less, fit_face(used, less)) for name, less in known.without() if _fixed(less)}
    what = f"{_what(known)} not where the marks file has them: {fit.rms_mm:.1f} mm RMS"
    if not rest:
        more = "a fourth mark" if not known.face.boards else "three marks and more"
        raise MeasurementError(what, hint=f"{HINT}; with {more} a wrong one is found")
    worst = min(rest, key=lambda name: rest[name][1].chi_square / rest[name][0].redundancy)
    less, without = rest[worst]
    if not less.face.boards:
        _need_facing(used, less, without.face)
    if known.face.boards and not _agrees(less, without):
        raise MeasurementError(f"{what}, whichever one is left out", hint=HINT)
    body = dict(zip(known.names, known.measured_as, strict=True))[worst]
    pose = used[body].perturbed(-pulled(used, less, without.weight, [body]) @ without.residual)
    told = (_board_words if worst in known.face.board_names else _mark_words)(pose, known, worst, without)
    raise MeasurementError(f"{what}; {worst} is the likeliest wrong one, {told}, as seen facing it", hint=HINT)


def _what(known: Known) -> str:
    if not known.face.boards:
        return "the touched marks are"
    names = ", ".join(known.face.board_names)
    return f"the touched marks and {names} are" if known.face.marks else f"{names} are"


def _mark_words(pose: Pose, known: Known, name: str, without: FaceFit) -> str:
    """`pose`, here and below: without the error that the others show it to share."""
    place = known.places_mm[known.names.index(name)]
    right, down, into = without.face.rotation.T @ (pose.translation_mm - without.face.apply(place))
    return (
        f"touched {right:+.1f} mm to the right, {-down:+.1f} mm up, {-into:+.1f} mm out of the face of where the others put it"
    )


def _board_words(pose: Pose, known: Known, name: str, without: FaceFit) -> str:
    entry = next(one for one in known.face.boards if one.board == name)
    gap = _gap_of(pose, known, entry, without.face)
    told = (
        f"measured {gap[0]:+.1f} mm to the right, {gap[1]:+.1f} mm up, {gap[2]:+.1f} mm out of the face and turned "
        f"{math.degrees(gap[3]):+.1f}° of where the file has it"
    )
    quarters = round(gap[3] / QUARTER_RAD)
    if quarters and abs(gap[3] - quarters * QUARTER_RAD) < NEAR_RAD:
        told += " (a quarter or half turn: is turn_deg 0 with its orientation mark upright, and the centre mark's place right?)"
    elif abs(gap[0] + 2.0 * entry.right_mm) < MIRRORED_MM < abs(gap[0]):
        told += " (mirrored: right_mm counts to the right of a person who faces the target)"
    return told


def _need_facing(used: PoseSet, known: Known, face: Pose) -> None:
    turned = [name for name, body in known.bodies.items() if float(used[body].rotation[:, 2] @ face.rotation[:, 2]) < 0.0]
    if turned and not known.face.boards:
        raise MeasurementError(
            f"{', '.join(turned)} would look out of the target's back: the marks are mirrored",
            hint="right_mm counts to the right of a person who faces the target, not of somebody behind it",
        )
    if turned:
        raise MeasurementError(
            f"{', '.join(turned)} and {', '.join(known.face.board_names)} look to opposite sides: not all are on the face",
            hint="teach boards that are seen from where the target's face is seen",
        )
