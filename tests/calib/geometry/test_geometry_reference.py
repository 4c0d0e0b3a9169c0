"""Floor and wheels against independent libraries (the `reference` extra)."""

import math

import numpy as np
import pytest

from calib.geometry.floor import floor_plane
from calib.geometry.wheels import MotionPrior, WheelSpec, fit_wheels
from tests.support.rolling_car import POINTS_MM, RollingCar, epochs_of, roll_survey
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
