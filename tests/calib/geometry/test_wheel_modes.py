"""Wheels that cannot roll, holders whose seat is known, boards on the body, and the way the rear axle goes."""

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.geometry.vehicle import vehicle_figures
from calib.geometry.wheel_data import gather
from calib.geometry.wheel_model import jacobians, moved_state, predict, residuals
from calib.geometry.wheel_path import way_in_words
from calib.geometry.wheel_start import start
from calib.geometry.wheel_state import Columns
from calib.geometry.wheels import Mode, MotionPrior, StandOff, WheelSpec, apply_standoffs, fit_wheels
from tests.support.rolling_car import (
    POINTS_MM,
    STANDOFF_MM,
    UP,
    CarPosition,
    RollingCar,
    carried,
    epochs_of,
    mirrored,
    motion,
    roll_survey,
    turn_about,
)
from vision.errors import MeasurementError
from vision.frames import Pose
from vision.poses import PoseSet

MARK_MM = (120.0, 100.0, 0.0)
QUARTERS = [0, 90, 180, 270]
ON_BODY = ("body-1", "body-2")
YAW_DEG = {"rear_left": -0.1, "rear_right": 0.3, "front_left": 0.2}
CAMBER_DEG = {"rear_left": -1.5, "rear_right": -1.0, "front_right": 0.7}
KNOWN = {wheel: StandOff(STANDOFF_MM, 0.6) for wheel in POINTS_MM}


@dataclass(frozen=True)
class HeldCar(RollingCar):
    """Boards in holders: square and central but for normal errors of these half-widths (k = 2) about each board axis."""

    mounting_pm_deg: float = 0.5
    centring_pm_mm: float = 1.0

    def mounting(self, wheel: str) -> np.ndarray:
        rng = np.random.default_rng([self.seed, list(POINTS_MM).index(wheel)])
        z = -self.axis(wheel)
        x = np.cross(z, UP) / np.linalg.norm(np.cross(z, UP))
        square = np.column_stack([x, np.cross(z, x), z]) @ turn_about([0, 0, 1], rng.uniform(0, 2 * math.pi))
        a, b = np.radians(rng.normal(0, self.mounting_pm_deg / 2, 2))
        rotation = square @ turn_about([1, 0, 0], a) @ turn_about([0, 1, 0], b)
        pierce = np.array(self.points_mm[wheel]) + STANDOFF_MM * self.axis(wheel)
        out = np.eye(4)
        out[:3, :3] = rotation
        off = rng.normal(0, self.centring_pm_mm / 2, 2)
        out[:3, 3] = pierce - rotation @ np.array(MARK_MM) + rotation[:, :2] @ off
        return out


def specs(centring_pm_mm: float | None = None, mounting_pm_deg: float | None = None) -> dict[str, WheelSpec]:
    square = None if mounting_pm_deg is None else math.radians(mounting_pm_deg)
    return {wheel: WheelSpec(f"wheel-{wheel.replace('_', '-')}", MARK_MM, centring_pm_mm, square) for wheel in POINTS_MM}


def table(result):
    return vehicle_figures(apply_standoffs(result.poses, KNOWN), KNOWN)


FLOOR = MotionPrior.from_floor(2.0)
LIFT = MotionPrior.on_lift(1.0)


def turned_by_hand(seed: int = 3, count: int = 3, rock: float = 1.0) -> dict[str, CarPosition]:
    """Epochs on a lift: every wheel another angle, the car rocking as `MotionPrior.on_lift(1.0)` says."""
    rng = np.random.default_rng(seed)
    out = {}
    for i in range(count):
        angles = {wheel: float(rng.uniform(40, 160) * rng.choice([-1, 1])) for wheel in POINTS_MM}
        lean, yaw = rng.normal(0, math.degrees(0.5e-3), 2) * rock, float(rng.normal(0, math.degrees(0.5e-3)) * rock)
        side, heave, way = rng.normal(0, 0.5, 3) * rock
        roll_deg = math.degrees(way / 310.0)
        out[f"roll-{i + 1}"] = CarPosition(roll_deg, yaw, side, heave, (lean[0], lean[1]), by_hand_deg=angles)
    return out | {"rest": CarPosition(0.0, by_hand_deg=dict.fromkeys(POINTS_MM, 0.0))}


def test_analytic_jacobians_of_everything_known_agree_with_differences():
    epochs = epochs_of([0, 50, 130], **{"roll-1": {"yaw_deg": 3.0, "side_mm": 30.0}})
    poses = roll_survey(RollingCar(yaw_deg=YAW_DEG), epochs, on_body=ON_BODY)
    data = gather(poses, specs(1.0, 0.5), list(epochs), LIFT, Mode.SPIN, ON_BODY).data
    state = start(data)
    step = 1e-2 * np.random.default_rng(1).normal(size=Columns.of(data, len(state.mount_rotation)).size)
    state = moved_state(data, state, step)
    data = replace(data, pivot=state.point + 30.0, pivot_along=state.axis)
    rotation, origin = predict(data, state)
    data = replace(data, rotation=rotation, origin=origin + 0.1)
    observed, prior = jacobians(data, state)
    assert len(prior) == 3 * 2 + 1 + 3 * 2 + 2 * 4 + 2 * 4
    for j in range(observed.shape[1]):
        h = np.zeros(observed.shape[1])
        h[j] = 1e-6
        plus, minus = residuals(data, moved_state(data, state, h)), residuals(data, moved_state(data, state, -h))
        assert np.allclose(observed[:, j], (plus[0] - minus[0]) / 2e-6, atol=2e-5 * max(1.0, np.abs(observed[:, j]).max()))
        assert np.allclose(prior[:, j], (plus[1] - minus[1]) / 2e-6, atol=2e-5 * max(1.0, np.abs(prior[:, j]).max())), j


def test_a_standing_car_with_perfect_holders_shows_its_axles():
    car = HeldCar(yaw_deg=YAW_DEG, camber_deg=CAMBER_DEG, mounting_pm_deg=0.0, centring_pm_mm=0.0)
    epochs = epochs_of([0])
    result = fit_wheels(roll_survey(car, epochs), specs(1.0, 0.5), ["rest"], FLOOR, standoffs=KNOWN, mode=Mode.STATIC)
    shown = table(result)
    built = {"rear_total_toe": 0.4, "camber_rear_left": -1.5, "front_toe_left_to_thrust": -0.1, "thrust_angle": 0.1}
    for name, value in built.items():
        assert shown[name].value == pytest.approx(value, abs=1e-5), name
    assert shown["wheelbase_left"].value == pytest.approx(2700.0, abs=2e-3)
    assert result.rolling.names == ()
    assert result.sigma0 == 1.0


def test_the_holders_error_is_in_u_of_a_standing_car():
    epochs = epochs_of([0])
    result = fit_wheels(
        roll_survey(RollingCar(crooked_deg=0.3), epochs, deg=1e-4, mm=1e-3), specs(1.0, 0.5), ["rest"], FLOOR, mode=Mode.STATIC
    )
    shown = vehicle_figures(result.poses)
    # Each board ±0.5° about an upright axis: camber as it is, total toe √2 times that
    assert shown["camber_rear_left"].u == pytest.approx(0.5, rel=0.01)
    assert shown["rear_total_toe"].u == pytest.approx(0.5 * math.sqrt(2.0), rel=0.01)
    assert set(result.poses.parts) == {"corners", "car motion", "centring", "board mounting"}
    rows = result.poses.rows(["axle:rear_left"])
    along = result.poses.parts["centring"][rows[3], rows[3]]
    assert 2 * math.sqrt(along) == pytest.approx(1.0, rel=0.01)


def errors_over_u(result, car) -> list[float]:
    """Yaw, camber and place along the car and up of all axles, over their standard uncertainty."""
    out = []
    for wheel in POINTS_MM:
        pose, cov = result.poses[f"axle:{wheel}"], result.poses.cov_of([f"axle:{wheel}"])
        off = np.cross(car.axis(wheel), pose.rotation[:, 2])
        gap = pose.translation_mm - (np.array(car.points_mm[wheel]) + STANDOFF_MM * car.axis(wheel))
        x, y, z = pose.translation_mm
        shift = np.hstack([[[0, z, -y], [-z, 0, x], [y, -x, 0]], np.eye(3)])
        at = shift @ cov @ shift.T
        out += [off[2] / math.sqrt(cov[2, 2]), off[0] / math.sqrt(cov[0, 0])]
        out += [gap[0] / math.sqrt(at[0, 0]), gap[2] / math.sqrt(at[2, 2])]
    return out


@pytest.mark.parametrize("mode", [Mode.STATIC, Mode.SPIN])
def test_errors_scatter_as_stated(mode):
    rng, ratios = np.random.default_rng(17), []
    for seed in range(15):
        car = HeldCar(yaw_deg=YAW_DEG, camber_deg=CAMBER_DEG, seed=seed)
        epochs = epochs_of([0]) if mode is Mode.STATIC else turned_by_hand(seed)
        prior = FLOOR if mode is Mode.STATIC else LIFT
        known = specs(1.0, 0.5) if mode is Mode.STATIC else specs()
        poses = roll_survey(car, epochs, rng=rng)
        ratios += errors_over_u(fit_wheels(poses, known, list(epochs), prior, mode=mode), car)
    # 240 values, nearly independent when static; on the lift the car's common motion leaves some 60: 3 / sqrt(120) = 0.27
    assert np.sqrt(np.mean(np.square(ratios))) == pytest.approx(1.0, abs=0.14 if mode is Mode.STATIC else 0.27)


def test_roll_epochs_do_not_count_in_static_mode():
    epochs, car = epochs_of(QUARTERS), HeldCar(yaw_deg=YAW_DEG)
    poses = roll_survey(car, epochs)
    alone = fit_wheels(poses, specs(1.0, 0.5), ["rest"], FLOOR, mode=Mode.STATIC)
    among = fit_wheels(poses, specs(1.0, 0.5), list(epochs), FLOOR, mode=Mode.STATIC)
    a, b = (result.poses["axle:rear_left"] for result in (alone, among))
    assert np.allclose(a.rotation, b.rotation, atol=1e-9)
    assert np.allclose(a.translation_mm, b.translation_mm, atol=1e-6)
    assert among.rolling.names == ()


def test_wheels_turned_by_hand_give_the_axles_of_a_lifted_car():
    car = RollingCar(yaw_deg=YAW_DEG, camber_deg=CAMBER_DEG)
    epochs = turned_by_hand(rock=0.0)
    result = fit_wheels(roll_survey(car, epochs), specs(), list(epochs), LIFT, standoffs=KNOWN, mode=Mode.SPIN)
    shown = table(result)
    for name, value in {"rear_total_toe": 0.4, "camber_front_right": 0.7, "thrust_angle": 0.1, "track_rear": 1500.0}.items():
        assert shown[name].value == pytest.approx(value, abs=2e-3), name
    assert not [name for name in result.rolling.names if name.startswith(("radius:", "travel_to"))]
    turned = result.rolling.value[result.rolling.index("roll:front_left@roll-2_rad")]
    assert math.degrees(turned) == pytest.approx(epochs["roll-2"].by_hand_deg["front_left"], abs=0.01)


def test_half_widths_at_the_wheels_are_two_sigmas():
    lift = MotionPrior.on_lift(2.0)
    assert (lift.heave_sigma_mm, lift.tilt_sigma_rad, lift.travel_sigma_mm, lift.yaw_sigma_rad) == (1.0, 1e-3, 1.0, 1e-3)
    soft = FLOOR.settling(3.0)
    assert (soft.settle_sigma_mm, soft.settle_sigma_rad, soft.heave_sigma_mm) == (1.5, 1.5e-3, FLOOR.heave_sigma_mm)


def test_two_epochs_are_enough_where_the_car_stays():
    epochs = turned_by_hand(count=1, rock=0.0)
    result = fit_wheels(roll_survey(RollingCar(), epochs), specs(), list(epochs), LIFT, mode=Mode.SPIN)
    assert vehicle_figures(result.poses)["rear_total_toe"].u < 0.15


def test_a_rear_wheel_not_turned_by_hand_is_named_with_what_to_do():
    epochs = turned_by_hand(rock=0.0)
    still = {n: replace(p, by_hand_deg={**p.by_hand_deg, "rear_right": 0.0}) for n, p in epochs.items()}
    with pytest.raises(MeasurementError, match="rear right wheel turned only 0°") as caught:
        fit_wheels(roll_survey(RollingCar(), still), specs(), list(still), LIFT, mode=Mode.SPIN)
    assert caught.value.hint.startswith("turn the rear right wheel about 0.")
    assert "of a wheel turn further by hand" in caught.value.hint


def test_a_front_wheel_not_turned_by_hand_is_left_out():
    epochs = turned_by_hand(rock=0.0)
    still = {n: replace(p, by_hand_deg={**p.by_hand_deg, "front_left": 0.0}) for n, p in epochs.items()}
    result = fit_wheels(roll_survey(RollingCar(), still), specs(), list(still), LIFT, mode=Mode.SPIN)
    assert result.remarks[0].startswith("without the front left wheel: the front left wheel turned only 0°")
    assert "axle:front_right" in result.poses


def test_a_car_that_rolled_is_not_on_a_lift():
    epochs = epochs_of(QUARTERS)
    with pytest.raises(MeasurementError, match=r"the car moved 14\d\d mm .* \(mode = \"spin\", lift_pm_mm = 1\)") as caught:
        fit_wheels(roll_survey(RollingCar(), epochs), specs(), list(epochs), LIFT, mode=Mode.SPIN)
    assert "strike mode out under [wheels]" in caught.value.hint


def test_a_wheel_seen_in_rest_only_is_told_in_spin_mode():
    epochs = turned_by_hand()
    skip = [f"wheel-rear-left@roll-{i}" for i in (1, 2, 3)]
    with pytest.raises(MeasurementError, match=r"seen in 1 epoch \(rest\), at least 2 are needed") as caught:
        fit_wheels(roll_survey(RollingCar(), epochs, skip=skip), specs(), list(epochs), LIFT, mode=Mode.SPIN)
    assert "by hand" in caught.value.hint


def axle_u_mm(result, wheel="rear_left") -> float:
    """U of the axle's place along the car."""
    body = f"axle:{wheel}"
    _, y, z = result.poses[body].translation_mm
    along = np.array([0.0, z, -y, 1.0, 0.0, 0.0])
    return 2 * math.sqrt(along @ result.poses.cov_of([body]) @ along)


def test_self_centring_holders_tighten_the_axle_along_the_car():
    epochs, car = epochs_of([0, 45, 90]), HeldCar(centring_pm_mm=0.5, mounting_pm_deg=4.0)
    poses = roll_survey(car, epochs)
    without = fit_wheels(poses, specs(), list(epochs), FLOOR)
    tight = fit_wheels(poses, specs(centring_pm_mm=0.5), list(epochs), FLOOR)
    # 2.6 mm (k = 1) from rolling alone (test_wheels.py); the holder alone says 0.5 mm
    assert axle_u_mm(without) == pytest.approx(5.2, rel=0.15)
    assert axle_u_mm(tight) < 0.6
    assert tight.remarks == ()


@pytest.mark.parametrize("wheel", ["rear_left", "front_right"])
def test_an_axis_that_passes_elsewhere_is_told_and_the_holder_does_not_count(wheel):
    epochs = epochs_of(QUARTERS)
    straight, crooked = HeldCar(centring_pm_mm=0.5), HeldCar(centring_pm_mm=16.0)
    poses = roll_survey(straight, epochs, rng=np.random.default_rng(2))
    board = f"wheel-{wheel.replace('_', '-')}"
    moved = [
        Pose.from_matrix("survey", p.source, crooked.board(wheel, epochs[p.source.split("@")[1]])) if board in p.source else p
        for p in poses
    ]
    result = fit_wheels(PoseSet(tuple(moved), poses.cov, poses.parts), specs(centring_pm_mm=0.5), list(epochs), FLOOR)
    (told,) = result.remarks
    assert told.startswith(f"the spin axis of the {wheel.replace('_', ' ')} wheel passes ")
    assert f"beside the centre mark of {board}, which centring_pm_mm = 0.5 excludes" in told
    said_mm = float(told.split("passes ")[1].split(" mm")[0])
    rng = np.random.default_rng([1, list(POINTS_MM).index(wheel)])
    rng.uniform(), rng.normal(size=2)
    assert said_mm == pytest.approx(np.linalg.norm(rng.normal(0, 8.0, 2)), abs=1.0)
    assert np.abs(errors_over_u(result, straight)).max() < 4.0


def test_a_board_far_from_square_is_told():
    epochs = epochs_of(QUARTERS)
    poses = roll_survey(RollingCar(crooked_deg=4.0), epochs, rng=np.random.default_rng(2))
    result = fit_wheels(poses, specs(mounting_pm_deg=0.3), list(epochs), FLOOR)
    assert len(result.remarks) == 4
    assert all("off square to the spin axis" in told for told in result.remarks)
    assert "which mounting_pm_deg = 0.3 excludes" in result.remarks[0]


@pytest.mark.slow
def test_sound_holders_are_hardly_ever_doubted():
    rng, epochs = np.random.default_rng(5), epochs_of(QUARTERS)
    for seed in range(12):
        car = HeldCar(seed=seed)
        assert fit_wheels(roll_survey(car, epochs, rng=rng), specs(1.0, 0.5), list(epochs), FLOOR).remarks == ()


STIFF = FLOOR.settling(0.0)


def test_boards_on_the_body_tighten_the_roll_fit():
    epochs = epochs_of([0, 45, 90])
    poses = roll_survey(RollingCar(), epochs, on_body=ON_BODY)
    without = fit_wheels(poses, specs(), list(epochs), STIFF)
    with_body = fit_wheels(poses, specs(), list(epochs), STIFF, body_boards=ON_BODY)
    on_springs = fit_wheels(poses, specs(), list(epochs), FLOOR, body_boards=ON_BODY)
    assert axle_u_mm(with_body) < 0.6 * axle_u_mm(without)
    assert axle_u_mm(with_body) < axle_u_mm(on_springs) < axle_u_mm(without)
    row = on_springs.poses.rows(["axle:rear_left"])[3]
    assert on_springs.poses.parts["springs"][row, row] > 0.05 * on_springs.poses.cov[row, row]
    assert {"body-1@rest", "body-2@rest"} <= set(with_body.poses.bodies)
    assert np.allclose(sum(on_springs.poses.parts.values()), on_springs.poses.cov, rtol=1e-9, atol=1e-15)


def test_boards_on_the_body_see_the_car_heave_and_turn():
    lean = {"roll-1": {"heave_mm": 2.5, "lean_deg": (0.1, -0.05), "yaw_deg": 0.4}}
    epochs = epochs_of(QUARTERS, **lean)
    rough = MotionPrior(10.0, 1e-2, settle_sigma_mm=0.0, settle_sigma_rad=0.0)
    poses = roll_survey(RollingCar(kingpin_mm=90.0), epochs, on_body=ON_BODY)
    rolling = fit_wheels(poses, specs(), list(epochs), rough, body_boards=ON_BODY).rolling
    for name, value in {
        "heave@roll-1_mm": 2.5,
        "yaw@roll-1_rad": math.radians(0.4),
        "roll@roll-1_rad": math.radians(0.1),
    }.items():
        assert rolling.value[rolling.index(name)] == pytest.approx(value, abs=0.05 if name.endswith("mm") else 1e-4), name
    assert 2 * rolling.sigma("heave@roll-1_mm") < 0.5


def test_scatter_with_a_body_on_springs_agrees_with_the_stated_sigmas():
    # Nobody knows how the car heaves and tilts but the boards on its body, and these no better than its springs.
    rough, rng, ratios = MotionPrior(10.0, 1e-2), np.random.default_rng(23), []
    for seed in range(12):
        names = [f"roll-{i}" for i in (1, 2, 3)]
        tilt = {n: {"heave_mm": rng.normal(), "lean_deg": tuple(rng.normal(0, 0.03, 2))} for n in names}
        epochs, car = epochs_of([0, 45, 90, 135], **tilt), RollingCar(seed=seed, kingpin_mm=90.0)
        settled = {
            n: motion(turn_about([1, 0, 0], a) @ turn_about([0, 1, 0], b), [1350, 0, 310], [0, 0, h])
            for n in epochs
            for a, b, h in [rng.normal(0, [1e-3, 1e-3, 1.0])]
        }
        poses = roll_survey(car, epochs, rng=rng, on_body=ON_BODY)
        sprung = [
            Pose.from_matrix("survey", "survey", settled[p.source.split("@")[1]]) @ p if p.source.startswith("body") else p
            for p in poses
        ]
        poses = PoseSet(tuple(sprung), poses.cov, poses.parts)
        result = fit_wheels(poses, specs(), list(epochs), rough, body_boards=ON_BODY)
        ratios += errors_over_u(result, car)
    # Sixteen figures a run share the car's motion: some five independent ones; 3 / sqrt(2 * 60) = 0.27
    assert np.sqrt(np.mean(np.square(ratios))) == pytest.approx(1.0, abs=0.27)


def test_a_board_that_moved_on_the_body_is_named():
    epochs = epochs_of(QUARTERS)
    poses = roll_survey(RollingCar(), epochs, on_body=ON_BODY, rng=np.random.default_rng(3))
    kick = Pose.from_rt("survey", "survey", np.zeros(3), [12.0, 0.0, 0.0])
    kicked = [kick @ p if p.source in ("body-2@roll-3", "body-2@rest") else p for p in poses]
    words = r"board body-2 moved on the car's body, or the body on its wheels, between roll-2 and roll-3, by 1\d\.\d mm"
    with pytest.raises(MeasurementError, match=words) as caught:
        fit_wheels(PoseSet(tuple(kicked), poses.cov, poses.parts), specs(), list(epochs), STIFF, body_boards=ON_BODY)
    assert "fasten the body-2 board" in caught.value.hint


def test_a_board_on_the_body_not_seen_in_rest_does_not_count():
    epochs = epochs_of(QUARTERS)
    poses = roll_survey(RollingCar(), epochs, on_body=ON_BODY, skip=["body-1@rest"])
    result = fit_wheels(poses, specs(), list(epochs), STIFF, body_boards=ON_BODY)
    assert "body-1@roll-1" in result.poses.bodies
    assert "body-2@roll-1" not in result.poses.bodies


def way(result) -> tuple[float, float]:
    i = result.rolling.index("travel_to_thrust_rad")
    return math.degrees(result.rolling.value[i]), 2 * math.degrees(result.rolling.sigma("travel_to_thrust_rad"))


def along_thrust(yaw_deg: float, rolls=QUARTERS, extra: float = 0.0, **more) -> dict[str, CarPosition]:
    """Epochs of a car whose way leads `yaw_deg` to the left of its x axis."""
    names = [f"roll-{i + 1}" for i in range(len(rolls) - 1)]
    sides = {
        n: {"side_mm": 310.0 * math.radians(r - rolls[-1]) * math.tan(math.radians(yaw_deg)) + extra * i, **more.get(n, {})}
        for i, (n, r) in enumerate(zip(names, rolls[:-1], strict=True))
    }
    return epochs_of(rolls, **sides)


def test_the_rear_axles_middle_goes_along_the_thrust_line():
    car, epochs = RollingCar(yaw_deg={"rear_left": -0.1, "rear_right": 0.3}), along_thrust(0.1)
    result = fit_wheels(roll_survey(car, epochs), specs(), list(epochs), FLOOR)
    angle, u = way(result)
    assert angle == pytest.approx(0.0, abs=1e-4)
    assert 0.005 < u < 0.05
    assert result.remarks == ()
    assert way_in_words(result.rolling).endswith("of the thrust line: along it, as sure as that is known")


def test_a_little_side_slip_is_told_and_that_no_figure_rests_on_it():
    car, epochs = RollingCar(yaw_deg={"rear_left": -0.1, "rear_right": 0.3}), along_thrust(0.03)
    result = fit_wheels(roll_survey(car, epochs), specs(), list(epochs), FLOOR)
    assert result.remarks == ()  # 0.07° of 1.46 m are 1.8 mm
    words = way_in_words(result.rolling)
    assert "0.07° (U 0.0" in words
    assert "to the right of the thrust line, and the car yawed by 0.00°: tyres and bushes give way by as much (0.12°" in words


def test_a_crab_is_told_with_its_side():
    car, epochs = RollingCar(yaw_deg={"rear_left": -0.1, "rear_right": 0.3}), along_thrust(-0.4)
    result = fit_wheels(roll_survey(car, epochs), specs(), list(epochs), FLOOR)
    assert way(result)[0] == pytest.approx(-0.5, abs=1e-3)
    (told,) = result.remarks
    assert told.startswith("while rolling, the rear axle's middle went 0.50° (U 0.0")
    assert way_in_words(result.rolling).endswith("more than tyres and bushes give way; see the note")
    assert "to the right of the thrust line, although the car did not yaw" in told


def test_a_way_in_a_bend_is_told_against_the_heading_half_way():
    # A bend of one curvature about a centre on the rear axle's line: the rear middle keeps to its heading.
    rolls, bend_deg, half_base = [0, 90, 180], 2.0, 1350.0
    epochs = {}
    for name, share in (("roll-1", 1.0), ("roll-2", 0.5)):
        yaw = -math.radians(bend_deg) * share
        radius = -310.0 * math.radians(rolls[-1]) * share / yaw
        rear = np.array([radius * math.sin(yaw), radius * (1 - math.cos(yaw))])
        centre = rear + half_base * np.array([math.cos(yaw), math.sin(yaw)]) - [half_base, 0.0]
        turn = np.array([[math.cos(yaw / 2), math.sin(yaw / 2)], [-math.sin(yaw / 2), math.cos(yaw / 2)]])
        ahead, side = turn @ centre
        epochs[name] = CarPosition(math.degrees(ahead / 310.0), math.degrees(yaw), side_mm=side)
    epochs["rest"] = CarPosition(0.0)
    result = fit_wheels(roll_survey(RollingCar(kingpin_mm=90.0), epochs), specs(), list(epochs), FLOOR, standoffs=KNOWN)
    assert way(result)[0] == pytest.approx(0.0, abs=2e-3)


def test_a_yawing_cars_way_is_told_but_not_judged():
    more = {"roll-1": {"yaw_deg": 0.5}}
    epochs = along_thrust(1.0, **more)
    (told,) = fit_wheels(roll_survey(RollingCar(), epochs), specs(), list(epochs), FLOOR).remarks
    assert "not judged, as the car yawed by 0.5° meanwhile" in told


@pytest.mark.slow
def test_the_ways_angle_is_as_sure_as_it_says():
    rng, ratios = np.random.default_rng(29), []
    car, epochs = RollingCar(yaw_deg={"rear_left": -0.1, "rear_right": 0.3}), along_thrust(0.1)
    for _ in range(25):
        angle, u = way(fit_wheels(roll_survey(car, epochs, rng=rng), specs(), list(epochs), FLOOR))
        ratios.append(2 * angle / u)
    # 3 / sqrt(2 * 25) = 0.42
    assert np.sqrt(np.mean(np.square(ratios))) == pytest.approx(1.0, abs=0.42)


HELD = HeldCar(yaw_deg=YAW_DEG, camber_deg=CAMBER_DEG, seed=4)
turns = st.floats(-3.0, 3.0)
shifts = st.floats(-5000.0, 5000.0)


def noisy(mode: Mode) -> tuple[PoseSet, list[str], MotionPrior]:
    epochs = epochs_of([0]) if mode is Mode.STATIC else turned_by_hand(8)
    poses = roll_survey(HELD, epochs, rng=np.random.default_rng(6), on_body=ON_BODY)
    return poses, list(epochs), FLOOR if mode is Mode.STATIC else LIFT


@pytest.mark.parametrize("mode", [Mode.STATIC, Mode.SPIN])
@settings(max_examples=4, deadline=None)
@given(turn=st.tuples(turns, turns, turns), shift=st.tuples(shifts, shifts, shifts))
def test_figures_of_a_car_that_did_not_roll_stay_in_any_frame(mode, turn, shift):
    poses, epochs, prior = noisy(mode)
    carry = Pose.from_rt("survey", "survey", list(turn), list(shift))
    here, there = (
        table(fit_wheels(p, specs(1.0, 0.5), epochs, prior, standoffs=KNOWN, mode=mode, body_boards=ON_BODY))
        for p in (poses, carried(poses, carry))
    )
    for a, b in zip(here.figures, there.figures, strict=True):
        if a.name not in ("thrust_direction", "centreline_direction"):  # told from where the floor frame's x happens to lie
            assert b.value == pytest.approx(a.value, abs=1e-4 if a.unit == "deg" else 1e-2), a.name
        assert b.u == pytest.approx(a.u, rel=2e-3), a.name


@pytest.mark.parametrize("mode", [Mode.STATIC, Mode.SPIN])
def test_a_mirrored_car_that_did_not_roll_flips_the_signs(mode):
    poses, epochs, prior = noisy(mode)
    poses = poses.of([body for body in poses.bodies if not body.startswith("body")])
    x, y, z = MARK_MM
    in_mirror = {wheel: replace(spec, centre_mm=(-x, y, z)) for wheel, spec in specs(1.0, 0.5).items()}
    here = table(fit_wheels(poses, specs(1.0, 0.5), epochs, prior, standoffs=KNOWN, mode=mode))
    there = table(fit_wheels(mirrored(poses), in_mirror, epochs, prior, standoffs=KNOWN, mode=mode))
    swap = {"left": "right", "right": "left"}
    for name in ("rear_toe_left", "camber_front_right", "front_toe_right", "wheelbase_left", "rear_total_toe"):
        axle = "_".join(swap.get(word, word) for word in name.split("_"))
        assert there[axle].value == pytest.approx(here[name].value, abs=1e-4 if here[name].unit == "deg" else 1e-2), name
        assert there[axle].u == pytest.approx(here[name].u, rel=2e-3), name
    assert there["thrust_angle"].value == pytest.approx(-here["thrust_angle"].value, abs=1e-4)
