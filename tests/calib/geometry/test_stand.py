"""From a stand board to the target: places worked by hand from the words of the stand file."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from calib.geometry.stand import pivot_in_target_mm, second_board_gap, second_board_gaps, target_from_seen, target_pose
from calib.paper.stand import Pivot, Stand, StandBoard
from tests.support.car import as_set
from vision.boards import Board, BoardSet
from vision.errors import MeasurementError
from vision.frames import Pose

BOARDS = BoardSet(
    (
        Board("stand-1", 7, 5, 36.0, 27.0, "DICT_APRILTAG_36h11", 80),
        Board("stand-2", 7, 5, 36.0, 27.0, "DICT_APRILTAG_36h11", 100),
    )
)
CENTRE = np.array([126.0, 90.0])  # 7 · 36 / 2 and 5 · 36 / 2
BODY_OF = {"stand-1": "stand-1@check-1", "stand-2": "stand-2@check-1"}
EXACT = dict.fromkeys(("right_pm_mm", "up_pm_mm", "behind_pm_mm", "turn_pm_rad", "parallel_pm_rad"), 0.0)
TARGET_MM = np.array([4200.0, 50.0, 1200.0])


def board_ahead(right_mm, up_mm, behind_mm, turn_deg=0.0, name="stand-1", tilt_rad=0.0) -> Pose:
    """Board on an upright target ahead of the car, built from words: facing it, right is −y, up is +z, into it is +x."""
    right, down, into = np.array([0.0, -1.0, 0.0]), np.array([0.0, 0.0, -1.0]), np.array([1.0, 0.0, 0.0])
    mark = TARGET_MM + right_mm * right - up_mm * down - behind_mm * into
    turn = math.radians(turn_deg)
    x = math.cos(turn) * right - math.sin(turn) * down  # counter-clockwise as seen: right goes up
    y = math.sin(turn) * right + math.cos(turn) * down
    origin = mark - CENTRE[0] * x - CENTRE[1] * y
    pose = Pose.from_rt("survey", BODY_OF[name], np.column_stack([x, y, into]), origin)
    return pose if tilt_rad == 0 else tilted(pose, mark, tilt_rad)


def tilted(pose: Pose, mark, angle_rad) -> Pose:
    """Turned about the axis that points to the right as seen: the top comes nearer."""
    turn = Pose.from_rt("survey", "survey", [0.0, -angle_rad, 0.0], [0.0, 0.0, 0.0])
    return Pose.from_rt(
        "survey", pose.source, turn.rotation @ pose.rotation, mark + turn.rotation @ (pose.translation_mm - mark)
    )


def poses_of(*poses: Pose, cov=None):
    return as_set({pose.source: pose for pose in poses}, cov)


@pytest.mark.parametrize(
    ("right", "up", "behind", "turn"), [(0, 0, 0, 0), (120, 40, 3, 0), (-80, -30, 5, 90), (10, 20, 4, -17.5)]
)
def test_target_ahead_is_where_the_words_put_it(right, up, behind, turn):
    stand = Stand((StandBoard("stand-1", right, up, behind, math.radians(turn)),))
    poses = target_pose(poses_of(board_ahead(right, up, behind, turn)), stand, BOARDS, BODY_OF, "ahead")
    np.testing.assert_allclose(poses["target"].translation_mm, TARGET_MM, atol=1e-9)
    np.testing.assert_allclose(poses["target"].rotation, np.eye(3), atol=1e-12)


def test_target_behind_the_car_has_right_on_the_cars_left():
    # Facing a target behind the car one looks backwards: right is +y, into the face is −x.
    right, down, into = np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, -1.0]), np.array([-1.0, 0.0, 0.0])
    centre = np.array([-1500.0, 0.0, 900.0])
    mark = centre + 100.0 * right - 30.0 * down - 4.0 * into
    origin = mark - CENTRE[0] * right - CENTRE[1] * down
    board = Pose.from_rt("survey", BODY_OF["stand-1"], np.column_stack([right, down, into]), origin)
    stand = Stand((StandBoard("stand-1", 100.0, 30.0, 4.0),))
    poses = target_pose(poses_of(board), stand, BOARDS, BODY_OF, "behind")
    np.testing.assert_allclose(poses["target"].translation_mm, centre, atol=1e-9)
    np.testing.assert_allclose(poses["target"].rotation, np.eye(3), atol=1e-12)


def test_pivot_behind_and_right_of_a_target():
    np.testing.assert_allclose(pivot_in_target_mm(Pivot(30.0, 200.0), "ahead"), [200.0, -30.0, 0.0], atol=1e-12)
    np.testing.assert_allclose(pivot_in_target_mm(Pivot(30.0, 200.0), "behind"), [-200.0, 30.0, 0.0], atol=1e-12)
    for side in ("ahead", "behind"):
        assert np.linalg.det(target_from_seen(side).rotation) == pytest.approx(1.0)


def test_stand_file_half_widths_are_two_sigma():
    nothing = np.zeros((6, 6))
    entry = StandBoard("stand-1", 300.0, 0.0, 3.0, 0.0, 0.8, 0.6, 0.4, math.radians(0.1), math.radians(0.06))
    poses = target_pose(poses_of(board_ahead(300, 0, 3), cov=nothing), Stand((entry,)), BOARDS, BODY_OF, "ahead")
    part = poses.parts["stand file"][6:, 6:]
    np.testing.assert_allclose(poses.cov[6:, 6:], part)
    # The left perturbation turns about the survey origin: carry it to the target's centre first.
    lever = np.block([[np.eye(3), np.zeros((3, 3))], [-cross(TARGET_MM), np.eye(3)]])
    sigma = np.sqrt(np.diag(lever @ part @ lever.T))
    turn, tilt = math.radians(0.05), math.radians(0.03)
    assert sigma[:3] == pytest.approx([turn, tilt, tilt], rel=1e-5)
    # The centre lies 300 mm beside the mark: turning the board lifts it, tilting it about the upright moves it ahead.
    expected = [math.hypot(0.2, 300 * tilt), math.hypot(0.4, 3 * tilt), math.hypot(0.3, 300 * turn, 3 * tilt)]
    assert sigma[3:] == pytest.approx(expected, rel=1e-4)


def cross(v):
    return np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]])


def test_the_boards_own_error_comes_along_whole():
    rng = np.random.default_rng(2)
    root = rng.normal(size=(6, 6)) * 1e-3
    stand = Stand((StandBoard("stand-1", 50.0, 10.0, 3.0, **EXACT),))
    before = poses_of(board_ahead(50, 10, 3), cov=root @ root.T)
    poses = target_pose(before, stand, BOARDS, BODY_OF, "ahead")
    delta = rng.normal(size=6) * 1e-4
    again = target_pose(before.perturbed(delta), stand, BOARDS, BODY_OF, "ahead")["target"]
    np.testing.assert_allclose(again.transform.as_matrix(), poses["target"].perturbed(delta).transform.as_matrix(), atol=1e-9)
    np.testing.assert_allclose(poses.cov[6:, 6:], before.cov, atol=1e-15)


def test_stand_board_not_seen_is_named():
    stand = Stand((StandBoard("stand-2", 0.0, 0.0, 3.0),))
    with pytest.raises(MeasurementError, match="stand board not seen: stand-2"):
        target_pose(poses_of(board_ahead(0, 0, 3)), stand, BOARDS, {"stand-1": BODY_OF["stand-1"]}, "ahead")


TWO = Stand((StandBoard("stand-1", 0.0, 0.0, 3.0), StandBoard("stand-2", 300.0, 20.0, 3.0)))
TIGHT = np.diag(np.tile([1e-7**2] * 3 + [1e-4**2] * 3, 2))
"""Boards seen perfectly: what was typed is all that errs."""


def test_two_boards_typed_alike_put_the_target_between_what_each_says():
    # Boards 300 mm left and right of the centre; one typed 0.3 mm too far right, the other too far left by as much.
    pair = Stand((StandBoard("stand-1", -299.7, 0.0, 3.0), StandBoard("stand-2", 299.7, 0.0, 3.0)))
    seen = poses_of(board_ahead(-300, 0, 3), board_ahead(300, 0, 3, name="stand-2"), cov=TIGHT)
    poses = target_pose(seen, pair, BOARDS, BODY_OF, "ahead")
    np.testing.assert_allclose(poses["target"].translation_mm, TARGET_MM, atol=1e-6)
    np.testing.assert_allclose(poses["target"].rotation, np.eye(3), atol=1e-9)
    one = target_pose(seen, Stand(pair.boards[:1]), BOARDS, BODY_OF, "ahead")
    np.testing.assert_allclose(one["target"].translation_mm - TARGET_MM, [0.0, 0.3, 0.0], atol=1e-6)
    # Two boards lean and turn independently: half the variance at least, and two heights 600 mm apart tell the roll besides.
    ratio = np.sqrt(np.diag(poses.cov)[-6:-3] / np.diag(one.cov)[-6:-3])
    assert ratio[1] == pytest.approx(math.sqrt(0.5), rel=0.01)
    assert ratio[0] < math.sqrt(0.5)


def test_the_order_of_two_boards_does_not_matter():
    pair = Stand((StandBoard("stand-1", -300.1, 0.2, 3.1), StandBoard("stand-2", 299.8, 0.1, 2.9)))
    seen = poses_of(board_ahead(-300, 0, 3), board_ahead(300, 0, 3, name="stand-2"), cov=TIGHT)
    one, two = (target_pose(seen, s, BOARDS, BODY_OF, "ahead") for s in (pair, Stand(pair.boards[::-1])))
    # first order about either board's word: 0.2 mm over 600 mm squared
    np.testing.assert_allclose(one["target"].transform.as_matrix(), two["target"].transform.as_matrix(), atol=2e-4)
    np.testing.assert_allclose(one.cov, two.cov, rtol=2e-3, atol=1e-9)


def test_a_board_that_contradicts_the_first_has_no_say():
    seen = poses_of(board_ahead(0, 0, 3), board_ahead(305, 20, 3, name="stand-2"), cov=TIGHT)
    both, first = (target_pose(seen, s, BOARDS, BODY_OF, "ahead") for s in (TWO, Stand(TWO.boards[:1])))
    np.testing.assert_allclose(both["target"].transform.as_matrix(), first["target"].transform.as_matrix(), atol=1e-12)
    np.testing.assert_allclose(both.cov, first.cov, atol=1e-15)


@pytest.mark.slow
def test_the_target_of_two_boards_is_as_sure_as_stated():
    rng = np.random.default_rng(11)
    tilt = math.radians(0.01)
    lever = np.block([[np.eye(3), np.zeros((3, 3))], [-cross(TARGET_MM), np.eye(3)]])
    scores = []
    for _ in range(60):
        boards = []
        for name, right, up in (("stand-1", 0.0, 0.0), ("stand-2", 300.0, 20.0)):
            e = rng.normal(size=4) * np.array([0.25, 0.25, 0.1, 0.025])
            boards.append(board_ahead(right + e[0], up + e[1], 3 + e[2], e[3], name, float(rng.normal(0.0, tilt))))
        poses = target_pose(poses_of(*boards, cov=TIGHT), TWO, BOARDS, BODY_OF, "ahead")
        off = np.concatenate([poses["target"].transform.rotation.as_rotvec(), poses["target"].translation_mm - TARGET_MM])
        cov = lever @ poses.cov[-6:, -6:] @ lever.T
        scores.append(off @ np.linalg.solve(cov, off))
    # The lean about the upright is not drawn: five of six errors, and a few boards in a hundred fall to the contradiction test.
    assert np.mean(scores) == pytest.approx(5.0, abs=3.3 * math.sqrt(10 / 60))


def gap_of(second: Pose):
    return second_board_gap(poses_of(board_ahead(0, 0, 3), second), TWO, "stand-2", BOARDS, BODY_OF)


def test_second_board_where_it_was_typed_agrees():
    gap = gap_of(board_ahead(300, 20, 3, name="stand-2"))
    assert gap.gap.value == pytest.approx(np.zeros(6), abs=1e-9)
    assert gap.agrees
    assert gap.words == "stand board stand-2 stands where the stand file says"
    assert set(gap.gap.parts) == {"corners", "stand file"}


@pytest.mark.parametrize(
    ("right", "up", "behind", "turn", "tilt", "name", "value", "words"),
    [
        (304.0, 20, 3, 0, 0, "right_mm", 4.0, "4.0 mm .* farther right than"),
        (300, 14.0, 3, 0, 0, "up_mm", -6.0, "6.0 mm .* lower than"),
        (300, 20, 6.0, 0, 0, "behind_mm", 3.0, "3.0 mm .* nearer to you than"),
        (300, 20, 3, 1.0, 0, "turn_rad", math.radians(1.0), r"1.00° .* more counter-clockwise than"),
        (300, 20, 3, 0, 0.01, "lean_right_rad", 0.01, r"0.57° .* with its top leaning towards you"),
    ],
)
def test_second_board_elsewhere_is_said(right, up, behind, turn, tilt, name, value, words):
    gap = gap_of(board_ahead(right, up, behind, turn, "stand-2", tilt))
    expected = {n: value if n == name else 0.0 for n in gap.gap.names}
    assert dict(zip(gap.gap.names, gap.gap.value, strict=True)) == pytest.approx(expected, abs=1e-9)
    assert not gap.agrees
    assert gap.probability < 0.01
    assert re.search(words, gap.words), gap.words


@pytest.mark.slow
def test_chi_square_of_typed_errors_has_the_spread_it_claims():
    """Both boards mounted with errors of the typed σ: 6 degrees of freedom, mean 6."""
    rng = np.random.default_rng(8)
    tight = np.diag(np.tile([1e-7**2] * 3 + [1e-4**2] * 3, 2))
    values = []
    for _ in range(60):
        a, b = (rng.normal(size=4) * np.array([0.25, 0.25, 0.1, 0.025]) for _ in range(2))
        first = board_ahead(a[0], a[1], 3 + a[2], a[3])
        second = board_ahead(300 + b[0], 20 + b[1], 3 + b[2], b[3], "stand-2")
        flat = replace(TWO, boards=tuple(replace(entry, parallel_pm_rad=math.radians(0.001)) for entry in TWO.boards))
        values.append(second_board_gap(poses_of(first, second, cov=tight), flat, "stand-2", BOARDS, BODY_OF).chi_square)
    # Four of the six typed errors are drawn; the two leans stay zero, so the mean is 4.
    assert np.mean(values) == pytest.approx(4.0, abs=3.3 * math.sqrt(8 / 60))


def test_only_further_boards_that_were_seen_are_compared():
    poses = poses_of(board_ahead(0, 0, 3))
    assert second_board_gaps(poses, TWO, BOARDS, {"stand-1": BODY_OF["stand-1"]}) == ()
    both = poses_of(board_ahead(0, 0, 3), board_ahead(300, 20, 3, name="stand-2"))
    assert [gap.board for gap in second_board_gaps(both, TWO, BOARDS, BODY_OF)] == ["stand-2"]
