"""Marked points of a mat from the boards that lie on it and from marks that were touched besides, by one rigid flat mat.

Boards tell place and turn of the mat, touched marks places on it (`calib.geometry.mat_model`). Only what is seen from above
counts: marks are put into the floor's plane.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from calib.geometry.lines import FLOOR
from calib.geometry.mat_model import LEAST_PROBABILITY, Feature, MatModel
from calib.geometry.places import place_mm
from calib.geometry.stand import BoardGap
from calib.paper.mat import Mat
from calib.paper.placements import Place
from vision.boards import BoardSet
from vision.errors import MeasurementError
from vision.frames import Array, Pose
from vision.poses import STEP_MM, STEP_RAD, PoseSet

MARK = "mark:"
"""Body of a mark that was found by the mat's boards: "mark:a"."""
MOST_LEAN_RAD, MOST_HEIGHT_MM = math.radians(5.0), 40.0
"""A board that leans more, or whose face is farther from the floor, does not lie on a mat on the floor."""


@dataclass(frozen=True, slots=True, eq=False)
class MatFit:
    """Marks by the mat's boards.

    Attributes
    ----------
    poses : PoseSet
        With the bodies "mark:NAME", of all marks of the mat file.
    gaps : tuple of BoardGap
        Every board and touched mark against the others; empty when nothing is over-determined.
    residual_mm : float
        RMS of the places about the fitted mat.
    redundancy : int
    """

    poses: PoseSet
    gaps: tuple[BoardGap, ...]
    residual_mm: float
    redundancy: int


def with_mat_marks(
    poses: PoseSet, mat: Mat, boards: BoardSet, body_of: Mapping[str, str], touched: Mapping[str, Place]
) -> MatFit:
    """The set with the marks of a mat added, in the floor plane, with joint covariance.

    Parameters
    ----------
    poses : PoseSet
        Bodies "floor", the boards on the mat, and the touched points.
    mat : Mat
    boards : BoardSet
    body_of : mapping of str to str
        Body of each board of the mat that was seen.
    touched : mapping of str to Place
        Marks of the mat file that were touched as well, and where.

    Raises
    ------
    MeasurementError
        No board was found; one does not lie on the floor; boards and touched marks contradict each other.
    """
    if not body_of:
        raise MeasurementError(
            f"no board of the mat was found in the photos of this check (looked for {', '.join(mat.board_names)})",
            hint="photograph the mat from 1.5 to 2.5 m, from both sides, its boards whole, lit and sharp",
        )
    _need_flat(poses, boards, body_of)
    features = _features(mat, body_of, touched)
    seen = tuple(dict.fromkeys([FLOOR, *body_of.values(), *(body for place in touched.values() for body, _ in place)]))
    part = poses.of(seen)

    def observe(state: PoseSet) -> Array:
        return _observed(state, features, boards, body_of, touched)

    size = sum(3 if one.turn_rad is not None else 2 for one in features)
    measured = part.propagate([f"z{i}" for i in range(size)], observe)
    model = MatModel(mat, features, measured)
    gaps = model.gaps()
    if model.probability < LEAST_PROBABILITY:
        worst = max(gaps, key=lambda gap: gap.chi_square)
        who = "boards and touched marks" if touched else "the boards"
        anew = (
            "if the mat was moved since a mark was touched, touch it anew or forget it (bayfix touch JOB NAME --forget); else "
        )
        raise MeasurementError(
            f"{who} of the mat contradict each other: {worst.words} (chance {model.probability:.1g})",
            hint=(anew if touched else "")
            + "see that no two names are exchanged in the mat file, lay the mat flat and measure the places on it again",
        )
    return MatFit(_with_marks(poses, part, mat, model, observe), gaps, model.residual_mm, model.redundancy)


def _need_flat(poses: PoseSet, boards: BoardSet, body_of: Mapping[str, str]) -> None:
    for name, body in body_of.items():
        floor_from_board = poses[FLOOR].inverse() @ poses[body]
        lean = math.acos(max(-1.0, min(1.0, float(-floor_from_board.rotation[2, 2]))))
        height = float(floor_from_board.apply(boards[name].centre_mm)[2])
        if lean > MOST_LEAN_RAD or abs(height) > MOST_HEIGHT_MM:
            raise MeasurementError(
                f"{name} does not lie on a mat on the floor: its face leans by {math.degrees(lean):.1f}° and its centre mark "
                f"is {height:.0f} mm above the floor",
                hint="fix the boards of the mat file to the mat, face up, and lay it flat; or correct the mat file",
            )


def _features(mat: Mat, body_of: Mapping[str, str], touched: Mapping[str, Place]) -> tuple[Feature, ...]:
    out, row = [], 0
    for board in mat.boards:
        if board.board in body_of:
            out.append(Feature(board.board, np.array([board.x_mm, board.y_mm]), board.turn_rad, slice(row, row + 3)))
            row += 3
    for mark in mat.marks:
        if mark.name in touched:
            out.append(Feature(f"touched mark {mark.name}", np.array([mark.x_mm, mark.y_mm]), None, slice(row, row + 2)))
            row += 2
    return tuple(out)


def _observed(
    state: PoseSet, features: Sequence[Feature], boards: BoardSet, body_of: Mapping[str, str], touched: Mapping[str, Place]
) -> Array:
    """Places of centre marks and turns of boards, places of touched marks: floor frame, from above."""
    floor = state[FLOOR].inverse()
    places = [floor.apply(place_mm(state, place)) for name, place in touched.items()]
    by_label = {f"touched mark {name}": at for name, at in zip(touched, places, strict=True)}
    out: list[float] = []
    for one in features:
        if one.turn_rad is None:
            out += [float(part) for part in by_label[one.label][:2]]
            continue
        floor_from_board = floor @ state[body_of[one.label]]
        axis = floor_from_board.rotation[:, 0]
        out += [float(part) for part in floor_from_board.apply(boards[one.label].centre_mm)[:2]]
        out.append(math.atan2(axis[1], axis[0]))
    return np.array(out)


def _with_marks(poses: PoseSet, part: PoseSet, mat: Mat, model: MatModel, observe: Callable[[PoseSet], Array]) -> PoseSet:
    gain, own = model.mark_gain()
    flat = model.mark_places().ravel() + gain @ model.left(model.pose)

    def places(state: PoseSet) -> Array:
        shift = observe(state) - model.measured.value
        for one in model.features:
            if one.turn_rad is not None:
                shift[one.rows.stop - 1] = math.remainder(shift[one.rows.stop - 1], 2 * math.pi)
        on_floor = (flat + gain @ shift).reshape(-1, 2)
        return np.array([state[FLOOR].apply([x, y, 0.0]) for x, y in on_floor]).ravel()

    m = len(mat.marks)
    rows = [6 * i + 3 + k for i in range(m) for k in range(3)]
    jac = np.zeros((6 * m, len(poses.cov)))
    jac[np.ix_(rows, poses.rows(part.bodies))] = _jacobian(part, places)
    lift = np.zeros((6 * m, own.shape[1]))
    axes = np.kron(np.eye(m), poses[FLOOR].rotation[:, :2])
    lift[rows] = axes @ own
    at = places(part).reshape(-1, 3)
    new = [Pose.from_rt(poses.target, f"{MARK}{mark.name}", np.eye(3), p) for mark, p in zip(mat.marks, at, strict=True)]
    return poses.with_derived(new, jac, {source: lift @ cov @ lift.T for source, cov in model.errors.items()})


def _jacobian(part: PoseSet, function: Callable[[PoseSet], Array]) -> Array:
    """By left perturbations of a set's poses (central differences)."""
    columns = []
    for i in range(len(part.cov)):
        step = np.zeros(len(part.cov))
        step[i] = STEP_RAD if i % 6 < 3 else STEP_MM
        columns.append((function(part.perturbed(step)) - function(part.perturbed(-step))) / (2.0 * step[i]))
    return np.column_stack(columns)
