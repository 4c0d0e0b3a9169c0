import math
from dataclasses import replace

import numpy as np
import pytest

from calib.geometry.vehicle import vehicle_figures
from calib.geometry.wheels import MotionPrior, RollLimits, StandOff, WheelSpec, apply_standoffs, fit_wheels
from tests.support.rolling_car import POINTS_MM, STANDOFF_MM, RollingCar, epochs_of, motion, roll_survey, turn_about
from vision.errors import MeasurementError
from vision.frames import Pose
from vision.poses import PoseSet

WHEELS = {wheel: WheelSpec(f"wheel-{wheel.replace('_', '-')}") for wheel in POINTS_MM}
QUARTERS = [0, 90, 180, 270]
CAR = RollingCar(yaw_deg={"rear_left": -0.1, "rear_right": 0.3})


def fit(poses, epochs, wheels=None, limits=None):
    return fit_wheels(poses, wheels or WHEELS, list(epochs), MotionPrior.from_floor(2.0), limits=limits)


def changed(poses: PoseSet, change) -> PoseSet:
    """Every wheel board's pose through `change(board, epoch, pose)`."""
    out = [p if "@" not in p.source else change(*p.source.split("@"), p) for p in poses]
    return PoseSet(tuple(out), poses.cov, poses.parts)


def slipped(poses: PoseSet, board: str, epochs, shift_mm: float, tilt_deg: float) -> PoseSet:
    """The board moved in its own plane and about its own x, in the given epochs."""
    step = motion(turn_about([1.0, 0.0, 0.0], math.radians(tilt_deg)), [120.0, 100.0, 0.0], [shift_mm, 0.0, 0.0])

    def change(name, epoch, pose):
        if name != board or epoch not in epochs:
            return pose
        return pose @ Pose.from_matrix(pose.source, pose.source, step)

    return changed(poses, change)


def turned_on_axis(poses: PoseSet, wheel: str, epochs, angle_deg: float, positions) -> PoseSet:
    """The board turned about the spin axis itself."""

    def change(name, epoch, pose):
        if name != WHEELS[wheel].board or epoch not in epochs:
            return pose
        car = CAR.car_motion(positions[epoch])
        axis, point = car[:3, :3] @ CAR.axis(wheel), (car @ np.append(CAR.points_mm[wheel], 1.0))[:3]
        return (
            Pose.from_matrix("survey", "survey", motion(turn_about(axis, math.radians(angle_deg)), point, np.zeros(3))) @ pose
        )

    return changed(poses, change)


def test_only_one_epoch():
    epochs = epochs_of([0])
    with pytest.raises(MeasurementError, match="only one epoch, rest") as caught:
        fit(roll_survey(CAR, epochs), epochs)
    assert "roll-1, roll-2, roll-3" in caught.value.hint
    assert 'mode = "spin"' in caught.value.hint
    assert 'mode = "static"' in caught.value.hint


def test_rest_missing():
    epochs = epochs_of(QUARTERS)
    with pytest.raises(MeasurementError, match="no epoch rest"):
        fit(roll_survey(CAR, epochs), ["roll-1", "roll-2", "roll-3"])


def test_rear_wheel_not_seen_in_rest():
    epochs = epochs_of(QUARTERS)
    poses = roll_survey(CAR, epochs, skip=["wheel-rear-left@rest"])
    with pytest.raises(MeasurementError, match=r"rear left wheel \(wheel-rear-left\) was not seen in rest"):
        fit(poses, epochs)


def test_front_wheel_not_seen_in_rest_is_left_out_and_the_rest_is_measured():
    epochs = epochs_of(QUARTERS)
    result = fit(roll_survey(CAR, epochs, skip=["wheel-front-left@rest"]), epochs)
    (told,) = result.remarks
    assert told.startswith("without the front left wheel: the board of the front left wheel (wheel-front-left) was not seen in")
    assert "add photos of wheel-front-left to photos/rest" in told
    table = vehicle_figures(result.poses)
    assert table["rear_total_toe"].value == pytest.approx(0.4, abs=1e-3)
    assert table["camber_front_right"].value == pytest.approx(0.0, abs=1e-3)
    missing = {figure.name: figure.reason for figure in table.missing}
    assert missing["front_total_toe"] == "not measured: no spin axis of the front left wheel"


def test_two_epochs_never_show_the_axle():
    epochs = epochs_of([0, 90])
    with pytest.raises(MeasurementError, match=r"rear left wheel \(wheel-rear-left\) was seen in 2 epochs \(roll-1, rest\)"):
        fit(roll_survey(CAR, epochs), epochs)


def test_wheel_seen_in_too_few_epochs_is_named():
    epochs = epochs_of(QUARTERS)
    poses = roll_survey(CAR, epochs, skip=["wheel-rear-right@roll-1", "wheel-rear-right@roll-2"])
    with pytest.raises(MeasurementError, match=r"rear right wheel .* seen in 2 epochs \(roll-3, rest\)"):
        fit(poses, epochs)


def test_front_wheel_seen_in_too_few_epochs_costs_only_itself():
    epochs = epochs_of(QUARTERS)
    result = fit(roll_survey(CAR, epochs, skip=["wheel-front-right@roll-1", "wheel-front-right@roll-2"]), epochs)
    assert "seen in 2 epochs (roll-3, rest), at least 3 are needed" in result.remarks[0]
    assert "axle:front_left" in result.poses
    assert "axle:front_right" not in result.poses


def test_three_wheels_only_give_everything_of_three_wheels():
    epochs = epochs_of(QUARTERS)
    three = {wheel: spec for wheel, spec in WHEELS.items() if wheel != "front_right"}
    known = {wheel: StandOff(STANDOFF_MM, 1.0) for wheel in three}
    result = fit(roll_survey(CAR, epochs, wheels=list(three)), epochs, three)
    table = vehicle_figures(apply_standoffs(result.poses, known), known)
    measured = {figure.name for figure in table.figures}
    wanted = {"rear_total_toe", "thrust_direction", "camber_front_left", "front_toe_left_to_thrust", "track_rear"}
    assert wanted | {"diagonal_front_left_rear_right"} <= measured
    assert {figure.reason for figure in table.missing} == {"not measured: no spin axis of the front right wheel"}
    assert table["diagonal_front_left_rear_right"].value == pytest.approx(math.hypot(2700.0, 1510.0), abs=0.01)


def test_rear_pair_is_needed():
    epochs = epochs_of(QUARTERS)
    wheels = {wheel: spec for wheel, spec in WHEELS.items() if wheel != "rear_right"}
    with pytest.raises(MeasurementError, match="no board is named for the rear right wheel"):
        fit(roll_survey(CAR, epochs), epochs, wheels)


def test_unknown_wheel_or_missing_floor_is_our_own_bug():
    epochs = epochs_of(QUARTERS)
    poses = roll_survey(CAR, epochs)
    with pytest.raises(ValueError, match="unknown wheels"):
        fit(poses, epochs, {**WHEELS, "spare": WheelSpec("wheel-spare")})
    with pytest.raises(ValueError, match="floor must be fitted"):
        fit(poses.of([body for body in poses.bodies if body != "floor"]), epochs)


def test_too_little_roll_tells_the_uncertainty_and_how_much_further():
    epochs = epochs_of([0, 2, 4])
    with pytest.raises(
        MeasurementError, match=r"wheel turned only 4° over all epochs: its toe would be known to ±\d\.\d\d°"
    ) as caught:
        fit(roll_survey(CAR, epochs, rng=np.random.default_rng(2)), epochs)
    metres = float(caught.value.hint.split("about ")[1].split(" m")[0])
    turns = float(caught.value.hint.split("further (")[1].split(" of a wheel turn)")[0])
    assert metres == pytest.approx(turns * 2 * math.pi * 0.32, abs=0.06)
    # 2 U(toe) of a quarter turn is well inside the limits, an eighth is not far from them
    assert 0.2 <= metres <= 0.6


def test_rolling_as_far_as_advised_is_enough():
    epochs = epochs_of([0, 8, 16])
    tight = RollLimits(math.radians(0.1), math.radians(0.3), 20.0)
    with pytest.raises(MeasurementError, match="turned only 16°") as caught:
        fit(roll_survey(RollingCar(), epochs), epochs, limits=tight)
    metres = float(caught.value.hint.split("about ")[1].split(" m")[0])
    further_deg = math.degrees(metres * 1000.0 / 310.0)
    epochs = epochs_of([0, 8 + further_deg / 2, 16 + further_deg])
    fit(roll_survey(RollingCar(), epochs), epochs, limits=tight)


def test_a_wheel_that_never_turned_is_too_little_roll_not_a_crash():
    epochs = epochs_of([0, 0, 0, 0])
    with pytest.raises(MeasurementError, match="turned only 0° over all epochs: its toe would be known to beyond"):
        fit(roll_survey(CAR, epochs, rng=np.random.default_rng(1)), epochs)


def test_locked_wheel_skids():
    epochs = epochs_of(QUARTERS)
    poses = roll_survey(CAR, epochs)
    locked = replace(CAR, seed=CAR.seed)

    def change(name, epoch, pose):
        if name != "wheel-rear-right":
            return pose
        drawn = locked.car_motion(epochs[epoch]) @ locked.mounting("rear_right")
        return Pose.from_matrix("survey", pose.source, drawn)

    with pytest.raises(MeasurementError, match=r"rear right wheel turned 0° while the car moved \d+ mm: it skidded"):
        fit(changed(poses, change), epochs)


def test_wheels_turned_on_a_lift_do_not_roll():
    epochs = epochs_of(QUARTERS)
    lifted = replace(CAR, radius_mm=310.0)

    def change(name, epoch, pose):
        wheel = name.removeprefix("wheel-").replace("-", "_")
        side = 1.0 if wheel.endswith("left") else -1.0
        turn = turn_about(lifted.axis(wheel), side * math.radians(epochs[epoch].roll_deg))
        drawn = motion(turn, lifted.points_mm[wheel], np.zeros(3)) @ lifted.mounting(wheel)
        return Pose.from_matrix("survey", pose.source, drawn)

    with pytest.raises(MeasurementError, match=r"turned 270° while the car moved 0 mm: it turned without rolling") as caught:
        fit(changed(roll_survey(lifted, epochs), change), epochs)
    assert 'mode = "spin" under [wheels]' in caught.value.hint


def test_all_wheels_slide_in_one_interval():
    epochs = epochs_of(QUARTERS)
    poses = roll_survey(CAR, epochs, rng=np.random.default_rng(4))

    def slide(_name, epoch, pose):
        if epoch != "roll-1":
            return pose
        return Pose.from_rt("survey", "survey", np.zeros(3), [-40.0, 0.0, 0.0]) @ pose

    with pytest.raises(MeasurementError, match="between roll-1 and roll-2 the wheels turned without rolling, or the car slid"):
        fit(changed(poses, slide), epochs)


@pytest.mark.parametrize(
    ("wheel", "after", "before"),
    [
        ("rear_left", "roll-2", "roll-3"),
        ("rear_right", "roll-1", "roll-2"),
        ("front_left", "roll-3", "rest"),
        ("front_right", "roll-2", "roll-3"),
    ],
)
def test_slipped_board_is_named_with_its_epochs(wheel, after, before):
    epochs = epochs_of(QUARTERS)
    names = list(epochs)
    poses = roll_survey(CAR, epochs, rng=np.random.default_rng([7, list(POINTS_MM).index(wheel)]))
    poses = slipped(poses, WHEELS[wheel].board, names[names.index(before) :], 3.0, 0.5)
    name = rf"{wheel.replace('_', ' ')} wheel \({WHEELS[wheel].board}\)"
    words = f"^the board of the {name} slipped on its wheel between {after} and {before}"
    with pytest.raises(MeasurementError, match=words) as caught:
        fit(poses, epochs)
    assert wheel.replace("_", " ") in caught.value.hint


def test_with_three_epochs_the_slip_may_be_in_either_interval_and_both_are_named():
    epochs = epochs_of([0, 45, 90])
    poses = slipped(roll_survey(CAR, epochs, rng=np.random.default_rng(8)), "wheel-rear-left", ["roll-2", "rest"], 3.0, 0.5)
    with pytest.raises(MeasurementError, match=r"rear left .* between roll-1 and roll-2") as caught:
        fit(poses, epochs)
    assert "rear right" not in caught.value.what


def test_large_slip_is_named_though_it_bends_the_whole_fit():
    epochs = epochs_of(QUARTERS)
    poses = slipped(roll_survey(CAR, epochs, rng=np.random.default_rng(9)), "wheel-front-right", ["rest"], 40.0, 8.0)
    with pytest.raises(MeasurementError, match="front right wheel .* slipped on its wheel between roll-3 and rest"):
        fit(poses, epochs)


def test_slip_round_the_spin_axis_shows_in_the_rolling_radius():
    epochs = epochs_of(QUARTERS)
    poses = roll_survey(CAR, epochs, rng=np.random.default_rng(10))
    # 3° at a radius of 310 mm: 16 mm of travel
    poses = turned_on_axis(poses, "rear_right", ["roll-3", "rest"], 3.0, epochs)
    words = r"between roll-2 and roll-3 the roll angle of the rear right wheel .* disagree by \d+ mm: its board"
    with pytest.raises(MeasurementError, match=words):
        fit(poses, epochs)


def test_slip_round_the_spin_axis_below_a_tyres_play_passes():
    epochs = epochs_of(QUARTERS)
    poses = turned_on_axis(roll_survey(CAR, epochs), "rear_right", ["roll-3", "rest"], 0.4, epochs)
    fit(poses, epochs)


def test_sound_epochs_are_not_refused():
    rng = np.random.default_rng(21)
    epochs = epochs_of(QUARTERS)
    for _ in range(6):
        fit(roll_survey(CAR, epochs, rng=rng), epochs)


@pytest.mark.slow
def test_sound_epochs_are_hardly_ever_refused():
    rng = np.random.default_rng(22)
    epochs = epochs_of(QUARTERS)
    for _ in range(300):
        # One in a thousand is allowed: none of 300 with probability 0.74, and this seed has none.
        fit(roll_survey(CAR, epochs, rng=rng), epochs)


def test_steered_front_wheels():
    epochs = epochs_of(QUARTERS, **{"roll-2": {"steer_deg": -1.4}})
    with pytest.raises(MeasurementError, match=r"front wheels are steered by -1\.4° in roll-2"):
        fit(roll_survey(CAR, epochs), epochs)


def test_steering_below_a_degree_passes():
    epochs = epochs_of(QUARTERS, **{"roll-2": {"steer_deg": -0.9}})
    fit(roll_survey(CAR, epochs), epochs)


def swapped(a: str, b: str, c: str = "", d: str = "") -> dict[str, WheelSpec]:
    out = dict(WHEELS)
    out[a], out[b] = out[b], out[a]
    if c:
        out[c], out[d] = out[d], out[c]
    return out


@pytest.mark.parametrize(
    ("wheels", "words"),
    [
        (swapped("rear_left", "rear_right"), "left and right are exchanged on one axle"),
        (swapped("front_left", "front_right"), "left and right are exchanged on one axle"),
        (swapped("rear_left", "rear_right", "front_left", "front_right"), "left and right, or front and rear, are exchanged"),
        (swapped("rear_left", "front_left", "rear_right", "front_right"), "left and right, or front and rear, are exchanged"),
        (swapped("rear_left", "front_left"), "do not stand opposite each other"),
        (swapped("rear_left", "front_right"), "face the same side of the car: one hangs on another wheel"),
    ],
)
def test_boards_on_other_wheels_than_the_job_says(wheels, words):
    epochs = epochs_of(QUARTERS)
    with pytest.raises(MeasurementError, match=words) as caught:
        fit(roll_survey(CAR, epochs), epochs, wheels)
    assert "left is the driver's left" in caught.value.hint


def test_front_and_rear_exchanged_on_one_side_of_a_short_car():
    # Wheels so close that a diagonal still counts as opposite: the crossing axles tell.
    points = {w: (x * 0.3, y, z) for w, (x, y, z) in POINTS_MM.items()}
    car, epochs = RollingCar(points_mm=points), epochs_of(QUARTERS)
    with pytest.raises(MeasurementError, match="front and rear are exchanged on one side"):
        fit(roll_survey(car, epochs), epochs, swapped("rear_left", "front_left"))


def test_board_seen_from_behind_is_named():
    epochs = epochs_of(QUARTERS)

    def flip(name, _epoch, pose):
        if name != "wheel-rear-left":
            return pose
        return pose @ Pose.from_rt(pose.source, pose.source, [math.pi, 0.0, 0.0], np.zeros(3))

    with pytest.raises(MeasurementError, match=r"\(wheel-rear-left, wheel-rear-right\) face the same side of the car"):
        fit(changed(roll_survey(CAR, epochs), flip), epochs)


def test_epochs_that_fit_no_car_at_all():
    epochs = epochs_of(QUARTERS)
    rng = np.random.default_rng(31)
    wild = roll_survey(CAR, epochs, rng=rng, deg=0.4, mm=3.0)
    claimed = PoseSet(wild.poses, wild.cov / 400.0, {"corners": wild.cov / 400.0})
    with pytest.raises(
        MeasurementError, match="the epochs do not fit a car rolling on this floor|slipped on its wheel"
    ) as caught:
        fit(claimed, epochs)
    assert caught.value.hint
