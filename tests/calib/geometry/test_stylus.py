"""Stylus: pivot calibration against a computed example and by scatter, touched points, and what must be refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from scipy.stats import chi2

from calib.geometry.points import length_between
from calib.geometry.stylus import (
    TIP_NAMES,
    Tip,
    fit_pivot,
    fit_touch,
    least_turn,
    pivot_rank,
    point_body,
    with_points,
)
from vision.errors import MeasurementError
from vision.frames import Pose
from vision.poses import PoseSet

# Pivot calibration, computed from its definition R·tip + t = pivot (published nowhere; to 1e-6).
EXACT_TURNS = (("x", 0.0), ("x", 30.0), ("y", 30.0), ("z", 30.0))
EXACT_T_MM = (
    (90.0, 220.0, 1250.0),
    (90.0, 342.32050808, 1293.49364905),
    (-33.66025404, 220.0, 1288.49364905),
    (81.33974596, 212.32050808, 1250.0),
)
EXACT_TIP_MM, EXACT_PIVOT_MM = (10.0, -20.0, 250.0), (100.0, 200.0, 1500.0)
TIP_MM = np.array([75.0, 330.0, 12.0])
PIVOT_MM = np.array([850.0, -420.0, 35.0])
SIGMA_RAD, SIGMA_MM = 4e-4, 0.05


def held(rotations, tip_mm=TIP_MM, point_mm=PIVOT_MM, name="stylus-1") -> list[Pose]:
    """Poses of a board whose tip is on the point, one body a photo."""
    return [
        Pose.from_rt("survey", f"{name}@{i:02d}.jpg", rotation, point_mm - rotation @ tip_mm)
        for i, rotation in enumerate(rotations)
    ]


def about(axis: str, angles_rad) -> Rotation:
    return Rotation.from_euler(axis, np.asarray(angles_rad)[:, None])


def cross(v) -> np.ndarray:
    return np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]])


def leanings(count: int, rng) -> np.ndarray:
    """Leaned by 20° to 45° to all sides and turned a little about the length."""
    around = np.linspace(0, 2 * math.pi, count, endpoint=False) + rng.uniform(-0.2, 0.2, count)
    lean = np.radians(rng.uniform(20, 45, count))
    axes = np.column_stack([np.cos(around), np.zeros(count), np.sin(around)])
    return (Rotation.from_rotvec(axes * lean[:, None]) * about("y", rng.uniform(-0.5, 0.5, count))).as_matrix()


def noise_cov(count: int) -> np.ndarray:
    """About each board's own origin; see `noisy`."""
    return np.diag(np.tile([SIGMA_RAD**2] * 3 + [SIGMA_MM**2] * 3, count))


def noisy(poses, rng) -> PoseSet:
    """Each pose turned about its own origin and shifted by normal noise; the covariance is that of left perturbations."""
    blocks, out = [], []
    for pose in poses:
        at = pose.translation_mm
        lever = np.eye(6)
        lever[3:, :3] = cross(at)
        blocks.append(lever @ noise_cov(1) @ lever.T)
        turn = Rotation.from_rotvec(rng.normal(0, SIGMA_RAD, 3)).as_matrix()
        out.append(Pose.from_rt("survey", pose.source, turn @ pose.rotation, at + rng.normal(0, SIGMA_MM, 3)))
    return as_set(out, blocks)


def as_set(poses, blocks=None) -> PoseSet:
    n = len(poses)
    cov = np.zeros((6 * n, 6 * n))
    for i in range(n):
        cov[6 * i : 6 * i + 6, 6 * i : 6 * i + 6] = np.diag([1e-8] * 3 + [1e-4] * 3) if blocks is None else blocks[i]
    return PoseSet(tuple(poses), cov, {"corners": cov})


def exact_poses() -> list[Pose]:
    turns = [Rotation.from_euler(axis, angle, degrees=True).as_matrix() for axis, angle in EXACT_TURNS]
    return [
        Pose.from_rt("survey", f"stylus-1@{i}.jpg", turn, t) for i, (turn, t) in enumerate(zip(turns, EXACT_T_MM, strict=True))
    ]


def test_the_exact_example():
    poses = as_set(exact_poses())
    fit = fit_pivot(poses, poses.bodies)
    assert fit.estimate.value == pytest.approx([*EXACT_TIP_MM, *EXACT_PIVOT_MM], abs=1e-6)
    assert fit.tip.names == TIP_NAMES
    assert (fit.left_out, fit.scatter, fit.redundancy) == ((), 1.0, 6)


def test_the_rank_rule():
    """Six unknowns: turns about three axes give rank 6, about one axis only rank 5."""
    assert pivot_rank(np.array([pose.rotation for pose in exact_poses()])) == 6
    one_axis = about("x", np.radians([0, 30, -25, 50])).as_matrix()
    assert pivot_rank(one_axis) == 5
    turn, axis = least_turn(one_axis)
    assert turn == pytest.approx(0.0, abs=1e-9)
    assert abs(axis[0]) == pytest.approx(1.0)


@pytest.mark.parametrize("wobble_deg", [0.0, 2.0])
def test_turning_about_one_axis_only_is_refused(wobble_deg):
    rng = np.random.default_rng(1)
    wobble = Rotation.from_rotvec(np.radians(rng.normal(0, wobble_deg, (8, 3))))
    turns = (wobble * about("y", np.radians(np.linspace(-60, 60, 8)))).as_matrix()
    poses = noisy(held(turns), rng)
    with pytest.raises(MeasurementError, match=r"turned about one axis only \(board axis [+-]0\.\d, \+1\.0, ") as caught:
        fit_pivot(poses, poses.bodies)
    assert "lean the stylus" in caught.value.hint


def test_too_few_photos_to_teach():
    poses = as_set(held(leanings(3, np.random.default_rng(2))))
    with pytest.raises(MeasurementError, match="3 photos show the stylus board together with known floor boards, at least 4"):
        fit_pivot(poses, poses.bodies)


def test_the_scatter_of_the_tip_is_what_its_covariance_says():
    rng = np.random.default_rng(3)
    scores, chi_squares = [], []
    for _ in range(100):
        poses = noisy(held(leanings(10, rng)), rng)
        fit = fit_pivot(poses, poses.bodies)
        gap = fit.estimate.value - np.concatenate([TIP_MM, PIVOT_MM])
        scores.append(gap @ np.linalg.solve(fit.estimate.cov / fit.scatter, gap))
        chi_squares.append(fit.chi_square)
    # sums of 100 χ² of 6 and of 24: 99.9 % bands
    for total, freedom in ((sum(scores), 100 * 6), (sum(chi_squares), 100 * 24)):
        low, high = chi2.ppf([5e-4, 1 - 5e-4], freedom)
        assert low < total < high


def test_one_bad_photo_is_left_out_and_named():
    rng = np.random.default_rng(4)
    poses = list(noisy(held(leanings(9, rng)), rng))
    slid = poses[5]
    poses[5] = Pose.from_rt("survey", slid.source, slid.rotation, slid.translation_mm + [4.0, -3.0, 2.0])
    bad = PoseSet(tuple(poses), *_covariances(poses))
    fit = fit_pivot(bad, bad.bodies)
    assert fit.left_out == (slid.source,)
    assert np.linalg.norm(fit.tip.value - TIP_MM) < 4 * math.sqrt(np.trace(fit.tip.cov))


def _covariances(poses):
    again = noisy(poses, np.random.default_rng(0))
    return again.cov, again.parts


def test_a_tip_that_wandered_is_refused():
    rng = np.random.default_rng(5)
    poses = [
        Pose.from_rt("survey", p.source, p.rotation, p.translation_mm + rng.normal(0, 8.0, 3)) for p in held(leanings(10, rng))
    ]
    bad = PoseSet(tuple(poses), *_covariances(poses))
    with pytest.raises(MeasurementError, match="the stylus did not turn about its tip"):
        fit_pivot(bad, bad.bodies)


def test_a_little_play_in_the_dimple_widens_the_covariance():
    rng = np.random.default_rng(6)
    poses = [
        Pose.from_rt("survey", p.source, p.rotation, p.translation_mm + rng.normal(0, 0.5, 3)) for p in held(leanings(14, rng))
    ]
    loose = PoseSet(tuple(poses), *_covariances(poses))
    fit = fit_pivot(loose, loose.bodies)
    assert fit.scatter > 4.0
    assert np.all(np.abs(fit.tip.value - TIP_MM) < 4 * np.sqrt(np.diag(fit.tip.cov)))


TAUGHT = Tip("a", TIP_MM, np.diag([0.1, 0.15, 0.08]) ** 2)


def test_a_touched_point_scatters_as_its_covariance_says():
    rng = np.random.default_rng(7)
    scores = []
    for _ in range(150):
        tip = Tip("a", TIP_MM + rng.normal(0, np.sqrt(np.diag(TAUGHT.cov))), TAUGHT.cov)
        poses = noisy(held(leanings(4, rng)), rng)
        placed = with_points(poses, [fit_touch(poses, poses.bodies, tip, "bumper")])
        gap = placed[point_body("bumper")].translation_mm - PIVOT_MM
        cov = placed.cov_of([point_body("bumper")])[3:, 3:]
        scores.append(gap @ np.linalg.solve(cov, gap))
    low, high = chi2.ppf([5e-4, 1 - 5e-4], 150 * 3)
    assert low < sum(scores) < high


def test_the_stylus_is_a_source_of_its_own_and_the_parts_add_up():
    poses = noisy(held(leanings(4, np.random.default_rng(8))), np.random.default_rng(8))
    placed = with_points(poses, [fit_touch(poses, poses.bodies, TAUGHT, "bumper")])
    assert set(placed.parts) == {"corners", "stylus"}
    assert sum(placed.parts.values()) == pytest.approx(placed.cov, abs=1e-12)
    assert np.trace(placed.parts["stylus"]) > 0
    assert placed[point_body("bumper")].rotation == pytest.approx(np.eye(3))


def test_what_all_bodies_share_does_not_move_a_point_against_the_floor():
    """All poses known only as one rigid whole (0.3°, 5 mm): the point's distance from a floor board is as good as without."""
    poses = list(held(leanings(4, np.random.default_rng(13))))
    poses.append(Pose.from_rt("survey", "floor-1", [3.1, 0.0, 0.0], [300.0, -900.0, 0.0]))
    common = np.diag([math.radians(0.3) ** 2] * 3 + [5.0**2] * 3)
    cov = np.kron(np.ones((5, 5)), common) + as_set(poses).cov
    shared = PoseSet(tuple(poses), cov, {"corners": cov})
    placed = with_points(shared, [fit_touch(shared, shared.bodies[:4], TAUGHT, "bumper")])

    def distance(state) -> np.ndarray:
        return np.array([np.linalg.norm(state[point_body("bumper")].translation_mm - state["floor-1"].translation_mm)])

    good = placed.propagate(("length_mm",), distance).sigma("length_mm")
    assert good < 0.5
    rng = np.random.default_rng(14)
    jitter = [rng.normal(0, 0.5, 3) * (pose.source != "floor-1") for pose in poses]
    jittered = [
        Pose.from_rt("survey", pose.source, pose.rotation, pose.translation_mm + by)
        for pose, by in zip(poses, jitter, strict=True)
    ]
    shaky = PoseSet(tuple(jittered), cov, {"corners": cov})
    touch = fit_touch(shaky, shared.bodies[:4], TAUGHT, "bumper")
    assert touch.scatter > 2.0
    wider = with_points(shaky, [touch]).propagate(("length_mm",), distance).sigma("length_mm")
    assert good < wider < 3.0 * good * math.sqrt(touch.scatter)
    alone = placed.of([point_body("bumper")])
    assert math.sqrt(alone.cov[3, 3]) > 4.0


def test_two_points_touched_alike_share_the_tips_error_and_their_distance_does_not_feel_it():
    """Held in the same way at both points, an error of the tip moves both by the same: the length knows nothing of it."""
    turns = about("x", np.radians([30.0, 31.0, 32.0])).as_matrix()  # hardly leaned: the mean over the photos keeps the error
    other = PIVOT_MM + [300.0, -400.0, 0.0]
    one, two = held(turns, name="one"), held(turns, point_mm=other, name="two")
    poses = as_set([*one, *two])
    names = [[pose.source for pose in some] for some in (one, two)]
    alike = with_points(poses, [fit_touch(poses, names[0], TAUGHT, "a"), fit_touch(poses, names[1], TAUGHT, "b")])
    length = length_between(alike, "a", "b")
    assert length.value[0] == pytest.approx(500.0)
    assert math.sqrt(length.parts["stylus"][0, 0]) < 0.02
    apart = Tip("b", TAUGHT.mm, TAUGHT.cov)
    two_styluses = with_points(poses, [fit_touch(poses, names[0], TAUGHT, "a"), fit_touch(poses, names[1], apart, "b")])
    assert math.sqrt(length_between(two_styluses, "a", "b").parts["stylus"][0, 0]) > 0.1


def test_a_photo_with_the_tip_elsewhere_is_left_out_of_a_touch():
    rng = np.random.default_rng(10)
    poses = list(noisy(held(leanings(4, rng)), rng))
    poses[2] = Pose.from_rt("survey", poses[2].source, poses[2].rotation, poses[2].translation_mm + [0.0, 6.0, 0.0])
    bad = PoseSet(tuple(poses), *_covariances(poses))
    assert fit_touch(bad, bad.bodies, TAUGHT, "emblem").left_out == ("stylus-1@02.jpg",)


def test_two_photos_that_contradict_each_other_are_refused():
    rng = np.random.default_rng(11)
    poses = list(noisy(held(leanings(2, rng)), rng))
    poses[1] = Pose.from_rt("survey", poses[1].source, poses[1].rotation, poses[1].translation_mm + [3.0, 0.0, 0.0])
    bad = PoseSet(tuple(poses), *_covariances(poses))
    with pytest.raises(MeasurementError, match=r"point emblem: the photos contradict each other: .* 00\.jpg, 01\.jpg"):
        fit_touch(bad, bad.bodies, TAUGHT, "emblem")
    with pytest.raises(MeasurementError, match="point emblem: 1 photo shows the stylus board"):
        fit_touch(bad, bad.bodies[:1], TAUGHT, "emblem")


def test_the_tip_and_the_point_do_not_depend_on_the_frame():
    """Everything carried into another frame: the same tip, the point carried along."""
    rng = np.random.default_rng(12)
    poses = noisy(held(leanings(8, rng)), rng)
    new_from_survey = Pose.from_rt("new", "survey", [0.4, -1.1, 2.0], [900.0, -4000.0, 70.0])
    carry = np.zeros((6, 6))
    carry[:3, :3] = carry[3:, 3:] = new_from_survey.rotation
    carry[3:, :3] = cross(new_from_survey.translation_mm) @ new_from_survey.rotation
    lift = np.kron(np.eye(8), carry)
    cov = lift @ poses.cov @ lift.T
    elsewhere = PoseSet(tuple(new_from_survey @ pose for pose in poses), cov, {"corners": cov})
    here, there = fit_pivot(poses, poses.bodies), fit_pivot(elsewhere, elsewhere.bodies)
    assert there.tip.value == pytest.approx(here.tip.value, abs=1e-6)
    assert there.tip.cov == pytest.approx(here.tip.cov, rel=1e-5, abs=1e-9)
    assert there.estimate.value[3:] == pytest.approx(new_from_survey.apply(here.estimate.value[3:]), abs=1e-6)
