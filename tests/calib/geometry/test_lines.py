"""Lines of a car, against a worked axle example and by symmetry."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.geometry.lines import (
    FRONT,
    WHEELS,
    centreline_direction,
    check_sides,
    forward_yaws,
    line_frame,
    need_references,
    thrust_direction,
    up,
)
from tests.support.car import car, moved
from vision.errors import MeasurementError
from vision.frames import Pose

# Worked axle example computed from the definitions of ISO 8855:2011 (toe-in positive), to 1e-6 deg.
EXAMPLE_POINTS = {
    "front_left": (2702.0, 770.0, 310.0),
    "front_right": (2690.0, -766.0, 310.0),
    "rear_left": (4.0, 756.0, 310.0),
    "rear_right": (-4.0, -760.0, 310.0),
}
EXAMPLE_YAW_DEG = {"rear_left": -0.05, "rear_right": 0.25, "front_left": -0.12, "front_right": 0.02}


def yaw_deg(direction) -> float:
    return math.degrees(math.atan2(direction[1], direction[0]))


def test_axle_example_with_iso_8855_signs():
    poses = car(EXAMPLE_YAW_DEG, {"rear_left": -1.5, "rear_right": -1.2}, EXAMPLE_POINTS)
    centreline = centreline_direction(poses)
    assert yaw_deg(centreline) == pytest.approx(0.0850085, abs=1e-6)
    assert yaw_deg(thrust_direction(poses)) - yaw_deg(centreline) == pytest.approx(0.0149915, abs=1e-6)
    psi = {wheel: math.degrees(yaw) for wheel, yaw in forward_yaws(poses, WHEELS, centreline).items()}
    assert -psi["rear_left"] == pytest.approx(0.1350085, abs=1e-6)
    assert psi["rear_right"] == pytest.approx(0.1649915, abs=1e-6)
    to_thrust = {wheel: math.degrees(yaw) for wheel, yaw in forward_yaws(poses, FRONT, thrust_direction(poses)).items()}
    assert -to_thrust["front_left"] == pytest.approx(0.22, abs=1e-6)
    assert to_thrust["front_right"] == pytest.approx(-0.08, abs=1e-6)


def test_thrust_line_to_the_left_when_both_rear_wheels_point_left():
    poses = car({"rear_left": 0.2, "rear_right": 0.2})
    assert yaw_deg(thrust_direction(poses)) == pytest.approx(0.2, abs=1e-9)


def test_line_frame_is_right_handed_and_starts_at_the_rear_midpoint():
    frame = line_frame(car({"rear_left": 1.0, "rear_right": 0.0}), "thrust")
    assert np.linalg.det(frame.axes) == pytest.approx(1.0, abs=1e-12)
    np.testing.assert_allclose(frame.rear_mid_mm, [0.0, 0.0, 310.0], atol=1e-9)
    np.testing.assert_allclose(frame.axes[:, 2], [0.0, 0.0, 1.0], atol=1e-12)


angle = st.floats(-3.0, 3.0)


@given(left=angle, right=angle, camber=angle, turn=st.lists(st.floats(-2.0, 2.0), min_size=6, max_size=6))
def test_a_shifted_and_turned_bay_turns_the_line_with_it(left, right, camber, turn):
    poses = car({"rear_left": left, "rear_right": right}, {"rear_left": camber})
    new = Pose.from_rt("elsewhere", "survey", turn[:3], 1000.0 * np.array(turn[3:]))
    there = moved(poses, new)
    np.testing.assert_allclose(thrust_direction(there), new.rotation @ thrust_direction(poses), atol=1e-12)
    np.testing.assert_allclose(up(there), new.rotation[:, 2], atol=1e-12)


@given(left=angle, right=angle, camber=angle)
def test_a_mirrored_car_has_its_thrust_line_mirrored(left, right, camber):
    poses = car({"rear_left": left, "rear_right": right}, {"rear_left": camber})
    mirror = car({"rear_left": -right, "rear_right": -left}, {"rear_right": camber})
    assert yaw_deg(thrust_direction(mirror)) == pytest.approx(-yaw_deg(thrust_direction(poses)), abs=1e-9)


def test_missing_spin_axis_names_the_wheel():
    poses = car()
    del poses["axle:rear_right"]
    with pytest.raises(MeasurementError, match="no spin axis of wheel rear right"):
        thrust_direction(poses)


def test_missing_stand_off_is_said():
    with pytest.raises(MeasurementError, match=r"centreline is not measured: stand-off missing \(wheel front right\)"):
        need_references(WHEELS, ("rear_left", "rear_right", "front_left"), "centreline")


def test_upright_spin_axis_is_no_wheel():
    with pytest.raises(MeasurementError, match="wheel rear left is more than 45° off the floor"):
        thrust_direction(car(camber_deg={"rear_left": 60.0}))


@pytest.mark.parametrize(
    ("swap", "words"),
    [
        ({"rear_left": "rear_right", "rear_right": "rear_left"}, "wheel rear left lies to the right"),
        ({"front_left": "front_right", "front_right": "front_left"}, "wheel front left lies to the right"),
    ],
)
def test_exchanged_sides_are_refused(swap, words):
    points = {a: car()[f"axle:{b}"].translation_mm for a, b in swap.items()}
    with pytest.raises(MeasurementError, match=words):
        check_sides(car(points_mm=points))


def test_exchanged_axles_are_refused():
    points = {a: car()[f"axle:{a.replace('front', 'x').replace('rear', 'front').replace('x', 'rear')}"] for a in WHEELS}
    with pytest.raises(MeasurementError, match="front axle lies behind"):
        check_sides(car(points_mm={wheel: pose.translation_mm for wheel, pose in points.items()}))


def test_a_sound_car_passes_the_check_of_sides():
    check_sides(car())
