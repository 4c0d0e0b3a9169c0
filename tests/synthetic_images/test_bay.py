"""The true bay and its figures against what one works out by hand."""

import math
from dataclasses import replace

import numpy as np
import pytest

from synthetic_images import truth
from synthetic_images.bay import Bend, Epoch, Floor, Mount, Stand, StandBoard, car_on_floor
from synthetic_images.invent import floor_places, random_bay
from synthetic_images.rigid import apply, inverse, look_at, rigid, rot_x, rot_z
from tests.support.invented_bay import plain_bay, some_boards


def test_toe_thrust_and_camber_of_a_car_worked_by_hand():
    # thrust = (toe right rear - toe left rear) / 2, total toe = sum (TRADE section 4, ISO 8855:2011)
    found = truth.figures(plain_bay(toe_deg=(0.05, 0.15, 0.10, 0.30), camber_deg=-1.0))
    assert found["thrust_angle_deg"] == pytest.approx(0.10, abs=1e-9)
    assert found["rear_total_toe_deg"] == pytest.approx(0.40, abs=1e-9)
    assert found["rear_toe_left_deg"] == pytest.approx(0.10, abs=1e-9)
    assert found["front_toe_right_deg"] == pytest.approx(0.15, abs=1e-9)
    assert found["rear_left_camber_deg"] == pytest.approx(-1.0, abs=1e-9)
    assert found["front_right_camber_deg"] == pytest.approx(-1.0, abs=1e-9)
    assert found["wheelbase_mm"] == pytest.approx(2600.0, abs=1e-9)
    assert found["rear_track_mm"] == pytest.approx(1560.0, abs=1e-9)


def test_toe_in_turns_the_front_of_a_wheel_inwards():
    bay = plain_bay(toe_deg=(0.0, 0.0, 1.0, 1.0))
    assert truth.forward_direction(bay, "rear_left")[1] == pytest.approx(-math.sin(math.radians(1.0)), abs=1e-12)
    assert truth.forward_direction(bay, "rear_right")[1] == pytest.approx(math.sin(math.radians(1.0)), abs=1e-12)


def test_positive_camber_leans_the_top_outwards():
    bay = plain_bay(camber_deg=2.0)
    wheel = bay.bay_from_wheel("front_left", "rest")
    up_in_wheel_plane = np.cross(wheel[:3, 2], [1.0, 0.0, 0.0]) * -1.0
    assert up_in_wheel_plane[2] > 0.99
    assert up_in_wheel_plane[1] > 0.03  # to the left, which is outwards


def test_a_stand_ahead_is_placed_along_the_thrust_line():
    # thrust line 0.5 degrees to the left: 2500 mm from the middle of the front axle along it
    bay = plain_bay(toe_deg=(0.0, 0.0, 0.0, 1.0), stand=Stand(2500.0, 0.0, 1200.0, 0.0, 0.0, 0.0))
    centre = bay.bay_from_target("check-1")[:3, 3]
    angle = math.radians(0.5)
    along = 2500.0 + 2600.0 * math.cos(angle)  # F lies 2600 mm ahead of R, projected on the line; lateral counts from R
    np.testing.assert_allclose(centre, [along * math.cos(angle), along * math.sin(angle), 1200.0], atol=1e-6)


@pytest.mark.parametrize(("line", "origin"), [("thrust", "front_axle"), ("centreline", "rear_axle"), ("thrust", "rear_left")])
@pytest.mark.parametrize("seed", [1, 2])
def test_the_six_figures_come_back_from_the_pose(line, origin, seed):
    placed = Stand(-1800.0, 25.0, 900.0, 0.02, -0.03, 0.01, (), origin, line)
    bay = random_bay(some_boards(), np.random.default_rng(seed), stand=placed)
    found = truth.placement(bay, "check-1")
    wanted = (-1800.0, 25.0, 900.0, math.degrees(0.02), math.degrees(-0.03), math.degrees(0.01))
    assert list(found.values()) == pytest.approx(wanted, abs=1e-8)


def test_yaw_pitch_and_roll_mean_what_the_words_say():
    def axes(**turn: float) -> np.ndarray:
        stand = replace(Stand(2500.0, 0.0, 1200.0, 0.0, 0.0, 0.0), **turn)
        return plain_bay(stand=stand).bay_from_target("check-1")[:3, :3]

    assert axes(yaw_rad=0.1)[1, 0] > 0  # counter-clockwise seen from above: the target's x turns to the left
    assert axes(pitch_rad=0.1)[0, 2] > 0  # the top leans towards +x
    assert axes(roll_rad=0.1)[2, 1] > 0  # the side on the car's left is lifted


@pytest.mark.parametrize(("distance_mm", "right_is"), [(2500.0, -1.0), (-1500.0, 1.0)])
def test_stand_boards_are_placed_as_seen_facing_the_target(distance_mm, right_is):
    boards = (StandBoard("stand-1", 200.0, 50.0, 0.0, 4.0), StandBoard("stand-2", 0.0, 0.0, math.radians(10.0), 0.0))
    bay = plain_bay(stand=Stand(distance_mm, 0.0, 1200.0, 0.0, 0.0, 0.0, boards))
    poses, centre = bay.board_poses("check-1"), bay.bay_from_target("check-1")[:3, 3]
    faces = -1.0 if distance_mm > 0 else 1.0  # the face looks at the car
    mark = apply(poses["stand-1"], bay.boards["stand-1"].centre_mm) - centre
    np.testing.assert_allclose(mark, [faces * 4.0, right_is * 200.0, 50.0], atol=1e-9)
    np.testing.assert_allclose(poses["stand-1"][:3, 2], [-faces, 0.0, 0.0], atol=1e-12)  # z into the board
    turned = poses["stand-2"][:3, 0]  # counter-clockwise as seen: the board's x axis points up to the right
    np.testing.assert_allclose(turned, [0.0, right_is * math.cos(math.radians(10)), math.sin(math.radians(10))], atol=1e-12)


@pytest.mark.parametrize("position", ["front_left", "rear_right"])
def test_a_rolling_wheel_does_not_slip(position):
    step = 0.01
    bay = plain_bay(epochs=(Epoch("roll-1", travel_mm=500.0), Epoch("roll-2", travel_mm=500.0 + step)))
    now, later = (bay.bay_from_wheel(position, e) for e in ("roll-1", "roll-2"))
    for height, speed in ((-320.0, 0.0), (0.0, 1.0), (320.0, 2.0)):
        point = now[:3, 3] + [0.0, 0.0, height]
        moved = apply(later, apply(inverse(now), point))
        assert (moved - point)[0] / step == pytest.approx(speed, abs=1e-4)


def test_steering_to_the_left_turns_both_front_wheels_and_no_rear_wheel():
    bay = plain_bay(epochs=(Epoch("roll-1", steer_rad=0.1),))
    for position, turn in (("front_left", 0.1), ("front_right", 0.1), ("rear_left", 0.0), ("rear_right", 0.0)):
        ahead = truth.forward_direction(bay, position, "roll-1")
        assert math.atan2(ahead[1], ahead[0]) == pytest.approx(turn, abs=1e-12)
        np.testing.assert_allclose(
            truth.reference_point(bay, position, "roll-1"), truth.reference_point(bay, position), atol=1e-9
        )


@pytest.mark.parametrize("position", ["front_left", "rear_right"])
def test_stand_off_is_measured_along_the_spin_axis_to_the_flange(position):
    mount = Mount(120.0, math.radians(4.0), 0.7, 1.1, (15.0, -12.0))
    bay = plain_bay(mount=mount, camber_deg=-1.0)
    board = bay.board_poses("rest")[bay.wheel(position).board]
    axis, flange = truth.spin_axis(bay, position), truth.reference_point(bay, position)
    normal = board[:3, 2]
    along = float((board[:3, 3] - flange) @ normal) / float(axis @ normal)
    assert along == pytest.approx(120.0, abs=1e-9)
    assert math.degrees(math.acos(-float(axis @ normal))) == pytest.approx(
        4.0, abs=1e-9
    )  # looks outboard, crooked by 4 degrees
    mark = apply(board, bay.boards[bay.wheel(position).board].centre_mm)
    assert float(np.linalg.norm(mark - (flange + along * axis))) == pytest.approx(math.hypot(15.0, 12.0), abs=1e-9)


def test_floor_boards_lie_face_up_with_their_feet_on_the_floor():
    bay = random_bay(some_boards(), np.random.default_rng(5))
    for floor_board, foot in zip(bay.floor_boards, bay.floor_feet(), strict=True):
        assert foot[2] == pytest.approx(bay.floor.height_mm(foot[0], foot[1]), abs=1e-9)
        board = bay.boards[floor_board.name]
        pose = bay.bay_from_floor_board(floor_board)
        assert pose[2, 2] < -0.999  # z into the floor
        face = apply(pose, board.centre_mm)
        assert face[2] - foot[2] == pytest.approx(board.thickness_mm, abs=1e-3)


def test_the_floor_plane_of_a_sloping_even_floor_is_the_floor():
    bay = plain_bay()
    floor = Floor(0.01, -0.005)
    bay = replace(bay, floor=floor, bay_from_car=car_on_floor(floor, 100.0, 50.0, 0.02))
    middle, up = truth.floor_plane(bay)
    np.testing.assert_allclose(up, floor.normal(0.0, 0.0), atol=1e-12)
    assert middle[2] == pytest.approx(floor.height_mm(middle[0], middle[1]), abs=1e-9)
    assert truth.figures(bay)["height_mm"] == pytest.approx(1200.0, abs=1e-9)


def test_true_print_scale_stretches_the_board_about_its_mark():
    boards = some_boards()
    scales = {board.name: (1.01, 0.99) for board in boards}
    bay = random_bay(boards, np.random.default_rng(1), true_scales=scales)
    plain, true = boards["floor-1"].corners_mm(), bay.boards["floor-1"].corners_mm()
    np.testing.assert_allclose(true, plain * [1.01, 0.99, 1.0], atol=1e-12)


def test_bend_reaches_its_amplitude_at_the_ends_and_has_no_mean():
    board = some_boards()["floor-1"]
    x = np.linspace(0.0, board.size_mm[0], 100_001)
    depth = Bend(2.0).depth_mm(board, x, np.zeros_like(x))
    assert depth[0] == pytest.approx(2.0)
    assert np.abs(depth).max() == pytest.approx(2.0)
    assert depth.mean() == pytest.approx(0.0, abs=1e-3)


def test_a_kicked_floor_board_moves_alone():
    bay = plain_bay()
    kicked = bay.with_floor_board_moved("floor-3", 6.0, -2.0)
    before, after = bay.board_poses("rest"), kicked.board_poses("rest")
    moved = {name: float(np.linalg.norm(after[name][:3, 3] - before[name][:3, 3])) for name in before}
    assert moved.pop("floor-3") == pytest.approx(math.hypot(6.0, 2.0), abs=1e-9)
    assert max(moved.values()) == 0.0


def test_invented_bays_stay_inside_what_a_shop_would_find():
    for seed in range(20):
        bay = random_bay(some_boards(), np.random.default_rng(seed))
        found = truth.figures(bay)
        assert abs(found["thrust_angle_deg"]) < 0.3
        assert abs(found["rear_total_toe_deg"]) < 0.5
        assert 2300 < found["distance_mm"] < 2900
        for wheel in bay.wheels:
            assert 0 < wheel.mount.crooked_rad <= math.radians(5.0)
        travel = bay.epoch("roll-1").travel_mm / bay.wheels[0].radius_mm
        assert math.degrees(travel) == pytest.approx(-270.0, abs=8.1)


@pytest.mark.parametrize("count", [12, 13, 16, 24])
def test_floor_boards_keep_out_of_the_wheel_paths(count):
    places = floor_places(count)
    assert len(set(places)) == count
    rolled_over = [(x, y) for x, y in places if x < 3000 and 520 < abs(y) < 1040]  # tyre 220 mm wide at 780, half a board 150
    assert rolled_over == []
    assert sum(y > 1000 for _, y in places) >= 3
    assert sum(y < -1000 for _, y in places) >= 3


def test_too_few_floor_boards_are_refused():
    with pytest.raises(ValueError, match="at least 12 floor boards, not 11"):
        floor_places(11)


def test_look_at_has_the_camera_upright_and_rolls_clockwise():
    level = look_at([0.0, 0.0, 1000.0], [1000.0, 0.0, 1000.0])
    np.testing.assert_allclose(level[:3, :3], [[0, 0, 1], [-1, 0, 0], [0, -1, 0]], atol=1e-12)
    rolled = look_at([0.0, 0.0, 1000.0], [1000.0, 0.0, 1000.0], 0.1)
    assert rolled[2, 0] < 0  # the camera's right side goes down: clockwise for its holder


def test_a_pose_and_its_inverse_cancel():
    pose = rigid(rot_z(0.3) @ rot_x(-1.0), [1.0, 2.0, 3.0])
    np.testing.assert_allclose(inverse(pose) @ pose, np.eye(4), atol=1e-14)
