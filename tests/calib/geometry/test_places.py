"""Lines through two touched points, origins between points, and marks on the floor: places and covariances worked by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from calib.geometry.lines import WHEELS
from calib.geometry.placement import figures_of, not_measured, placement
from calib.geometry.places import with_board_marks
from calib.paper.placements import Middle
from tests.support.car import as_set, car
from tests.support.sheets import sheet
from vision.boards_io import starter_boards
from vision.frames import Pose

A, B = "point:a", "point:b"


def point(name, place_mm) -> Pose:
    return Pose.from_rt("survey", name, np.eye(3), place_mm)


def bay(a_mm=(3000.0, 100.0, 0.0), b_mm=(5000.0, 100.0, 0.0), centre_mm=(4500.0, 130.0, 1200.0)) -> dict[str, Pose]:
    return car() | {A: point(A, a_mm), B: point(B, b_mm), "target": point("target", centre_mm)}


LINE = replace(sheet(origin=A), line=(A, B))


def test_a_line_through_two_points_runs_through_them_and_needs_no_wheel():
    figures = figures_of(bay(), LINE)
    assert figures["distance_mm"] == pytest.approx(1500.0, abs=1e-9)
    assert figures["lateral_mm"] == pytest.approx(30.0, abs=1e-9)  # from the line, not from the car's middle
    assert not_measured(bay(), LINE, ()) == {}
    assert not_measured({body: pose for body, pose in bay().items() if not body.startswith("axle:")}, LINE, ()) == {}


def test_a_line_that_turns_to_the_left_sees_the_target_turned_to_the_right():
    turn = math.radians(2.0)
    ahead = np.array([math.cos(turn), math.sin(turn), 0.0])
    poses = bay(b_mm=np.array([3000.0, 100.0, 0.0]) + 2000.0 * ahead + [0.0, 0.0, 450.0])
    figures = figures_of(poses, LINE)  # the second point is higher: the line is projected along up
    assert math.degrees(figures["yaw_rad"]) == pytest.approx(-2.0, abs=1e-9)
    assert figures["lateral_mm"] == pytest.approx(30.0 * math.cos(turn) - 1500.0 * math.sin(turn), abs=1e-9)


def covariance(poses, along_mm=0.0, across_mm=0.0, common_mm=0.0):
    """Points a and b scatter by so much on their own, and together across the line by `common_mm`."""
    bodies = list(poses)
    cov = np.zeros((6 * len(bodies), 6 * len(bodies)))
    rows = [6 * bodies.index(body) + 4 for body in (A, B)]
    for row in rows:
        cov[row - 1, row - 1] += along_mm**2
        cov[row, row] += across_mm**2
    cov[np.ix_(rows, rows)] += common_mm**2
    return as_set(poses, cov)


def test_its_uncertainty_is_that_of_both_points_together():
    poses = bay()
    error = placement(covariance(poses, across_mm=0.6), LINE).measured
    # Yaw: the difference of two points over 2000 mm. Lateral at 1500 mm: a quarter of a, three quarters of b.
    assert error.sigma("yaw_rad") == pytest.approx(math.sqrt(2) * 0.6 / 2000.0, rel=1e-5)
    assert error.sigma("lateral_mm") == pytest.approx(0.6 * math.hypot(0.25, 0.75), rel=1e-5)
    common = placement(covariance(poses, common_mm=0.6), LINE).measured
    assert common.sigma("yaw_rad") == pytest.approx(0.0, abs=1e-9)
    assert common.sigma("lateral_mm") == pytest.approx(0.6, rel=1e-5)


def test_an_origin_between_two_points_has_their_mean_and_half_their_variance():
    middle = replace(LINE, origin="point:middle", middles=(Middle("middle", ((A, 0.5), (B, 0.5))),))
    poses = bay()
    found = placement(covariance(poses, along_mm=0.6), middle).measured
    assert found.value[found.index("distance_mm")] == pytest.approx(500.0, abs=1e-9)
    assert found.sigma("distance_mm") == pytest.approx(0.6 / math.sqrt(2), rel=1e-5)
    assert middle.used_places == (A, B)


def test_a_floor_mark_is_the_centre_of_a_floor_board_where_it_was_surveyed():
    board = starter_boards("a4")["floor-13"]
    turned = Pose.from_rt("survey", "floor-13", [0.0, 0.0, 1.0], [3100.0, -40.0, 3.0])
    poses = as_set({**car(), "floor-13": turned, "target": point("target", (4500.0, 0.0, 1200.0))})
    paper = sheet(origin="board:floor-13")
    boards = starter_boards("a4")
    reason = not_measured(
        with_board_marks(poses.of([b for b in poses.bodies if b != "floor-13"]), paper, boards), paper, WHEELS
    )
    assert "the centre of floor board floor-13, is not in the survey" in reason["distance_mm"].what
    found = placement(with_board_marks(poses, paper, boards), paper).measured
    x = 3100.0 + board.centre_mm[0] * math.cos(1.0) - board.centre_mm[1] * math.sin(1.0)
    assert found.value[found.index("distance_mm")] == pytest.approx(4500.0 - x, abs=1e-9)
    assert found.sigma("distance_mm") > math.hypot(0.05, 0.05)  # the board's turn comes in over its centre


@pytest.mark.parametrize(
    ("a_mm", "b_mm", "complaint"),
    [
        ((3000.0, 0.0, 0.0), (3030.0, 40.0, 900.0), "from point:a to point:b is 50 mm long seen from above"),
        ((5000.0, 0.0, 0.0), (3000.0, 0.0, 0.0), "runs 180° off the car's forward direction"),
        ((3000.0, -700.0, 0.0), (3000.0, 700.0, 0.0), "runs 90° off the car's forward direction"),
    ],
)
def test_places_that_make_no_line_along_the_car_are_refused(a_mm, b_mm, complaint):
    reasons = not_measured(bay(a_mm, b_mm), LINE, WHEELS)
    assert set(reasons) == {"distance_mm", "lateral_mm", "yaw_rad", "pitch_rad", "roll_rad"}
    assert all(complaint in reason.what and reason.hint for reason in reasons.values())


def test_a_point_that_was_not_touched_is_named_for_every_figure_it_makes():
    poses = bay()
    del poses[B]
    reasons = not_measured(poses, LINE, WHEELS)
    assert reasons["yaw_rad"].what == "yaw is not measured: point b, which it is made of, was not touched"
    assert "height_mm" not in reasons
