import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares

from calib.geometry.vehicle import vehicle_figures
from calib.geometry.wheels import MotionPrior, RollLimits, StandOff, WheelFit, WheelSpec, apply_standoffs, fit_wheels
from tests.support.rolling_car import (
    POINTS_MM,
    STANDOFF_MM,
    RollingCar,
    carried,
    epochs_of,
    left_cov,
    mirrored,
    noise_cov,
    roll_survey,
    turn_about,
)
from vision.frames import Pose, log_so3
from vision.poses import PoseSet

WHEELS = {wheel: WheelSpec(f"wheel-{wheel.replace('_', '-')}") for wheel in POINTS_MM}
STANDOFFS = {wheel: StandOff(STANDOFF_MM, 1.0) for wheel in POINTS_MM}
LOOSE = RollLimits(math.radians(5), math.radians(5), 100.0)
CAR = RollingCar(
    yaw_deg={"rear_left": -0.1, "rear_right": 0.3, "front_left": 0.2},
    camber_deg={"rear_left": -1.5, "rear_right": -1.0, "front_right": 0.7},
)
# The fit supposes the steering axis 90 mm inboard of the flange plane, with a σ of 50 mm: exact only when that is true.
TEXTBOOK = replace(CAR, kingpin_mm=90.0)
WANDER = {
    "roll-1": {"yaw_deg": 2.0, "side_mm": 30.0, "steer_deg": 0.6},
    "roll-2": {"yaw_deg": -1.0, "steer_deg": -0.4},
}


def fit(poses, epochs, floor_pm_mm=2.0, limits=LOOSE) -> WheelFit:
    return fit_wheels(poses, WHEELS, list(epochs), MotionPrior.from_floor(floor_pm_mm), standoffs=STANDOFFS, limits=limits)


def axle_errors(result: WheelFit, car: RollingCar) -> np.ndarray:
    """Yaw (deg) and place along the car (mm) of the found spin axes against the truth, shape (4, 2)."""
    out = []
    for wheel in POINTS_MM:
        pose = result.poses[f"axle:{wheel}"]
        off = np.cross(car.axis(wheel), pose.rotation[:, 2])
        gap = pose.translation_mm - (np.array(car.points_mm[wheel]) + STANDOFF_MM * car.axis(wheel))
        out.append([math.degrees(off[2]), gap[0]])
    return np.array(out)


def axle_sigmas(result: WheelFit) -> np.ndarray:
    """Stated σ of the same: turn about up, and shift of the axle's origin along the car."""
    out = []
    for wheel in POINTS_MM:
        body = f"axle:{wheel}"
        _, y, z = result.poses[body].translation_mm
        cov = result.poses.cov_of([body])
        along = np.array([0.0, z, -y, 1.0, 0.0, 0.0])
        out.append([math.degrees(math.sqrt(cov[2, 2])), math.sqrt(along @ cov @ along)])
    return np.array(out)


@pytest.mark.parametrize("rolls_deg", [[0, 45, 90], [0, 20, 40], [0, -90, -180, -270], [0, 120, 360, 700], [180, 0, 270, 90]])
def test_wandering_car_gives_back_its_axles(rolls_deg):
    epochs = epochs_of(rolls_deg, **WANDER)
    result = fit(roll_survey(TEXTBOOK, epochs), epochs)
    for wheel in POINTS_MM:
        pose = result.poses[f"axle:{wheel}"]
        assert math.degrees(np.linalg.norm(pose.rotation[:, 2] - CAR.axis(wheel))) < 1e-5
        pierced = np.array(CAR.points_mm[wheel]) + STANDOFF_MM * CAR.axis(wheel)
        assert np.linalg.norm(pose.translation_mm - pierced) < 1e-3
        assert pose.rotation[0, 0] > 0.99
    rolling = result.rolling
    for name, position in epochs.items():
        if name == "rest":
            continue
        assert rolling.value[rolling.index(f"yaw@{name}_rad")] == pytest.approx(math.radians(position.yaw_deg), abs=1e-6)
        assert rolling.value[rolling.index(f"steer@{name}_rad")] == pytest.approx(math.radians(position.steer_deg), abs=1e-6)
        for wheel in POINTS_MM:
            found = rolling.value[rolling.index(f"roll:{wheel}@{name}_rad")]
            assert found == pytest.approx(CAR.roll_rad(wheel, position), abs=1e-5)


def test_an_epoch_may_lack_wheels_and_an_axle_still_comes_out():
    epochs = epochs_of([0, 60, 120, 200, 270], **WANDER)
    skip = ["wheel-rear-left@roll-1", "wheel-front-right@roll-3", "wheel-front-left@roll-2", "wheel-front-right@roll-2"]
    result = fit(roll_survey(TEXTBOOK, epochs, skip=skip), epochs)
    assert np.abs(axle_errors(result, CAR)).max() < 1e-3
    assert "steer@roll-2_rad" not in result.rolling.names


def test_unknown_steering_axis_costs_less_than_the_noise():
    epochs = epochs_of([0, 90, 180, 270], **WANDER)
    result = fit(roll_survey(replace(CAR, kingpin_mm=190.0), epochs), epochs)
    assert np.abs(axle_errors(result, CAR) / axle_sigmas(result)).max() < 0.3


def test_rear_wheels_alone_are_enough():
    epochs = epochs_of([0, 90, 180, 270])
    rear = {wheel: WHEELS[wheel] for wheel in ("rear_left", "rear_right")}
    poses = roll_survey(CAR, epochs, wheels=list(rear))
    result = fit_wheels(poses, rear, list(epochs), MotionPrior.from_floor(2.0))
    assert result.poses.bodies[-2:] == ("axle:rear_left", "axle:rear_right")
    assert vehicle_figures(result.poses)["rear_total_toe"].value == pytest.approx(0.4, abs=1e-5)


def test_alignment_table_shows_the_angles_the_car_was_built_with():
    epochs = epochs_of([0, 90, 180, 270], **WANDER)
    placed = apply_standoffs(fit(roll_survey(TEXTBOOK, epochs), epochs).poses, STANDOFFS)
    table = vehicle_figures(placed, STANDOFFS)
    # Yaw −0.1° and 0.3° at the rear, points symmetric about y = 0; camber −1.5°, −1.0°, 0°, 0.7°
    built = {
        "rear_toe_left": 0.1,
        "rear_toe_right": 0.3,
        "thrust_angle": 0.1,
        "front_toe_left": -0.2,
        "front_toe_right": 0.0,
        "front_toe_left_to_thrust": -0.1,
        "front_toe_right_to_thrust": -0.1,
        "front_direction_to_thrust": 0.0,
        "camber_rear_left": -1.5,
        "camber_rear_right": -1.0,
        "camber_front_left": 0.0,
        "camber_front_right": 0.7,
        "track_rear": 1500.0,
        "wheelbase_left": 2700.0,
        "front_midpoint_x": 2700.0,
    }
    for name, value in built.items():
        assert table[name].value == pytest.approx(value, abs=1e-5 if table[name].unit == "deg" else 2e-3), name


# Simulated beforehand, by itself (0.02° and 0.15 mm per pose): rear toe σ 0.020° on a perfect plane, 0.022° with 1 mm heave and
# 0.03° rock at 0/45/90°, the axle then to 2.6 mm; 0.010° and 0.7 mm at 0/90/180/270°.
@pytest.mark.parametrize(
    ("rolls_deg", "floor_pm_mm", "toe_deg", "axle_mm"),
    [([0, 45, 90], 2.0, 0.022, 2.6), ([0, 45, 90], 0.01, 0.020, None), ([0, 90, 180, 270], 2.0, 0.010, 0.7)],
)
def test_stated_sigmas_are_those_simulated_beforehand(rolls_deg, floor_pm_mm, toe_deg, axle_mm):
    epochs = epochs_of(rolls_deg)
    sigmas = axle_sigmas(fit(roll_survey(RollingCar(), epochs), epochs, floor_pm_mm))
    assert sigmas[:2, 0] == pytest.approx(toe_deg, rel=0.1)
    if axle_mm is not None:
        assert sigmas[:2, 1] == pytest.approx(axle_mm, rel=0.1)


def rough_epochs(rolls_deg, rng):
    """Epochs that heave by 1 mm and rock by 0.03° (σ), as the prior says, and wander."""
    names = [f"roll-{i + 1}" for i in range(len(rolls_deg) - 1)]
    extra = {
        name: {
            "yaw_deg": rng.normal(0, 0.5),
            "side_mm": rng.normal(0, 5),
            "steer_deg": rng.normal(0, 0.1),
            "heave_mm": rng.normal(),
            "lean_deg": tuple(rng.normal(0, 0.03, 2)),
        }
        for name in names
    }
    return epochs_of(rolls_deg, **extra)


def scatter(rolls_deg, runs: int, seed: int):
    rng = np.random.default_rng(seed)
    ratios, fits = [], []
    for _ in range(runs):
        epochs = rough_epochs(rolls_deg, rng)
        result = fit(roll_survey(CAR, epochs, rng=rng), epochs)
        ratios.append(axle_errors(result, CAR) / axle_sigmas(result) * max(1.0, result.sigma0))
        fits.append(result.chi2 / result.redundancy)
    return np.array(ratios), np.array(fits), result.redundancy


def test_scatter_agrees_with_the_stated_sigmas():
    ratios, fits, redundancy = scatter([0, 90, 180, 270], 8, 11)
    # Eight figures a run, correlated by the shared car motion: some four independent ones; 3 / sqrt(2 * 32) = 0.38
    assert np.sqrt(np.mean(ratios**2)) == pytest.approx(1.0, abs=0.38)
    assert fits.mean() == pytest.approx(1.0, abs=3 * math.sqrt(2 / redundancy / 8))


@pytest.mark.slow
@pytest.mark.parametrize("rolls_deg", [[0, 45, 90], [0, 90, 180, 270], [0, 70, 150, 230, 310]])
def test_scatter_of_many_runs_agrees_with_the_stated_sigmas(rolls_deg):
    runs = 250
    ratios, fits, redundancy = scatter(rolls_deg, runs, 12)
    assert np.sqrt((ratios**2).mean(axis=0)).ravel() == pytest.approx(1.0, abs=3.5 / math.sqrt(2 * runs))
    assert np.abs(ratios.mean(axis=0)).max() < 3.5 / math.sqrt(runs)
    assert fits.mean() == pytest.approx(1.0, abs=3 * math.sqrt(2 / redundancy / runs))


def test_parts_add_up_and_car_motion_has_its_share():
    epochs = epochs_of([0, 45, 90])
    result = fit(roll_survey(CAR, epochs), epochs)
    assert np.allclose(sum(result.poses.parts.values()), result.poses.cov, rtol=1e-9, atol=1e-15)
    rows = result.poses.rows(["axle:rear_left"])
    share = result.poses.parts["car motion"][rows[3], rows[3]] / result.poses.cov[rows[3], rows[3]]
    # 0.277 mm on a perfect plane against 2.49 mm: nearly all of the axle's place is the floor's doing.
    assert share > 0.9


def test_misfit_multiplies_the_covariance():
    epochs = epochs_of([0, 90, 180, 270])
    rng = np.random.default_rng(5)
    honest = roll_survey(CAR, epochs, rng=rng, deg=0.04, mm=0.3)
    claimed = PoseSet(honest.poses, honest.cov / 4.0, {"corners": honest.cov / 4.0})
    result = fit(claimed, epochs)
    # 32 degrees of freedom, some 12 of them the priors, which no noise enters here: √(20·4/32) = 1.6
    assert result.sigma0 == pytest.approx(1.6, abs=0.3)
    quiet = axle_sigmas(fit(roll_survey(CAR, epochs, deg=0.02, mm=0.15), epochs))
    assert axle_sigmas(result) == pytest.approx(result.sigma0 * quiet, rel=0.01)


def test_figures_stay_when_the_whole_survey_is_turned_and_shifted():
    epochs = epochs_of([0, 90, 180, 270], **WANDER)
    poses = roll_survey(CAR, epochs, rng=np.random.default_rng(4))
    carry = Pose.from_rt("survey", "survey", [0.4, -1.1, 2.0], [4000.0, -2500.0, 900.0])
    here, there = (
        vehicle_figures(apply_standoffs(fit(p, epochs).poses, STANDOFFS, 0.5), STANDOFFS)
        for p in (poses, carried(poses, carry))
    )
    assert [f.name for f in here.figures] == [f.name for f in there.figures]
    for a, b in zip(here.figures, there.figures, strict=True):
        tolerance = 1e-5 if a.unit == "deg" else 1e-3
        assert b.value == pytest.approx(a.value, abs=tolerance), a.name
        assert b.u == pytest.approx(a.u, rel=1e-3), a.name


def test_mirrored_car_flips_the_signs():
    epochs = epochs_of([0, 90, 180, 270], **WANDER)
    poses = roll_survey(CAR, epochs, rng=np.random.default_rng(4))
    here, there = (
        vehicle_figures(apply_standoffs(fit(p, epochs).poses, STANDOFFS), STANDOFFS) for p in (poses, mirrored(poses))
    )
    flipped = {"thrust_angle", "thrust_direction", "centreline_direction", "rear_midpoint_y", "front_midpoint_y"}
    flipped |= {"setback_front", "setback_rear", "front_direction_to_thrust", "diagonal_difference", "wheelbase_difference"}
    for figure in here.figures:
        name = figure.name
        if name.startswith("diagonal_front"):
            other = "diagonal_front_right_rear_left" if "front_left" in name else "diagonal_front_left_rear_right"
        else:
            other = name.replace("left", "*").replace("right", "left").replace("*", "right")
        sign = -1.0 if name in flipped else 1.0
        assert there[other].value == pytest.approx(sign * figure.value, abs=1e-4), name
        assert there[other].u == pytest.approx(figure.u, rel=1e-3), name


def test_standoffs_move_inboard_and_common_error_cancels_in_the_centreline():
    epochs = epochs_of([0, 90, 180, 270])
    poses = fit(roll_survey(CAR, epochs, deg=0.001, mm=0.001), epochs, floor_pm_mm=0.01).poses
    exact = {wheel: StandOff(STANDOFF_MM, 0.0) for wheel in POINTS_MM}
    placed = apply_standoffs(poses, exact)
    for wheel in POINTS_MM:
        assert np.allclose(placed[f"axle:{wheel}"].translation_mm, CAR.points_mm[wheel], atol=1e-3)
    none, common, own = (
        vehicle_figures(apply_standoffs(poses, {w: StandOff(STANDOFF_MM, pm) for w in POINTS_MM}, c), POINTS_MM)
        for pm, c in ((0.0, 0.0), (0.0, 2.0), (2.0, 0.0))
    )
    assert common["thrust_angle"].u == pytest.approx(none["thrust_angle"].u, rel=0.01)
    # k = 2: ±2 mm on both sides, together or independent
    assert common["track_rear"].u == pytest.approx(4.0, rel=0.01)
    assert own["track_rear"].u == pytest.approx(2.0 * math.sqrt(2.0), rel=0.01)
    # 1 mm (k = 1) on each wheel: √½ mm at R and at F, over 2700 mm
    expected_deg = 2.0 * math.degrees(math.hypot(math.sqrt(0.5), math.sqrt(0.5)) / 2700.0)
    assert own["thrust_angle"].u == pytest.approx(expected_deg, rel=0.02)
    assert own["thrust_direction"].u == pytest.approx(none["thrust_direction"].u, rel=1e-6)
    assert np.allclose(sum(placed.parts.values()), placed.cov)


# One joint adjustment, written independently.

REAR = ("rear_left", "rear_right")


def joint_problem(seed: int):
    """Rear wheels, three epochs, a floor board and the floor, with a full random covariance and noise drawn from it."""
    rng = np.random.default_rng(seed)
    epochs = epochs_of([0, 60, 130], **{"roll-1": {"yaw_deg": 1.0, "side_mm": 8.0, "heave_mm": 0.7}})
    exact = roll_survey(CAR, epochs, wheels=REAR)
    tilt = Pose.from_rt("survey", "floor-1", [math.pi - 0.01, 0.02, 0.3], [500.0, 1200.0, 3.0])
    poses = (*exact.poses, tilt)
    size = 6 * len(poses)
    mixed = (
        np.eye(size)
        + 0.4 * rng.normal(size=(size, size)) / math.sqrt(size)
        + 0.3 * rng.normal(size=(size, 3)) @ np.ones((3, size)) / size
    )
    scale = np.sqrt(np.diag(noise_cov(len(poses), 0.02, 0.15)))
    cov = left_cov(poses, scale[:, None] * (mixed @ mixed.T) * scale)
    survey = PoseSet(poses, cov, {"corners": cov})
    noise = np.linalg.cholesky(cov) @ rng.normal(size=size)
    return survey.perturbed(noise), epochs


def pose_of(p):
    return turn_about(p[:3], np.linalg.norm(p[:3])) if np.any(p[:3]) else np.eye(3), p[3:6]


def brute_force(survey: PoseSet, epochs, prior: MotionPrior):
    """All poses and all wheel unknowns at once: network observations with their full covariance, and the priors."""
    names = list(epochs)
    inverse = np.linalg.inv(np.linalg.cholesky(survey.cov))

    def model(p):
        floor, floor_1, rest = pose_of(p[:6]), pose_of(p[6:12]), p[12:]
        up = floor[0][:, 2]
        predicted = {"floor": floor, "floor-1": floor_1}
        motions, rest = rest[:12].reshape(2, 6), rest[12:]
        motions = [*motions, np.zeros(6)]
        axles = {}
        for wheel, w in zip(REAR, rest.reshape(2, 12), strict=True):
            board, (azimuth, elevation, along, height, *turns) = pose_of(w[:6]), w[6:]
            side = 1.0 if wheel == "rear_left" else -1.0
            axis = side * np.array(
                [math.sin(azimuth) * math.cos(elevation), math.cos(azimuth) * math.cos(elevation), math.sin(elevation)]
            )
            point = np.array([along, side * 800.0, height])
            for name, m, turn in zip(names, motions, [*turns, 0.0], strict=True):
                spin = turn_about(axis, turn)
                car, shift = pose_of(m)
                rotation = car @ spin @ board[0]
                predicted[f"wheel-{wheel.replace('_', '-')}@{name}"] = (
                    rotation,
                    car @ (point + spin @ (board[1] - point)) + shift,
                )
            normal = board[0][:, 2]
            axles[wheel] = axis, point + axis * (normal @ (board[1] - point)) / (normal @ axis)
        return up, motions[:2], predicted, axles

    centre = np.mean([survey[f"wheel-{w.replace('_', '-')}@rest"].translation_mm for w in REAR], axis=0)

    def misfit(p):
        up, motions, predicted, _ = model(p)
        left = []
        for pose in survey.poses:
            rotation, origin = predicted[pose.source]
            turn = log_so3(rotation @ pose.rotation.T)
            left.append(np.concatenate([turn, origin - rotation @ pose.rotation.T @ pose.translation_mm]))
        out = [inverse @ np.concatenate(left)]
        for m in motions:
            car, shift = pose_of(m)
            moved = car @ centre + shift - centre
            out.append([up @ moved / prior.heave_sigma_mm])
            out.append((car @ up - up * (up @ car @ up)) / prior.tilt_sigma_rad)
        return np.concatenate(out)

    first = [np.concatenate([log_so3(survey[b].rotation), survey[b].translation_mm]) for b in ("floor", "floor-1")]
    for name in names[:2]:
        m = CAR.car_motion(epochs[name])
        first.append(np.concatenate([log_so3(m[:3, :3]), m[:3, 3]]))
    for wheel in REAR:
        board = survey[f"wheel-{wheel.replace('_', '-')}@rest"]
        side = 1.0 if wheel == "rear_left" else -1.0
        turns = [side * CAR.roll_rad(wheel, epochs[name]) for name in names[:2]]
        lead = [log_so3(board.rotation), board.translation_mm, [0.0, 0.0, 0.0, 310.0], turns]
        first.append(np.concatenate(lead))
    solved = least_squares(misfit, np.concatenate(first), x_scale="jac", xtol=1e-15, ftol=1e-15, gtol=1e-15, jac="3-point")

    def results(p):
        _, _, predicted, axles = model(p)
        rows = [axles[w][0] for w in REAR] + [axles[w][1] for w in REAR]
        return np.concatenate([*rows, predicted["floor-1"][1], log_so3(predicted["floor-1"][0] @ survey["floor-1"].rotation.T)])

    step = np.where(np.abs(solved.x) > 5.0, 1e-3, 1e-6)
    by = np.column_stack(
        [(results(solved.x + h) - results(solved.x - h)) / (2 * h[i]) for i, h in enumerate(np.diag(step))],
    )
    scale = np.linalg.norm(solved.jac, axis=0)
    # The tilt residual has three components of rank two: the normal matrix stays regular.
    cov = np.linalg.inv((solved.jac / scale).T @ (solved.jac / scale)) / scale / scale[:, None]
    return results(solved.x), by @ cov @ by.T, 2.0 * solved.cost


def test_two_steps_equal_one_joint_adjustment():
    survey, epochs = joint_problem(3)
    prior = MotionPrior.from_floor(2.0)
    rear = {wheel: WHEELS[wheel] for wheel in REAR}
    result = fit_wheels(survey, rear, list(epochs), prior, limits=LOOSE)
    expected, cov, chi2 = brute_force(survey, epochs, prior)

    def figures(state):
        axles = [state[f"axle:{w}"] for w in REAR]
        turn = log_so3(state["floor-1"].rotation @ survey["floor-1"].rotation.T)
        shown = [a.rotation[:, 2] for a in axles] + [a.translation_mm for a in axles]
        return np.concatenate([*shown, state["floor-1"].translation_mm, turn])

    bodies = ["floor-1", "axle:rear_left", "axle:rear_right"]
    ours = result.poses.of(bodies).propagate([f"v{i}" for i in range(18)], figures)
    sigma = np.sqrt(np.diag(cov))
    assert result.chi2 == pytest.approx(chi2, rel=1e-3)
    # Equal to first order: far below what the data can show.
    assert np.abs((ours.value - expected) / sigma).max() < 0.01
    assert np.abs((survey["floor-1"].translation_mm - expected[12:15]) / sigma[12:15]).max() > 0.05
    cov = cov * max(1.0, result.sigma0) ** 2
    sigma = np.sqrt(np.diag(cov))
    assert np.allclose(ours.cov / sigma / sigma[:, None], cov / sigma / sigma[:, None], atol=0.01)
