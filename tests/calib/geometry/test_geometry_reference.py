"""Floor and wheels against independent libraries (the `reference` extra)."""

import math

import numpy as np
import pytest

from calib.geometry import lines
from calib.geometry.floor import floor_plane
from calib.geometry.vehicle import vehicle_figures
from calib.geometry.wheels import Mode, MotionPrior, WheelSpec, fit_wheels
from tests.support.car import as_set, moved
from tests.support.car import car as standing_car
from tests.support.rolling_car import POINTS_MM, CarPosition, RollingCar, epochs_of, roll_survey
from vision.boards import Board, BoardSet
from vision.frames import Pose
from vision.poses import PoseSet

WHEELS = {wheel: WheelSpec(f"wheel-{wheel.replace('_', '-')}") for wheel in POINTS_MM}


@pytest.mark.reference
def test_spin_axis_is_the_screw_axis_of_pytransform3d():
    transformations = pytest.importorskip("pytransform3d.transformations", reason="needs the reference extra: pytransform3d")
    car = RollingCar(yaw_deg={"rear_left": -0.2, "front_right": 0.4}, camber_deg={"rear_right": -1.3})
    epochs = epochs_of([0, 70, 160])
    survey = roll_survey(car, epochs)
    fit = fit_wheels(survey, WHEELS, list(epochs), MotionPrior.from_floor(2.0))
    for wheel in POINTS_MM:
        board = WHEELS[wheel].board
        # Travel taken out, what is left of a wheel's motion is a turn about its spin axis.
        back = np.eye(4)
        back[0, 3] = -car.radius_mm * math.radians(epochs["roll-1"].roll_deg)
        spin = back @ car.board(wheel, epochs["roll-1"]) @ np.linalg.inv(car.board(wheel, epochs["rest"]))
        twist = transformations.exponential_coordinates_from_transform(spin)
        screw, _ = transformations.screw_axis_from_exponential_coordinates(twist)
        point, direction, pitch = transformations.screw_parameters_from_screw_axis(screw)
        axle = fit.poses[f"axle:{wheel}"]
        assert abs(pitch) < 1e-6
        assert math.degrees(np.linalg.norm(np.cross(direction, axle.rotation[:, 2]))) < 1e-5
        assert np.linalg.norm(np.cross(axle.translation_mm - point, direction)) < 1e-3
        assert f"{board}@rest" in fit.poses


@pytest.mark.reference
def test_floor_is_the_best_fit_plane_of_scikit_spatial():
    objects = pytest.importorskip("skspatial.objects", reason="needs the reference extra: scikit-spatial")
    rng = np.random.default_rng(4)
    boards = BoardSet(
        tuple(Board(f"floor-{i}", 4, 3, 40.0, 30.0, "DICT_APRILTAG_36h11", first_id=6 * i, thickness_mm=4.0) for i in range(9))
    )
    poses = tuple(
        Pose.from_rt("survey", board.name, [math.pi, *rng.normal(0, 0.01, 2)], [*rng.uniform(-2000, 2000, 2), rng.normal(0, 3)])
        for board in boards
    )
    names = [board.name for board in boards]
    floor = floor_plane(PoseSet(poses, np.zeros((54, 54))), boards, names)["floor"]
    feet = [pose.apply(boards[pose.source].centre_mm + [0, 0, 4.0]) for pose in poses]
    plane = objects.Plane.best_fit(feet)
    assert np.linalg.norm(np.cross(plane.normal, floor.rotation[:, 2])) < 1e-12
    assert plane.distance_point(floor.translation_mm) < 1e-9


@pytest.mark.reference
def test_wheels_turned_by_hand_have_the_screw_axes_of_pytransform3d():
    transformations = pytest.importorskip("pytransform3d.transformations", reason="needs the reference extra: pytransform3d")
    car = RollingCar(yaw_deg={"rear_left": -0.2, "front_right": 0.4}, camber_deg={"rear_right": -1.3})
    by_hand = {"roll-1": (70.0, -110.0, 40.0, 150.0), "roll-2": (-30.0, 60.0, 120.0, 80.0), "rest": (0.0,) * 4}
    epochs = {name: CarPosition(0.0, by_hand_deg=dict(zip(POINTS_MM, a, strict=True))) for name, a in by_hand.items()}
    fit = fit_wheels(roll_survey(car, epochs), WHEELS, list(epochs), MotionPrior.on_lift(1.0), mode=Mode.SPIN)
    for wheel in POINTS_MM:
        spin = car.board(wheel, epochs["roll-1"]) @ np.linalg.inv(car.board(wheel, epochs["rest"]))
        twist = transformations.exponential_coordinates_from_transform(spin)
        screw, _ = transformations.screw_axis_from_exponential_coordinates(twist)
        point, direction, _ = transformations.screw_parameters_from_screw_axis(screw)
        axle = fit.poses[f"axle:{wheel}"]
        assert math.degrees(np.linalg.norm(np.cross(direction, axle.rotation[:, 2]))) < 1e-4
        assert np.linalg.norm(np.cross(axle.translation_mm - point, direction)) < 1e-2


@pytest.mark.reference
def test_lines_of_the_car_are_those_of_scikit_spatial():
    objects = pytest.importorskip("skspatial.objects", reason="needs the reference extra: scikit-spatial")
    carry = Pose.from_rt("survey", "survey", [0.4, -0.3, 2.0], [4000.0, -900.0, 300.0])
    points = {"front_left": (2712.0, 768.0, 305.0), "rear_right": (3.0, -744.0, 312.0)}
    poses = moved(standing_car({"rear_left": -0.3, "rear_right": 0.7, "front_left": 0.2}, points_mm=points), carry)
    ground = objects.Plane(poses["floor"].translation_mm, poses["floor"].rotation[:, 2])
    at = {wheel: ground.project_point(poses[f"axle:{wheel}"].translation_mm) for wheel in POINTS_MM}
    rear = objects.LineSegment(at["rear_left"], at["rear_right"])
    front = objects.LineSegment(at["front_left"], at["front_right"])
    middle = [objects.Point((s.point_a + s.point_b) / 2.0) for s in (rear, front)]
    centreline = objects.Line.from_points(*middle)
    assert np.allclose(centreline.direction.unit(), lines.centreline_direction(poses), atol=1e-12)
    spun = {wheel: objects.Vector(poses[f"axle:{wheel}"].rotation[:, 2]) for wheel in POINTS_MM}
    forward = [ground.project_vector(v).unit().cross(ground.normal) for v in (spun["rear_left"], -spun["rear_right"])]
    thrust = objects.Line(middle[0], forward[0] + forward[1])
    figures = vehicle_figures(as_set(poses), POINTS_MM)
    assert abs(figures["thrust_angle"].value) == pytest.approx(
        math.degrees(centreline.direction.angle_between(thrust.direction))
    )
    assert figures["track_rear"].value == pytest.approx(at["rear_left"].distance_point(at["rear_right"]))
    diagonals = [at["front_left"].distance_point(at["rear_right"]), at["front_right"].distance_point(at["rear_left"])]
    assert figures["diagonal_difference"].value == pytest.approx(diagonals[0] - diagonals[1])
    ahead = [centreline.project_point(at[wheel]).distance_point(middle[0]) for wheel in ("front_left", "rear_left")]
    behind = np.sign((at["rear_left"] - middle[0]) @ centreline.direction)
    assert figures["wheelbase_left"].value == pytest.approx(ahead[0] - behind * ahead[1])
    frame = lines.line_frame(poses, "thrust")
    target = objects.Point(frame.rear_mid_mm + frame.axes @ [5200.0, -340.0, 0.0])
    on_ground = ground.project_point(target)
    assert thrust.distance_point(on_ground) == pytest.approx(340.0)
