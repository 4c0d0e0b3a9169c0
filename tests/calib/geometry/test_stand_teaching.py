"""Places of boards from touched marks: exact without errors, and scattering as stated with them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import chi2

from calib.geometry.stand_teaching import teach_places
from calib.geometry.stylus import point_body
from calib.paper.stand import StandBoard
from calib.paper.target_face import TargetFace, TargetMark
from synthetic_images.rigid import rigid, rot_x, rot_y, rot_z
from vision.boards_io import starter_boards
from vision.errors import MeasurementError
from vision.frames import Pose
from vision.poses import PoseSet

BOARDS = starter_boards("a4")
MARKS = [("a", -400.0, 300.0), ("b", 420.0, 280.0), ("c", -390.0, -310.0), ("d", 400.0, -290.0)]
FACE = rigid(rot_z(0.4) @ rot_y(-0.7) @ rot_x(0.2), np.array([1200.0, -300.0, 2500.0]))
"""`survey_from_seen`."""
BOARD = StandBoard("stand-1", -150.0, 80.0, 4.5, math.radians(7.0), lean_right_rad=0.004, lean_down_rad=-0.006)


def board_pose(entry: StandBoard) -> np.ndarray:
    """Own way: turned counter-clockwise as seen (against z into the face), then leaned about right and down."""
    lean = np.array([entry.lean_right_rad, entry.lean_down_rad, 0.0])
    angle = np.linalg.norm(lean)
    k = np.array([[0, -lean[2], lean[1]], [lean[2], 0, -lean[0]], [-lean[1], lean[0], 0]]) / angle
    leaned = np.eye(3) + math.sin(angle) * k + (1 - math.cos(angle)) * k @ k  # Rodrigues
    turn = leaned @ rot_z(-entry.turn_rad)
    centre = np.array([entry.right_mm, -entry.up_mm, -entry.behind_mm])
    return FACE @ rigid(turn, centre - turn @ BOARDS[entry.board].centre_mm)


def pose_set(marks, sigma_mm=0.0, rng=None, sigma_board=(0.0, 0.0)) -> PoseSet:
    poses, sigmas = [], []
    for name, right, up, *into in marks:
        place = (FACE @ np.array([right, -up, *(into or [0.0]), 1.0]))[:3]
        place = place + (rng.normal(0.0, sigma_mm, 3) if rng else 0.0)
        poses.append(Pose.from_rt("survey", point_body(name), np.eye(3), place))
        sigmas += [0.0] * 3 + [sigma_mm] * 3
    pose = Pose.from_matrix("survey", "stand-1@check-1", board_pose(BOARD))
    if rng:
        pose = pose.perturbed(np.concatenate([rng.normal(0.0, s, 3) for s in sigma_board]))
    poses.append(pose)
    sigmas += [sigma_board[0]] * 3 + [sigma_board[1]] * 3
    cov = np.diag(np.array(sigmas) ** 2)
    return PoseSet(tuple(poses), cov, {"corners": cov})


def values(entry: StandBoard) -> np.ndarray:
    return np.array([entry.right_mm, entry.up_mm, entry.behind_mm, entry.turn_rad, entry.lean_right_rad, entry.lean_down_rad])


def marks_of(rows, pm_mm=0.1):
    return [TargetMark(name, right, up, pm_mm) for name, right, up in rows]


def taught(poses, marks):
    return teach_places(poses, TargetFace(tuple(marks)), {"stand-1": "stand-1@check-1"}, BOARDS)


@pytest.mark.parametrize("rows", [MARKS, MARKS[:3]])
def test_exact_marks_give_exact_places(rows):
    found = taught(pose_set(rows, 0.1), marks_of(rows))
    np.testing.assert_allclose(values(found.boards[0]), values(BOARD), atol=1e-7)
    assert found.rms_mm == pytest.approx(0.0, abs=1e-8)
    assert found.redundancy == 3 * len(rows) - 6
    assert found.scatter == 1.0


@pytest.mark.slow
def test_places_scatter_as_stated():
    """NEES of six values; touched points, the marks' places (typed as MARKS) and the board's own pose all err."""
    rng = np.random.default_rng(11)
    draws, squares = 40, []
    for _ in range(draws):
        rows = [(n, r + rng.normal(0, 0.15), u + rng.normal(0, 0.15), rng.normal(0, 0.15)) for n, r, u in MARKS]
        poses = pose_set(rows, 0.2, rng, (2e-4, 0.05))
        found = taught(poses, marks_of(MARKS, 0.3))
        gap = values(found.boards[0]) - values(BOARD)
        squares.append(gap @ np.linalg.solve(found.cov / found.scatter, gap))
    low, high = chi2.ppf([0.0005, 0.9995], 6 * draws) / draws
    assert low < float(np.mean(squares)) < high


def test_the_frame_does_not_matter():
    rng = np.random.default_rng(4)
    poses = pose_set(MARKS, 0.2, rng, (1e-4, 0.03))
    turned = Pose.from_rt("survey", "survey", rng.normal(size=3), rng.normal(size=3) * 1000.0)
    moved = PoseSet(tuple(Pose("survey", p.source, turned.transform * p.transform) for p in poses), poses.cov, poses.parts)
    # the covariance of the points is isotropic, so that turning the frame leaves it as it is
    first, second = taught(poses, marks_of(MARKS)), taught(moved, marks_of(MARKS))
    np.testing.assert_allclose(values(first.boards[0])[:3], values(second.boards[0])[:3], atol=0.02)


def test_three_marks_cannot_say_which_is_wrong_and_four_can():
    wrong = [("a", -400.0, 309.0), *MARKS[1:]]
    with pytest.raises(MeasurementError, match=r"a is the likeliest wrong one, touched .* -9\.0 mm up"):
        taught(pose_set(MARKS, 0.1), marks_of(wrong))
    with pytest.raises(MeasurementError, match="RMS") as err:
        taught(pose_set(MARKS[:3], 0.1), marks_of(wrong[:3]))
    assert "with a fourth mark" in err.value.hint


@pytest.mark.parametrize("count", [3, 4])
def test_mirrored_marks_are_named_by_the_board(count):
    mirrored = [(name, -right, up) for name, right, up in MARKS[:count]]
    with pytest.raises(MeasurementError, match="stand-1 would look out of the target's back: the marks are mirrored"):
        taught(pose_set(MARKS[:count], 0.1), marks_of(mirrored))


def test_two_marks_are_too_few():
    with pytest.raises(MeasurementError, match="2 marks, at least 3 are needed"):
        taught(pose_set(MARKS[:2]), marks_of(MARKS[:2]))
