import math

import numpy as np
import pytest

from calib.geometry.vehicle import vehicle_figures
from tests.support.car import POINTS_MM, as_set, car, moved
from vision.errors import MeasurementError
from vision.frames import Pose

# published-checks.json, axle_example (computed from the definitions of ISO 8855:2011, toe-in positive)
AXLE_POINTS_MM = {
    "front_left": (2702.0, 770.0, 310.0),
    "front_right": (2690.0, -766.0, 310.0),
    "rear_left": (4.0, 756.0, 310.0),
    "rear_right": (-4.0, -760.0, 310.0),
}
AXLE_YAW_DEG = {"rear_left": -0.05, "rear_right": 0.25, "front_left": -0.12, "front_right": 0.02}
AXLE_FIGURES = {
    "centreline_direction": 0.0850085,
    "rear_toe_left": 0.1350085,
    "rear_toe_right": 0.1649915,
    "rear_total_toe": 0.3,
    "thrust_angle": 0.0149915,
    "thrust_direction": 0.1,
    "front_toe_left": 0.2050085,  # −(−0.12 − 0.0850085), by the same definition as the rear ones
    "front_toe_right": -0.0650085,
    "front_toe_left_to_thrust": 0.22,
    "front_toe_right_to_thrust": -0.08,
    "front_direction_to_thrust": -0.15,
    "front_total_toe": 0.14,
    "wheelbase_left": 2698.0178,
    "wheelbase_right": 2693.9881,
    "track_front": 1536.0469,
    "track_rear": 1516.0211,
    "diagonal_front_left_rear_right": 3108.5907,
    "diagonal_front_right_rear_left": 3087.2447,
    "diagonal_difference": 21.3460,
    "wheelbase_difference": 4.0297,
    "setback_front": 14.2789,
}


def axle_example():
    return car(AXLE_YAW_DEG, points_mm=AXLE_POINTS_MM)


@pytest.mark.parametrize("name", AXLE_FIGURES)
def test_published_axle_example(name):
    figure = vehicle_figures(as_set(axle_example()), POINTS_MM)[name]
    assert figure.value == pytest.approx(AXLE_FIGURES[name], abs=1e-6 if figure.unit == "deg" else 1e-4)


def test_rear_setback_is_the_published_angle_over_the_track():
    # axle_example: rear_setback_deg −0.3873581 is the yaw of the axle's normal from the centreline
    table = vehicle_figures(as_set(axle_example()), POINTS_MM)
    angle_deg = -math.degrees(math.asin(table["setback_rear"].value / table["track_rear"].value))
    assert angle_deg == pytest.approx(-0.3873581, abs=1e-6)


def test_midpoints_are_in_the_floor_frame():
    table = vehicle_figures(as_set(axle_example()), POINTS_MM)
    found = [table[f"{end}_midpoint_{axis}"].value for end in ("rear", "front") for axis in "xyz"]
    assert found == pytest.approx([0.0, -2.0, 310.0, 2696.0, 2.0, 310.0], abs=1e-9)


def test_camber_is_positive_when_the_top_leans_outward():
    camber_deg = {"rear_left": -1.2, "rear_right": -0.8, "front_left": 0.4, "front_right": 0.1}
    table = vehicle_figures(as_set(car(camber_deg=camber_deg)))
    for wheel, value in camber_deg.items():
        assert table[f"camber_{wheel}"].value == pytest.approx(value, abs=1e-9)


def test_without_standoffs_the_rear_toes_refer_to_the_thrust_line_and_say_so():
    table = vehicle_figures(as_set(axle_example()))
    assert table["rear_toe_left"].value == pytest.approx(0.15, abs=1e-6)
    assert table["rear_toe_right"].value == pytest.approx(0.15, abs=1e-6)
    assert "to the thrust line" in table["rear_toe_left"].note
    assert table["rear_total_toe"].value == pytest.approx(0.3, abs=1e-6)
    assert table["thrust_direction"].value == pytest.approx(0.1, abs=1e-6)
    reasons = {missing.name: missing.reason for missing in table.missing}
    assert reasons["thrust_angle"].startswith(
        "not measured: stand-off missing (rear left, rear right, front left, front right)"
    )
    assert {"centreline_direction", "rear_midpoint_x", "front_midpoint_y", "track_rear", "wheelbase_left"} <= set(reasons)
    with pytest.raises(KeyError, match="thrust_angle"):
        table["thrust_angle"]


def test_one_missing_standoff_is_named_and_costs_only_what_needs_it():
    table = vehicle_figures(as_set(axle_example()), set(POINTS_MM) - {"front_right"})
    reasons = {missing.name: missing.reason for missing in table.missing}
    assert reasons["thrust_angle"] == "not measured: stand-off missing (front right)"
    assert reasons["front_midpoint_x"] == "not measured: stand-off missing (front right)"
    assert table["rear_midpoint_y"].value == pytest.approx(-2.0)
    assert table["track_rear"].value == pytest.approx(1516.0211, abs=1e-4)
    assert "to the thrust line" in table["rear_toe_left"].note


def test_with_standoffs_the_rear_toes_refer_to_the_centreline_and_say_so():
    assert "to the centreline" in vehicle_figures(as_set(axle_example()), POINTS_MM)["rear_toe_left"].note


def test_rear_axle_alone():
    poses = {body: pose for body, pose in axle_example().items() if "front" not in body}
    table = vehicle_figures(as_set(poses), ("rear_left", "rear_right"))
    assert table["thrust_direction"].value == pytest.approx(0.1, abs=1e-6)
    reasons = {missing.name: missing.reason for missing in table.missing}
    assert reasons["front_toe_left"] == "not measured: no spin axis of the front left wheel"
    assert reasons["thrust_angle"] == "not measured: no spin axis of the front left, front right wheel"


def test_no_rear_axle_no_table():
    poses = {body: pose for body, pose in axle_example().items() if "rear_left" not in body}
    with pytest.raises(MeasurementError, match="thrust direction is not measured: no spin axis of wheel rear left"):
        vehicle_figures(as_set(poses))


def test_uncertainty_is_expanded_and_follows_from_the_axes():
    figure = vehicle_figures(as_set(axle_example()), POINTS_MM)["rear_total_toe"]
    # 0.005° on each axis, independent, k = 2; the floor's tilt enters only through the camber, which is nil
    assert figure.u == pytest.approx(2 * 0.005 * math.sqrt(2), rel=1e-3)


def test_thrust_angle_feels_one_wheel_moved_along_its_axis_as_predicted():
    # 1 mm (k = 1) on every wheel by itself: √½ mm at R and √½ mm at F, over 2.7 m
    poses = axle_example()
    cov = np.zeros((30, 30))
    for i in range(1, 5):
        cov[6 * i + 4, 6 * i + 4] = 1.0
    table = vehicle_figures(as_set(poses, cov), POINTS_MM)
    assert table["thrust_angle"].u / 2 == pytest.approx(math.degrees(1.0 / 2696.0), rel=1e-3)
    assert table["thrust_direction"].u == pytest.approx(0.0, abs=1e-9)


def test_figures_stay_in_any_frame():
    carry = Pose.from_rt("survey", "survey", [0.5, -1.0, 2.0], [4000.0, -500.0, 800.0])
    here = vehicle_figures(as_set(axle_example(), np.zeros((30, 30))), POINTS_MM)
    there = vehicle_figures(as_set(moved(axle_example(), carry), np.zeros((30, 30))), POINTS_MM)
    for a, b in zip(here.figures, there.figures, strict=True):
        assert (a.name, a.value) == (b.name, pytest.approx(b.value, abs=1e-8))


def test_figures_and_estimate_tell_the_same():
    table = vehicle_figures(as_set(axle_example()), POINTS_MM)
    assert len(table.figures) == len(table.estimate.names)
    for figure, name, value in zip(table.figures, table.estimate.names, table.estimate.value, strict=True):
        factor = math.degrees(1.0) if figure.unit == "deg" else 1.0
        assert name == f"{figure.name}_{'rad' if figure.unit == 'deg' else 'mm'}"
        assert figure.value == pytest.approx(factor * value)
        assert figure.u == pytest.approx(2 * factor * table.estimate.sigma(name))
