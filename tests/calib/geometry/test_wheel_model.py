import math
from dataclasses import replace

import numpy as np
import pytest

from calib.geometry.wheel_data import MotionPrior, WheelSpec, gather
from calib.geometry.wheel_model import jacobians, moved_state, predict, remounted, residuals
from calib.geometry.wheel_start import helical_axis, start
from calib.geometry.wheel_state import Columns, RollState, plane_basis
from tests.support.rolling_car import POINTS_MM, RollingCar, epochs_of, roll_survey, turn_about

WHEELS = {wheel: WheelSpec(f"wheel-{wheel.replace('_', '-')}") for wheel in POINTS_MM}
CAR = RollingCar(
    yaw_deg={"rear_left": -0.1, "rear_right": 0.3, "front_left": 0.2},
    camber_deg={"rear_left": -1.5, "rear_right": -1.0, "front_right": 0.7},
)


def rolled(rolls_deg, noise_seed=None, skip=()):
    epochs = epochs_of(
        rolls_deg,
        **{"roll-1": {"yaw_deg": 3.0, "side_mm": 30.0, "steer_deg": 0.6}, "roll-2": {"yaw_deg": -1.0, "heave_mm": 2.0}},
    )
    rng = None if noise_seed is None else np.random.default_rng(noise_seed)
    poses = roll_survey(CAR, epochs, rng=rng, skip=skip)
    return gather(poses, WHEELS, list(epochs), MotionPrior.from_floor(2.0)).data, epochs


def shaken(data, state: RollState, seed: int) -> RollState:
    step = np.random.default_rng(seed).normal(size=Columns.of(data, len(state.mount_rotation)).size)
    size = np.tile([1e-2], len(step))
    return moved_state(data, state, step * size)


def test_analytic_jacobians_agree_with_differences():
    data, _ = rolled([0, 50, 130, 200])
    data, state = remounted(data, shaken(data, start(data), 1), 2, after=1)
    data = replace(data, pivot=state.point + 30.0, pivot_along=state.axis)
    # Observations equal to the prediction: a rotation vector's derivative is the turn's only at zero.
    rotation, origin = predict(data, state)
    data = replace(data, rotation=rotation, origin=origin + 0.1)
    observed, prior = jacobians(data, state)
    for j in range(observed.shape[1]):
        h = np.zeros(observed.shape[1])
        h[j] = 1e-6
        plus, minus = residuals(data, moved_state(data, state, h)), residuals(data, moved_state(data, state, -h))
        assert np.allclose(observed[:, j], (plus[0] - minus[0]) / 2e-6, atol=2e-5 * max(1.0, np.abs(observed[:, j]).max()))
        assert np.allclose(prior[:, j], (plus[1] - minus[1]) / 2e-6, atol=2e-5 * max(1.0, np.abs(prior[:, j]).max()))


@pytest.mark.parametrize("rolls_deg", [[0, 45, 90], [0, 10, 20], [0, 180, 360], [0, -120, -250, -300], [0, 90, 180, 270, 700]])
def test_start_is_near_for_any_roll_angle_and_a_turning_car(rolls_deg):
    data, epochs = rolled(rolls_deg)
    state = start(data)
    for w, wheel in enumerate(data.wheels):
        off_deg = math.degrees(np.linalg.norm(np.cross(state.axis[w], CAR.axis(wheel))))
        # The car turned by 3° meanwhile; the adjustment comes home from twice that.
        assert off_deg < 6.0, wheel
        assert state.axis[w] @ CAR.axis(wheel) > 0
    for i in data.moved:
        wheel = data.wheels[data.wheel[i]]
        side = 1.0 if wheel.endswith("left") else -1.0
        roll = side * CAR.roll_rad(wheel, epochs[data.epochs[data.epoch[i]]])
        assert math.degrees(abs(math.remainder(state.turn[i] - roll, 2 * math.pi))) < 6.0


def test_an_epoch_may_lack_wheels():
    skip = ["wheel-rear-left@roll-1", "wheel-front-right@roll-3", "wheel-front-left@roll-2"]
    data, _ = rolled([0, 60, 120, 200, 270], skip=skip)
    assert len(data.wheel) == 17
    assert np.count_nonzero(data.wheel == 0) == 4


def test_prediction_with_run_out_shows_the_published_averaged_normal():
    # published-checks.json, runout_mean: a board 1.5° crooked, averaged over two roll angles: 1.5° cos(θ/2)
    data, _ = rolled([0, 30, 60])
    base = start(data)
    a = base.axis[0]
    tilt = plane_basis(base.axis, data.up)[0][:, 1]
    face = turn_about(tilt, math.radians(1.5)) @ a
    x = np.cross(data.up, face)
    x /= np.linalg.norm(x)
    crooked = base.mount_rotation.copy()
    crooked[0] = np.column_stack([x, np.cross(-face, x), -face])
    still = np.tile(np.eye(3), (3, 1, 1))
    at = int(np.flatnonzero((data.wheel == 0) & (data.epoch == 0))[0])
    rest = int(np.flatnonzero((data.wheel == 0) & (data.epoch == data.rest))[0])
    published = {0: 1.5, 30: 1.44891, 60: 1.29911, 90: 1.06078, 120: 0.75013, 180: 0.0}
    for theta_deg, residual_deg in published.items():
        turn = base.turn.copy()
        turn[at] = math.radians(theta_deg)
        rotation, _ = predict(data, replace(base, mount_rotation=crooked, turn=turn, car_rotation=still, steer=np.zeros(3)))
        mean = -(rotation[at] + rotation[rest])[:, 2]
        off = math.degrees(math.atan2(np.linalg.norm(np.cross(mean, a)), mean @ a))
        assert off == pytest.approx(residual_deg, abs=1e-4)


@pytest.mark.parametrize(("theta_deg", "published_sd_deg"), [(10, 0.40566), (60, 0.07071), (90, 0.05), (180, 0.03536)])
def test_helical_axis_scatters_as_published(theta_deg, published_sd_deg):
    # published-checks.json, helical_axis_sd (Woltring's form): 0.05° per axis and pose
    rng = np.random.default_rng(theta_deg)
    axis, runs = np.array([0.0, 1.0, 0.0]), 800
    off = []
    for noise in rng.normal(0, math.radians(0.05), (runs, 2, 3)):
        pair = [
            turn_about(n, np.linalg.norm(n)) @ turn_about(axis, a)
            for n, a in zip(noise, (0, math.radians(theta_deg)), strict=True)
        ]
        off.append(helical_axis(np.array(pair), axis)[[0, 2]])
    # two values a run: 3 / sqrt(2 * 1600) = 0.053
    assert math.degrees(np.std(off)) == pytest.approx(published_sd_deg, rel=0.053)
