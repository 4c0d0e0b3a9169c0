"""The photo list of the demo does what its first page promises; simulated corners are what a detector could see."""

import math

import numpy as np
import pytest

from synthetic_images.bay import Bay
from synthetic_images.corners import hidden, true_px, visible_corners
from synthetic_images.invent import random_bay
from synthetic_images.rigid import apply, inverse, look_at, rigid
from synthetic_images.scene import HALF_WIDTH_MM, Face
from synthetic_images.shot import Shot
from synthetic_images.shots import demo_shots
from synthetic_images.true_camera import TrueCamera, webcam
from tests.support.invented_bay import plain_bay, some_boards

SEEDS = (1, 2)


@pytest.fixture(scope="module", params=SEEDS)
def demo(request: pytest.FixtureRequest) -> tuple[Bay, TrueCamera, list[Shot]]:
    rng = np.random.default_rng(request.param)
    bay = random_bay(some_boards(), rng)
    return bay, webcam(), demo_shots(bay, rng)


def by_epoch(shots: list[Shot]) -> dict[str, list[Shot]]:
    out: dict[str, list[Shot]] = {}
    for shot in shots:
        out.setdefault(shot.epoch, []).append(shot)
    return out


def test_numbers_and_names_of_the_photos(demo):
    _, _, shots = demo
    counts = {epoch: len(taken) for epoch, taken in by_epoch(shots).items()}
    assert counts == {"lens": 12, "roll-1": 8, "roll-2": 8, "roll-3": 8, "rest": 12, "check-1": 6}
    assert len({shot.file_name for shot in shots}) == len(shots)
    assert shots[12].file_name == "roll-1/01.jpg"


def test_every_epoch_shows_every_wheel_board_from_convergent_directions(demo):
    bay, camera, shots = demo
    for epoch, taken in by_epoch(shots).items():
        if epoch.startswith(("lens", "check")):
            continue
        seen = [{c.board for c in visible_corners(bay, camera, s)} for s in taken]
        for wheel in bay.wheels:
            eyes = [s.bay_from_cam[:3, 3] for s, boards in zip(taken, seen, strict=True) if wheel.board in boards]
            assert len(eyes) >= 2, f"{wheel.board} in {epoch}"
            pose = bay.board_poses(epoch)[wheel.board]
            rays = [e - apply(pose, bay.boards[wheel.board].centre_mm) for e in eyes]
            rays = [ray / np.linalg.norm(ray) for ray in rays]
            widest = max(math.degrees(math.acos(min(1.0, float(a @ b)))) for a in rays for b in rays)
            assert widest > 45.0, f"{wheel.board} in {epoch}"


def test_photos_tie_all_floor_boards_left_and_right_in_one_network(demo):
    bay, camera, shots = demo
    floors = {fb.name for fb in bay.floor_boards}
    groups: list[set[str]] = []
    for shot in shots:
        if shot.epoch.startswith(("roll", "rest")):
            seen = {c.board for c in visible_corners(bay, camera, shot, min_square_px=16.0)} & floors
            apart = [g for g in groups if not g & seen]
            groups = [*apart, seen.union(*(g for g in groups if g & seen))]
    assert [group for group in groups if group] == [floors]


def test_both_sides_are_tied_at_the_front_and_at_the_rear(demo):
    bay, camera, shots = demo
    side = {fb.name: math.copysign(1, fb.y_mm) for fb in bay.floor_boards}
    where = {fb.name: fb.x_mm for fb in bay.floor_boards}
    ties = {"front": 0, "rear": 0}
    for shot in by_epoch(shots)["rest"]:
        seen = [c.board for c in visible_corners(bay, camera, shot, min_square_px=16.0) if c.board in side]
        if len({side[name] for name in seen}) == 2:
            ties["front" if max(where[name] for name in seen) > 3000 else "rear"] += 1
    assert min(ties.values()) >= 2


def test_front_corner_photos_show_wheel_side_and_front_together(demo):
    bay, camera, shots = demo
    across = {fb.name for fb in bay.floor_boards if fb.x_mm > 3500}
    beside = {fb.name for fb in bay.floor_boards if abs(fb.y_mm) > 1000}
    corner_shots = [shot for shot in by_epoch(shots)["rest"] if " corner," in shot.sentence]
    assert len(corner_shots) == 2
    for shot in corner_shots:
        seen = {c.board for c in visible_corners(bay, camera, shot, min_square_px=16.0)}
        assert seen & across, shot.sentence
        assert seen & beside, shot.sentence
        assert any(name.startswith("wheel-front") for name in seen), shot.sentence


def test_check_photos_see_stand_boards_surveyed_floor_boards_and_a_wheel(demo):
    bay, camera, shots = demo
    wheels = 0
    for shot in by_epoch(shots)["check-1"]:
        seen = [c.board for c in visible_corners(bay, camera, shot, min_square_px=16.0)]
        assert sum(name.startswith("floor-") for name in seen) >= 2, shot.sentence
        wheels += any(name.startswith("wheel-front") for name in seen)
        if any(name.startswith("stand-") for name in seen):
            target = bay.bay_from_target("check-1")
            eye = apply(inverse(target), shot.bay_from_cam[:3, 3])
            off_deg = math.degrees(math.atan2(abs(eye[1]), -eye[0]))
            assert 30.0 <= off_deg <= 46.0
    assert wheels == 2


def test_the_technician_stands_inside_the_bay(demo):
    _, _, shots = demo
    for shot in shots:
        x, y, z = shot.bay_from_cam[:3, 3]
        assert abs(y) < HALF_WIDTH_MM + 1600.0
        assert 500.0 < z < 1800.0
        assert -4000.0 < x < 6000.0


def test_no_board_is_ever_photographed_without_roll(demo):
    bay, _, shots = demo
    for shot in shots:
        pose = shot.cam_from_lens_board
        if pose is not None:
            assert abs(math.degrees(math.atan2(pose[1, 0], pose[0, 0]))) > 0.2
        else:
            level = math.degrees(math.asin(shot.bay_from_cam[2, 0]))
            assert min(abs(level), abs(abs(level) - 90.0)) > 0.3


def test_sentences_say_where_and_what(demo):
    bay, camera, shots = demo
    for shot in shots:
        if shot.epoch == "lens":
            assert "tilted by" in shot.sentence
            continue
        place, shown = shot.sentence.split(", showing ")
        assert place
        seen = [c.board for c in visible_corners(bay, camera, shot)]
        for name in shown.replace(" and ", ", ").split(", "):
            assert name in seen


def test_lens_photos_cover_the_picture_with_tilted_and_turned_boards(demo):
    bay, camera, shots = demo
    cells = np.zeros((6, 8), dtype=int)
    tilts, quarter_turns = [], 0
    for shot in by_epoch(shots)["lens"]:
        (seen,) = visible_corners(bay, camera, shot)
        columns = (seen.px[:, 0] / camera.width_px * 8).astype(int)
        rows = (seen.px[:, 1] / camera.height_px * 6).astype(int)
        np.add.at(cells, (rows, columns), 1)
        normal = shot.cam_from_lens_board[:3, 2]
        tilts.append(math.degrees(math.acos(normal[2])))
        turn = math.degrees(math.atan2(shot.cam_from_lens_board[1, 0], shot.cam_from_lens_board[0, 0]))
        quarter_turns += 60 < abs(turn) < 120
    assert cells.min() >= 1, cells
    assert min(tilts) >= 18.0
    assert max(tilts) <= 54.0
    assert quarter_turns >= 3


def test_a_board_behind_a_panel_is_hidden_and_one_before_it_is_not():
    panel = Face(np.array([[1000.0, -500, 0], [1000, 500, 0], [1000, 500, 1000], [1000, -500, 1000]]), (0, 0, 0), "panel")
    notched = Face(
        np.array([[1000.0, -500, 0], [1000, 500, 0], [1000, 500, 1000], [1000, 0, 200], [1000, -500, 1000]]), (0, 0, 0), "panel"
    )
    eye = np.array([0.0, 0.0, 500.0])
    points = np.array([[2000.0, 0.0, 500.0], [900.0, 0.0, 500.0], [2000.0, 1200.0, 500.0], [-500.0, 0.0, 500.0]])
    np.testing.assert_array_equal(hidden(eye, points, [panel]), [True, False, False, False])
    np.testing.assert_array_equal(hidden(eye, points, [notched]), [False, False, False, False])  # seen through the notch


def test_visible_corners_are_a_subset_of_the_true_ones_and_inside_the_picture():
    bay, camera = plain_bay(), webcam()
    shot = Shot("01", "rest", "", look_at([3400.0, 2250.0, 1200.0], [2700.0, 1000.0, 200.0], 0.03))
    seen = visible_corners(bay, camera, shot)
    assert "wheel-front-left" in [c.board for c in seen]
    assert "wheel-front-right" not in [c.board for c in seen]
    for corners in seen:
        np.testing.assert_array_equal(corners.px, true_px(bay, camera, shot, corners.board)[corners.corner_ids])
        assert (corners.px > 0).all()
        assert (corners.px < [camera.width_px, camera.height_px]).all()
        assert corners.square_px >= 14.0
        assert corners.tilt_rad <= math.radians(70.0)


def test_a_board_seen_from_behind_is_not_visible():
    bay, camera = plain_bay(), webcam()
    facing = rigid(np.eye(3), [-100.0, -70.0, 500.0])
    away = facing.copy()
    away[:3, :3] = np.diag([-1.0, 1.0, -1.0])
    away[:3, 3] = [100.0, -70.0, 500.0]
    for pose, count in ((facing, 1), (away, 0)):
        shot = Shot("01", "lens", "", np.eye(4), "lens-1", pose)
        assert len(visible_corners(bay, camera, shot)) == count
