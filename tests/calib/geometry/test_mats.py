"""Mats: places of their marks worked by hand, and the move of the whole mat against a rigid move put in."""

from __future__ import annotations

import math

import numpy as np
import pytest

from calib.geometry.lines import WHEELS
from calib.geometry.mats import mat_move, mat_placement
from tests.support.car import as_set, car
from tests.support.mat_paper import PLACES, paper
from vision.errors import MeasurementError
from vision.frames import Pose


def bay(shift_mm=(0.0, 0.0), turn_rad=0.0, only=tuple(PLACES), stretch_mm=0.0):
    """The car and the mat's marks: front axle at x = 2700; the mat shifted and turned about the middle of its marks."""
    middle = np.mean(list(PLACES.values()), axis=0)
    c, s = math.cos(turn_rad), math.sin(turn_rad)
    poses = car()
    for name in only:
        arm = np.array(PLACES[name]) - middle
        x, y = middle + np.array([c * arm[0] - s * arm[1], s * arm[0] + c * arm[1]]) + shift_mm
        x += stretch_mm if name == "a" else 0.0
        poses[f"point:{name}"] = Pose.from_rt("survey", f"point:{name}", np.eye(3), [2700.0 + x, y, 1.0])
    return poses


def test_marks_are_measured_from_origin_and_line():
    found = mat_placement(as_set(bay((3.0, -2.0))), paper())
    assert found.measured.names == paper().names
    assert found.measured.value == pytest.approx([503.0, 1498.0, -1997.0, 1498.0, -1997.0, 2398.0], abs=1e-9)
    assert found.error.value == pytest.approx([3.0, -2.0] * 3, abs=1e-9)


def test_marks_that_scatter_on_their_own_know_the_middle_of_the_mat_better():
    poses = bay()
    bodies = list(poses)
    cov = np.zeros((6 * len(bodies), 6 * len(bodies)))
    for name in PLACES:
        row = 6 * bodies.index(f"point:{name}") + 3
        cov[row, row] = 0.4**2
    found = mat_placement(as_set(poses, cov), paper())
    assert found.error.sigma("a_ahead_mm") == pytest.approx(0.4, rel=1e-6)
    assert mat_move(found, paper()).error.sigma("ahead_mm") == pytest.approx(0.4 / math.sqrt(3), rel=1e-6)


def test_a_thrust_line_to_the_left_sees_the_marks_farther_right():
    turned = bay()
    turned |= {body: pose for body, pose in car({"rear_left": 0.1, "rear_right": 0.1}).items() if body != "floor"}
    error = mat_placement(as_set(turned), paper()).error
    # R at x = 0: mark a lies 3200 mm ahead of it, 1.745 mm for every metre; ahead it gains 1.5 m as far.
    assert error.value[error.index("a_left_mm")] == pytest.approx(-3.2 * 1.745, abs=0.01)
    assert error.value[error.index("a_ahead_mm")] == pytest.approx(1.5 * 1.745, abs=0.01)


@pytest.mark.parametrize("turn", [0.0, 0.002, -0.003])
def test_the_move_of_the_whole_mat_is_the_one_put_in(turn):
    move = mat_move(mat_placement(as_set(bay((4.0, -6.0), turn)), paper()), paper())
    assert move.error.value[:2] == pytest.approx([4.0, -6.0], abs=0.01)
    assert move.error.value[2] == pytest.approx(turn, abs=1e-5)
    assert move.misfit.value == pytest.approx(np.zeros(6), abs=0.01)  # second order of the turn


def test_a_stretched_mat_shows_as_misfit():
    move = mat_move(mat_placement(as_set(bay(stretch_mm=9.0)), paper()), paper())
    assert np.abs(move.misfit.value).max() == pytest.approx(6.0, abs=0.5)
    assert move.error.value[0] == pytest.approx(3.0, abs=1e-6)  # the mean of 9, 0 and 0


def test_what_all_marks_share_shifts_the_mat_and_does_not_turn_it():
    poses = bay()
    bodies = list(poses)
    cov = np.zeros((6 * len(bodies), 6 * len(bodies)))
    rows = [6 * bodies.index(f"point:{name}") + 4 for name in PLACES]
    cov[np.ix_(rows, rows)] = 0.5**2
    move = mat_move(mat_placement(as_set(poses, cov), paper()), paper())
    assert move.error.sigma("left_mm") == pytest.approx(0.5, rel=1e-6)
    assert move.error.sigma("turn_rad") == pytest.approx(0.0, abs=1e-9)


def test_what_is_missing_is_named():
    with pytest.raises(MeasurementError, match="mark c is not measured: point c, which it is made of, was not touched"):
        mat_placement(as_set(bay(only=("a", "b"))), paper())
    with pytest.raises(MeasurementError, match=r"the mat's place is not measured: stand-off missing \(wheel front left"):
        mat_placement(as_set(bay()), paper(), ("rear_left", "rear_right", "front_right"))
    poses = {body: pose for body, pose in bay().items() if body != "axle:rear_left"}
    with pytest.raises(MeasurementError, match="the mat's place is not measured: no spin axis of wheel rear left"):
        mat_placement(as_set(poses), paper(), WHEELS)
