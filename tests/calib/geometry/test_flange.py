"""Wheel reference points from touched flanges: where they are, how they scatter, and what must be refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import chi2

from calib.geometry.flange import apply_flanges
from calib.geometry.stylus import point_body
from tests.support.car import POINTS_MM, as_set, car
from vision.errors import MeasurementError
from vision.frames import Pose
from vision.poses import PoseSet

STANDOFF_MM = 85.0
RIM_MM = 210.0
NAMES = ("rl-1", "rl-2", "rl-3")
FLANGES = {"rear_left": NAMES}


def with_flange(angles_deg=(20.0, 140.0, 260.0), lean_mm=(0.0, 0.0, 0.0), wheel="rear_left") -> PoseSet:
    """A car whose axle frame lies on the board's face, and three points round the rim; `lean_mm` lifts them along the axis."""
    poses = car(yaw_deg={wheel: 0.3}, camber_deg={wheel: -1.0})
    axle = poses[f"axle:{wheel}"]
    axis, flange = axle.rotation[:, 2], axle.translation_mm
    poses[f"axle:{wheel}"] = Pose.from_rt("survey", axle.source, axle.rotation, flange + STANDOFF_MM * axis)
    for name, angle, lift in zip(NAMES, np.radians(angles_deg), lean_mm, strict=True):
        place = flange + RIM_MM * (math.cos(angle) * axle.rotation[:, 0] + math.sin(angle) * axle.rotation[:, 1]) + lift * axis
        poses[point_body(name)] = Pose.from_rt("survey", point_body(name), np.eye(3), place)
    return as_set(poses, _cov(poses))


def _cov(poses) -> np.ndarray:
    sigma = []
    for body in poses:
        sigma += [0.0] * 3 + [0.3] * 3 if body.startswith("point:") else [math.radians(0.01)] * 3 + [0.1] * 3
    return np.diag(np.square(sigma))


def test_the_reference_point_is_where_the_spin_axis_pierces_the_touched_plane():
    before = with_flange()
    after = apply_flanges(before, FLANGES)
    assert after.bodies == before.bodies
    assert after["axle:rear_left"].translation_mm == pytest.approx(POINTS_MM["rear_left"], abs=1e-9)
    assert after["axle:rear_left"].rotation == pytest.approx(before["axle:rear_left"].rotation)
    assert after["axle:rear_right"].translation_mm == pytest.approx(before["axle:rear_right"].translation_mm)
    # three touches of 0.3 mm each: 0.3/√3 along the axis
    i = after.rows(["axle:rear_left"])[4]
    assert math.sqrt(after.cov[i, i]) == pytest.approx(0.3 / math.sqrt(3), rel=0.05)


def test_a_point_off_the_axis_height_does_not_matter_only_the_plane_does():
    """The plane tilted by lifting one point: the axis pierces it at a third of that, the points being evenly spread."""
    lifted = apply_flanges(with_flange(lean_mm=(3.0, 0.0, 0.0)), FLANGES)
    axis = lifted["axle:rear_left"].rotation[:, 2]
    shift = (lifted["axle:rear_left"].translation_mm - POINTS_MM["rear_left"]) @ axis
    assert shift == pytest.approx(1.0, abs=0.01)


def test_its_covariance_is_that_of_numerical_differentiation():
    poses = with_flange(angles_deg=(10.0, 100.0, 230.0))
    told = apply_flanges(poses, FLANGES)
    rows = told.rows(["axle:rear_left"])
    columns = []
    for i in range(len(poses.cov)):
        step = 1e-6 if i % 6 < 3 else 1e-3
        ends = [apply_flanges(poses.perturbed(sign * step * np.eye(len(poses.cov))[i]), FLANGES) for sign in (1.0, -1.0)]
        gap = ends[0]["axle:rear_left"].transform * ends[1]["axle:rear_left"].transform.inv()
        columns.append(np.concatenate([gap.rotation.as_rotvec(), gap.translation]) / (2.0 * step))
    jac = np.column_stack(columns)
    assert told.cov[np.ix_(rows, rows)] == pytest.approx(jac @ poses.cov @ jac.T, rel=1e-5, abs=1e-10)
    assert sum(told.parts.values()) == pytest.approx(told.cov)


def test_its_scatter_is_what_the_covariance_says():
    rng = np.random.default_rng(1)
    poses = with_flange()
    told = apply_flanges(poses, FLANGES)
    rows = told.rows(["axle:rear_left"])[3:]
    pull = np.linalg.inv(told.cov[np.ix_(rows, rows)])
    total = 0.0
    for _ in range(100):
        drawn = apply_flanges(poses.perturbed(rng.multivariate_normal(np.zeros(len(poses.cov)), poses.cov)), FLANGES)
        gap = drawn["axle:rear_left"].translation_mm - told["axle:rear_left"].translation_mm
        turn = (drawn["axle:rear_left"].transform * told["axle:rear_left"].transform.inv()).rotation.as_rotvec()
        gap = gap - np.cross(turn, told["axle:rear_left"].translation_mm)  # left perturbation: shift beside the turn
        total += gap @ pull @ gap
    low, high = chi2.ppf([5e-4, 1 - 5e-4], 100 * 3)
    assert low < total < high


@pytest.mark.parametrize(
    ("poses", "words"),
    [
        (with_flange(angles_deg=(20.0, 25.0, 30.0)), "points touched on the rear left flange .* lie nearly on a line"),
        (with_flange(lean_mm=(60.0, 0.0, 0.0)), r"flange \(rl-1, rl-2, rl-3\) leans 1\d° from square to the wheel's spin axis"),
    ],
)
def test_points_that_make_no_flange_plane_are_refused(poses, words):
    with pytest.raises(MeasurementError, match=words) as caught:
        apply_flanges(poses, FLANGES)
    assert "three places" in caught.value.hint


def test_a_point_that_was_not_touched_is_named():
    with pytest.raises(MeasurementError, match="point rl-9 on the rear left flange was not touched"):
        apply_flanges(with_flange(), {"rear_left": ("rl-1", "rl-2", "rl-9")})


def test_a_wheel_that_was_not_seen_is_passed_over():
    poses = with_flange()
    some = poses.of([body for body in poses.bodies if body != "axle:rear_left"])
    assert apply_flanges(some, FLANGES) is some
