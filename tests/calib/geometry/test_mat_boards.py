"""Marks of a mat by the boards on it: hand-worked levers, the stated covariance against drawn mats, contradictions."""

from __future__ import annotations

import math

import numpy as np
import pytest

from calib.geometry.lines import FLOOR
from calib.geometry.mat_boards import with_mat_marks
from calib.geometry.mat_model import MAT_FILE, MAT_SHAPE
from calib.paper.mat import Mat, MatBoard, MatMark
from vision.boards_io import starter_boards
from vision.errors import MeasurementError
from vision.frames import Pose
from vision.poses import PoseSet

BOARDS = starter_boards("a4")
SIGMA_RAD, SIGMA_MM = 2e-4, 0.3
DOWN = np.diag([1.0, -1.0, -1.0])
"""A board that lies face up, its x axis along the floor's."""


def turned(angle_rad: float) -> np.ndarray:
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def lying(board: str, x_mm: float, y_mm: float, turn_rad: float, height_mm: float = 4.0) -> Pose:
    """A board with its centre mark over this place of the floor."""
    rotation = turned(turn_rad) @ DOWN
    return Pose.from_rt("survey", board, rotation, np.array([x_mm, y_mm, height_mm]) - rotation @ BOARDS[board].centre_mm)


def seen(*poses: Pose, exact: bool = False) -> PoseSet:
    """The floor, known exactly, and boards or touched points as the network knows them."""
    sigma = np.concatenate([np.zeros(6), np.tile([SIGMA_RAD] * 3 + [SIGMA_MM] * 3, len(poses))])
    cov = np.diag((0.0 if exact else 1.0) * sigma**2)
    floor = Pose.from_rt("survey", FLOOR, np.eye(3), np.zeros(3))
    return PoseSet((floor, *poses), cov, {"corners": cov})


def marks_of(poses: PoseSet, mat: Mat, boards, touched=None):
    fit = with_mat_marks(poses, mat, BOARDS, {name: name for name in boards}, touched or {})
    names = [f"mark:{mark.name}" for mark in mat.marks]
    places = fit.poses.of(names).propagate(
        [f"{name}_{axis}" for name in names for axis in "xy"],
        lambda state: np.concatenate([state[name].translation_mm[:2] for name in names]),
    )
    return fit, places


def test_a_mark_a_metre_beside_one_board_by_hand():
    """Across: the board's turn over a metre; along: the stretch; both: the places of board and mark; the wave along only."""
    mat = Mat((MatMark("a", 1000.0, 0.0, 0.8),), (MatBoard("body-1", 0.0, 0.0, 0.0, 0.6, math.radians(0.1)),), 0.002, 30.0)
    fit, places = marks_of(seen(lying("body-1", 500.0, 200.0, math.pi / 2), exact=True), mat, ["body-1"])
    assert places.value == pytest.approx([500.0, 1200.0], abs=1e-6)
    assert (fit.redundancy, fit.gaps) == (0, ())
    typed, shape = places.parts[MAT_FILE], places.parts[MAT_SHAPE]
    # The mat lies turned by a quarter: along its x is the floor's y.
    assert typed[1, 1] == pytest.approx(0.4**2 + 0.3**2, rel=1e-6)
    assert typed[0, 0] == pytest.approx(0.4**2 + 0.3**2 + (1000.0 * math.radians(0.05)) ** 2, rel=1e-6)
    # Half-widths: 0.2 % of a metre, and 8 f² / (3 L) of the wave.
    assert shape[1, 1] == pytest.approx(1.0**2 + (8 * 30.0**2 / (3 * 1000.0) / 2) ** 2, rel=1e-6)
    assert shape[0, 0] == pytest.approx(0.0, abs=1e-9)


MAT = Mat(
    (MatMark("a", -700.0, 100.0, 1.0), MatMark("b", 900.0, 250.0, 1.0), MatMark("c", 100.0, -600.0, 1.0)),
    (MatBoard("body-1", -200.0, 0.0, 0.3, 0.8, 4e-3), MatBoard("body-2", 400.0, 60.0, -1.0, 0.8, 4e-3)),
    0.004,
    0.0,
)
AT, TURN = np.array([300.0, -250.0]), 0.7


def drawn(rng: np.random.Generator) -> tuple[PoseSet, np.ndarray, Pose]:
    """What is seen of a mat whose file errs and that is stretched: its boards, its true marks, and mark a touched."""
    stretch = 1.0 + rng.normal(0.0, MAT.stretch_pm / 2)

    def place(x: float, y: float, pm_mm: float) -> np.ndarray:
        return AT + turned(TURN)[:2, :2] @ (stretch * np.array([x, y]) + rng.normal(0.0, pm_mm / 2, 2))

    poses = []
    for board in MAT.boards:
        turn = TURN + board.turn_rad + rng.normal(0.0, board.turn_pm_rad / 2)
        poses.append(lying(board.board, *place(board.x_mm, board.y_mm, board.pm_mm), turn))
    marks = np.array([place(mark.x_mm, mark.y_mm, mark.pm_mm) for mark in MAT.marks])
    touched = Pose.from_rt("survey", "point:a", np.eye(3), np.array([*marks[0], 1.0]))
    exact = seen(*poses, touched)
    noise = rng.normal(size=len(exact.cov)) * np.sqrt(np.diag(exact.cov))
    return exact.perturbed(noise), marks.ravel(), touched


@pytest.mark.slow
@pytest.mark.parametrize("touched", [{}, {"a": (("point:a", 1.0),)}])
def test_the_stated_covariance_of_all_marks_is_that_of_drawn_mats(touched):
    rng = np.random.default_rng(5)
    scores, left, runs = [], [], 60
    for _ in range(runs):
        poses, true, _ = drawn(rng)
        fit, places = marks_of(poses, MAT, ["body-1", "body-2"], touched)
        gap = places.value - true
        scores.append(gap @ np.linalg.solve(places.cov, gap))
        left.append(fit.gaps[0].chi_square)
    # Chi-square of six, and of the three of one board against all others: mean within 3 σ of the mean of 60.
    assert np.mean(scores) == pytest.approx(6.0, abs=3 * math.sqrt(12 / runs))
    assert np.mean(left) == pytest.approx(3.0, abs=3 * math.sqrt(6 / runs))


def test_a_touched_mark_makes_its_neighbours_surer():
    poses, *_ = drawn(np.random.default_rng(6))
    alone = marks_of(poses, MAT, ["body-1", "body-2"])[1]
    with_a = marks_of(poses, MAT, ["body-1", "body-2"], {"a": (("point:a", 1.0),)})[1]
    assert all(np.diag(with_a.cov) <= np.diag(alone.cov) + 1e-12)
    assert with_a.sigma("mark:a_x") < 0.7 * alone.sigma("mark:a_x")


def test_a_mat_in_another_place_gives_the_same_marks_on_it():
    one, two = (lying("body-1", 0.0, 0.0, 0.3), lying("body-1", 900.0, -40.0, 0.3 + 2.9))
    here, there = (marks_of(seen(pose), MAT, ["body-1"])[1] for pose in (one, two))
    back = np.kron(np.eye(3), turned(2.9)[:2, :2])
    assert there.value - np.tile([900.0, -40.0], 3) == pytest.approx(back @ here.value, abs=1e-6)


@pytest.mark.parametrize(
    ("pose", "words"),
    [
        (lying("body-2", 400.0, 60.0, -1.0, height_mm=300.0), r"body-2 does not lie on a mat .* 300 mm above the floor"),
        (Pose.from_rt("survey", "body-2", turned(0.0), np.zeros(3)), r"its face leans by 180\.0°"),
    ],
)
def test_a_board_that_is_not_on_the_floor_is_refused(pose, words):
    with pytest.raises(MeasurementError, match=words):
        marks_of(seen(lying("body-1", -200.0, 0.0, 0.3), pose), MAT, ["body-1", "body-2"])


def test_what_contradicts_the_others_is_named_with_its_size():
    board_one, board_two = lying("body-1", -200.0, 0.0, 0.3), lying("body-2", 400.0, 60.0, -1.0)
    touched = {name: ((f"point:{name}", 1.0),) for name in "ab"}
    a = Pose.from_rt("survey", "point:a", np.eye(3), np.array([-700.0, 100.0, 0.0]))
    b = Pose.from_rt("survey", "point:b", np.eye(3), np.array([900.0, 250.0 + 20.0, 0.0]))
    with pytest.raises(
        MeasurementError, match=r"contradict each other: touched mark b lies (19|20)\.\d mm \(U \d\.\d mm\)"
    ) as caught:
        marks_of(seen(board_one, board_two, a, b), MAT, ["body-1", "body-2"], touched)
    assert "--forget" in caught.value.hint


def test_a_mat_none_of_whose_boards_was_found_is_refused():
    """Photos may show a board with too few corners to be found."""
    with pytest.raises(MeasurementError, match=r"no board of the mat was found in the photos .*body-1"):
        marks_of(seen(lying("body-1", 500.0, 200.0, 0.0)), MAT, [])
