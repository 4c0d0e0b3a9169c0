"""Placement figures: signs worked by hand, symmetry, covariance worked by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.geometry.lines import WHEELS
from calib.geometry.placement import errors_of, euler, figures_of, from_euler, not_measured, placement
from calib.paper.sheet import FIGURES
from tests.support.car import as_set, car, moved
from tests.support.sheets import sheet
from vision.errors import MeasurementError
from vision.frames import Pose

MIRROR = np.diag([1.0, -1.0, 1.0])


def target(centre_mm, rotation=None) -> Pose:
    return Pose.from_rt("survey", "target", np.eye(3) if rotation is None else rotation, centre_mm)


def measured(poses, paper, **options) -> dict[str, float]:
    estimate = placement(as_set(poses), paper, **options).measured
    return dict(zip(estimate.names, estimate.value, strict=True))


def errors(poses, paper) -> dict[str, float]:
    estimate = placement(as_set(poses), paper).error
    return dict(zip(estimate.names, estimate.value, strict=True))


def test_straight_car_and_target_ahead():
    poses = car() | {"target": target([4205.0, 12.0, 1203.0])}
    figures = measured(poses, sheet())
    # Front axle at x = 2700: 4205 − 2700 = 1505 mm ahead, 12 mm to the car's left, 1203 mm up.
    expected = {"distance_mm": 1505.0, "lateral_mm": 12.0, "height_mm": 1203.0, "yaw_rad": 0, "pitch_rad": 0, "roll_rad": 0}
    assert figures == pytest.approx(expected, abs=1e-9)
    assert errors(poses, sheet()) == pytest.approx(
        {"distance_mm": 5.0, "lateral_mm": 12.0, "height_mm": 3.0, "yaw_rad": 0, "pitch_rad": 0, "roll_rad": 0}, abs=1e-9
    )


@pytest.mark.parametrize(
    ("origin", "distance_mm"),
    [("front-axle", 1500.0), ("rear-axle", 4200.0), ("front-left", 1490.0), ("rear-right", 4195.0)],
)
def test_distance_starts_at_the_origin_the_sheet_names(origin, distance_mm):
    points = {"front_left": (2710.0, 760.0, 310.0), "front_right": (2690.0, -760.0, 310.0)}
    points |= {"rear_left": (-5.0, 750.0, 310.0), "rear_right": (5.0, -750.0, 310.0)}
    poses = car(points_mm=points) | {"target": target([4200.0, 0.0, 1200.0])}
    assert measured(poses, sheet(origin=origin))["distance_mm"] == pytest.approx(distance_mm, abs=1e-9)


def test_a_touched_point_is_an_origin_that_needs_no_stand_off():
    poses = car() | {
        "target": target([4205.0, 0.0, 1200.0]),
        "point:bumper": Pose.from_rt("survey", "point:bumper", np.eye(3), [3400.0, 80.0, 500.0]),
    }
    paper = sheet(origin="point:bumper")
    assert measured(poses, paper)["distance_mm"] == pytest.approx(805.0, abs=1e-9)
    # thrust line to the left by 1°: projected on that line
    turned = poses | {body: pose for body, pose in car({"rear_left": 1.0, "rear_right": 1.0}).items() if body != "floor"}
    along = 805.0 * math.cos(math.radians(1.0)) - 80.0 * math.sin(math.radians(1.0))
    assert measured(turned, paper)["distance_mm"] == pytest.approx(along, abs=1e-6)
    assert "distance_mm" not in not_measured(poses, paper, ())
    reason = not_measured({body: pose for body, pose in poses.items() if body != "point:bumper"}, paper, WHEELS)["distance_mm"]
    assert reason.what == "distance is not measured: point bumper, which it is made of, was not touched"
    assert "bayfix touch JOB bumper" in reason.hint


def test_behind_the_car_the_distance_is_negative_inside():
    poses = car() | {"target": target([-1507.0, 0.0, 1200.0])}
    paper = sheet(side="behind", origin="rear-axle", distance=-1500.0)
    assert measured(poses, paper)["distance_mm"] == pytest.approx(-1507.0, abs=1e-9)
    assert errors(poses, paper)["distance_mm"] == pytest.approx(-7.0, abs=1e-9)


def test_thrust_line_to_the_left_puts_a_target_on_the_centreline_to_its_right():
    # 0.1° is 1.745 mm for every metre ahead of R.
    poses = car({"rear_left": 0.1, "rear_right": 0.1}) | {"target": target([4200.0, 0.0, 1200.0])}
    figures = measured(poses, sheet())
    assert figures["lateral_mm"] == pytest.approx(-4.2 * 1.745, abs=2e-3)
    assert math.degrees(figures["yaw_rad"]) == pytest.approx(-0.1, abs=1e-9)
    on_centreline = measured(poses, sheet(line="centreline"))
    assert on_centreline["lateral_mm"] == pytest.approx(0.0, abs=1e-9)
    assert on_centreline["yaw_rad"] == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    ("x_axis", "y_axis", "figure"),
    [
        # counter-clockwise seen from above: the target's x swings to the car's left
        ([math.cos(0.01), math.sin(0.01), 0.0], [-math.sin(0.01), math.cos(0.01), 0.0], "yaw_rad"),
        # top leans towards +x: the target's x dips
        ([math.cos(0.01), 0.0, -math.sin(0.01)], [0.0, 1.0, 0.0], "pitch_rad"),
        # the side on the car's left is lifted: the target's y rises
        ([1.0, 0.0, 0.0], [0.0, math.cos(0.01), math.sin(0.01)], "roll_rad"),
    ],
)
def test_sign_of_each_angle(x_axis, y_axis, figure):
    rotation = np.column_stack([x_axis, y_axis, np.cross(x_axis, y_axis)])
    figures = measured(car() | {"target": target([4200.0, 0.0, 1200.0], rotation)}, sheet())
    angles = {name: figures[name] for name in FIGURES[3:]}
    assert angles == pytest.approx({name: 0.01 if name == figure else 0.0 for name in angles}, abs=1e-12)


def test_sloping_floor_height_is_along_its_normal():
    slope = Pose.from_rt("survey", "level", [0.0, math.radians(1.0), 0.0], [10.0, 20.0, 30.0])
    level = {body: Pose("level", body, pose.transform) for body, pose in car().items()}
    level["target"] = Pose.from_rt("level", "target", np.eye(3), [4200.0, 5.0, 1200.0])
    poses = {body: slope @ pose for body, pose in level.items()}
    assert measured(poses, sheet()) == pytest.approx(
        {"distance_mm": 1500.0, "lateral_mm": 5.0, "height_mm": 1200.0, "yaw_rad": 0, "pitch_rad": 0, "roll_rad": 0}, abs=1e-9
    )


small = st.floats(-0.3, 0.3)
shift = st.floats(-500.0, 500.0)


@settings(max_examples=25, deadline=None)
@given(
    turn=st.lists(st.floats(-2.0, 2.0), min_size=6, max_size=6), angles=st.tuples(small, small, small), lateral=shift, toe=small
)
def test_shifting_and_turning_the_whole_bay_changes_no_figure(turn, angles, lateral, toe):
    poses = car({"rear_left": toe, "rear_right": -2 * toe}) | {"target": target([4200.0, lateral, 1200.0], from_euler(*angles))}
    new = Pose.from_rt("elsewhere", "survey", turn[:3], 1000.0 * np.array(turn[3:]))
    for line in ("thrust", "centreline"):
        here, there = figures_of(poses, sheet(line=line)), figures_of(moved(poses, new), sheet(line=line))
        assert there == pytest.approx(here, abs=1e-8)


@settings(max_examples=25, deadline=None)
@given(angles=st.tuples(small, small, small), lateral=shift, left=small, right=small)
def test_mirroring_the_bay_flips_lateral_yaw_and_roll(angles, lateral, left, right):
    rotation = from_euler(*angles)
    poses = car({"rear_left": left, "rear_right": right}) | {"target": target([4200.0, lateral, 1200.0], rotation)}
    mirrored = car({"rear_left": -right, "rear_right": -left}) | {
        "target": target([4200.0, -lateral, 1200.0], MIRROR @ rotation @ MIRROR)
    }
    here, there = figures_of(poses, sheet()), figures_of(mirrored, sheet())
    flips = {"lateral_mm": -1, "yaw_rad": -1, "roll_rad": -1}
    assert there == pytest.approx({name: flips.get(name, 1) * value for name, value in here.items()}, abs=1e-8)


@given(angles=st.tuples(st.floats(-3.1, 3.1), st.floats(-1.4, 1.4), st.floats(-3.1, 3.1)))
def test_angles_come_back_from_their_matrix(angles):
    assert euler(from_euler(*angles)) == pytest.approx(angles, abs=1e-9)


def test_angle_errors_are_those_of_required_from_measured():
    required = [math.radians(a) for a in (30.0, 10.0, 5.0)]
    turn = (0.004, -0.003, 0.002)
    values = euler(from_euler(*required) @ from_euler(*turn))
    paper = sheet(yaw=30.0, pitch=10.0, roll=5.0)
    got = errors_of(dict(zip(FIGURES[3:], values, strict=True)), paper)
    assert [got[name] for name in FIGURES[3:]] == pytest.approx(turn, abs=1e-12)


def test_a_free_yaw_does_not_leak_into_the_pitch_error():
    values = dict(zip(FIGURES[3:], (0.5, math.radians(10.0) + 0.003, 0.0), strict=True))
    got = errors_of(values, sheet(names=("pitch_rad", "roll_rad"), pitch=10.0))
    assert got == pytest.approx({"pitch_rad": 0.003, "roll_rad": 0.0}, abs=1e-12)


def test_lateral_and_yaw_share_the_error_of_the_thrust_line():
    """Rear spin axes turned about up by σ = 0.01° each: thrust yaw σ/√2, lateral 4200 mm times that, fully correlated."""
    poses = car() | {"target": target([4200.0, 0.0, 1200.0])}
    cov = np.zeros((6 * len(poses), 6 * len(poses)))
    for i, body in enumerate(poses):
        if body.startswith("axle:rear"):
            cov[6 * i + 2, 6 * i + 2] = math.radians(0.01) ** 2
    got = placement(as_set(poses, cov), sheet()).error
    yaw = math.radians(0.01) / math.sqrt(2)
    assert got.sigma("yaw_rad") == pytest.approx(yaw, rel=1e-6)
    assert got.sigma("lateral_mm") == pytest.approx(4200.0 * yaw, rel=1e-6)
    i, j = got.index("lateral_mm"), got.index("yaw_rad")
    assert got.cov[i, j] / (4200.0 * yaw**2) == pytest.approx(1.0, abs=1e-6)
    assert got.parts["corners"] == pytest.approx(got.cov)


def test_covariance_agrees_with_sampling():
    rng = np.random.default_rng(5)
    rotation = from_euler(0.1, 0.05, -0.03)
    poses = as_set(car({"rear_left": 0.2}) | {"target": target([4200.0, 100.0, 1200.0], rotation)})
    root = rng.normal(size=(len(poses.cov), len(poses.cov))) * np.sqrt(np.diag(poses.cov))[:, None] / 6
    poses = as_set({pose.source: pose for pose in poses}, root @ root.T)
    paper = sheet(line="centreline")
    predicted = placement(poses, paper).error
    states = (poses.perturbed(root @ rng.normal(size=len(root))) for _ in range(400))
    samples = [list(errors_of(figures_of(state, paper), paper).values()) for state in states]
    ratio = np.std(samples, axis=0, ddof=1) / np.sqrt(np.diag(predicted.cov))
    assert np.all(np.abs(ratio - 1) < 3.3 / math.sqrt(2 * 400)), ratio  # 3.3 sigma of the sampling error, six figures


def test_without_stand_offs_height_and_angles_to_the_thrust_line_remain():
    poses = car() | {"target": target([4200.0, 0.0, 1200.0])}
    reasons = not_measured(poses, sheet(), ())
    assert set(reasons) == {"distance_mm", "lateral_mm"}
    assert all("stand-off missing" in reason.what for reason in reasons.values())
    rest = [name for name in FIGURES if name not in reasons]
    assert set(measured(poses, sheet(), reference_known=(), figures=rest)) == set(rest)
    assert set(not_measured(poses, sheet(line="centreline"), ())) == set(FIGURES) - {"height_mm"}


@pytest.mark.parametrize(
    ("drop", "known", "words"),
    [
        (
            (),
            ("rear_left", "rear_right"),
            r"distance is not measured: stand-off missing \(wheel front left, wheel fr",
        ),
        (("axle:front_left",), WHEELS, "distance is not measured: no spin axis of wheel front left"),
        (("target",), WHEELS, "the target was not seen"),
    ],
)
def test_what_is_missing_is_named(drop, known, words):
    poses = car() | {"target": target([4200.0, 0.0, 1200.0])}
    for body in drop:
        del poses[body]
    with pytest.raises(MeasurementError, match=words):
        placement(as_set(poses), sheet(), known)


def test_exchanged_wheels_are_refused():
    points = {"rear_left": (0.0, -750.0, 310.0), "rear_right": (0.0, 750.0, 310.0)}
    poses = car(points_mm=points) | {"target": target([4200.0, 0.0, 1200.0])}
    with pytest.raises(MeasurementError, match="wheel rear left lies to the right of wheel rear right"):
        placement(as_set(poses), sheet())
