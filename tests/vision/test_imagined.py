"""Imagined sightings against the synthetic bay's own projection and its own test of what hides what."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from synthetic_images.corners import hidden as truly_hidden
from synthetic_images.scene import box
from vision.boards import BoardSet
from vision.boards_io import starter_boards
from vision.camera import Camera, LensProfile
from vision.errors import BoardError
from vision.frames import Pose
from vision.imagined import LIGHTS, Face, Light, Solid, free_ids, hidden, imagine, known_start, larger_picture

CAMERA = Camera(1920, 1080, 1400.0, 1401.0, 961.0, 540.0, np.array([-0.08, 0.06, 5e-4, -4e-4]))
BOARDS = starter_boards("a4")
GOOD = LIGHTS["good"]


def facing(board: str, far_mm: float, tilt_rad: float = 0.5) -> Pose:
    """`cam_from_board` with the board's middle on the optical axis."""
    c, s = np.cos(tilt_rad), np.sin(tilt_rad)
    turn = np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])
    return Pose.from_rt("world", board, turn, np.array([0.0, 0.0, far_mm]) - turn @ BOARDS[board].centre_mm)


def seen_from_origin(standing: dict[str, Pose], solids: tuple[Solid, ...] = (), light: Light = GOOD):
    return imagine("p.jpg", Pose.identity("world", "cam"), CAMERA, BOARDS, standing, solids, light)


def test_a_board_is_seen_exactly_where_the_camera_has_it():
    pose = facing("wheel-front-left", 1600.0)
    (sighting,) = seen_from_origin({"wheel-front-left": pose}).found
    board = BOARDS["wheel-front-left"]
    np.testing.assert_allclose(sighting.px, CAMERA.project(pose.apply(board.corners_mm())), atol=1e-9)
    assert len(sighting.corner_ids) == board.corner_count


@pytest.mark.parametrize(("far_mm", "tilt_rad", "read"), [(1600.0, 0.5, True), (5000.0, 0.5, False), (1600.0, 1.3, False)])
def test_small_and_steep_boards_are_not_read(far_mm, tilt_rad, read):
    found = seen_from_origin({"wheel-front-left": facing("wheel-front-left", far_mm, tilt_rad)}).found
    assert bool(found) == read


def test_a_board_seen_from_its_back_is_not_read():
    assert not seen_from_origin({"wheel-front-left": facing("wheel-front-left", 1600.0, np.pi)}).found


def test_poor_light_reads_less_and_less_surely():
    pose = {"wheel-front-left": facing("wheel-front-left", 2600.0)}
    good, dim = seen_from_origin(pose), seen_from_origin(pose, light=LIGHTS["dim"])
    assert dim.found[0].cov_px[0, 0, 0] > 4.0 * good.found[0].cov_px[0, 0, 0]
    farther = {"wheel-front-left": facing("wheel-front-left", 3400.0)}
    assert seen_from_origin(farther).found
    assert not seen_from_origin(farther, light=LIGHTS["dim"]).found


def test_a_solid_hides_what_is_behind_it_and_nothing_else():
    pose = {"wheel-front-left": facing("wheel-front-left", 1600.0)}
    before = Solid((-400.0, -400.0, 700.0), (400.0, 400.0, 800.0))
    behind = Solid((-400.0, -400.0, 2000.0), (400.0, 400.0, 2100.0))
    assert not seen_from_origin(pose, (before,)).found
    assert seen_from_origin(pose, (behind,)).found


def test_hidden_points_agree_with_the_synthetic_faces():
    rng = np.random.default_rng(5)
    eye = np.array([2500.0, 1800.0, 1300.0])
    low, high = (0.0, -800.0, 200.0), (1500.0, 800.0, 1400.0)
    points = rng.uniform([-1500.0, -1500.0, 0.0], [3000.0, 1700.0, 1800.0], (400, 3))
    inside = ((points > low) & (points < high)).all(axis=1)
    points = points[~inside]
    faces = box(low, high, (0.0, 0.0, 0.0), "thing")
    both = hidden(eye, points, [Solid(low, high)]), truly_hidden(eye, points, faces)
    np.testing.assert_array_equal(*both)
    assert 0.1 < both[0].mean() < 0.9


def test_points_behind_a_flat_face_agree_with_the_synthetic_faces():
    rng = np.random.default_rng(6)
    eye = np.array([2500.0, 300.0, 1300.0])
    (one,) = [side for side in box((0.0, -800.0, 200.0), (10.0, 800.0, 1400.0), (0.0, 0.0, 0.0), "thing")][:1]
    corners = one.corners_mm
    x, y = corners[1] - corners[0], corners[3] - corners[0]
    wide, tall = float(np.linalg.norm(x)), float(np.linalg.norm(y))
    turn = np.column_stack([x / wide, y / tall, np.cross(x / wide, y / tall)])
    face = Face(Pose.from_rt("world", "face", turn, corners[0]), (0.0, 0.0), (wide, tall))
    points = rng.uniform([-1500.0, -1500.0, 0.0], [2000.0, 1700.0, 1800.0], (400, 3))
    off = np.abs(face.world_from_face.inverse().apply(points)[:, 2])
    points = points[off > 25.0]  # what is nearer behind a face is on the same thing
    both = hidden(eye, points, [face]), truly_hidden(eye, points, [one])
    np.testing.assert_array_equal(*both)
    assert 0.1 < both[0].mean() < 0.9
    assert not hidden(eye, face.world_from_face.apply([[wide / 2, tall / 2, 5.0]]), [face]).any()


def test_the_start_is_told_in_the_datum_board():
    cam, a, b = facing("floor-3", 500.0), facing("floor-1", 900.0), facing("floor-2", 1200.0)
    start = known_start({"p": Pose("world", "cam", cam.transform)}, {"floor-1": a, "floor-2": b}, "floor-1")
    np.testing.assert_allclose(start.bodies["floor-1"].transform.as_matrix(), np.eye(4), atol=1e-12)
    around = start.photos["p"] @ start.bodies["floor-2"]
    np.testing.assert_allclose(around.transform.as_matrix(), (cam.transform.inv() * b.transform).as_matrix(), atol=1e-9)


def test_a_larger_picture_sees_the_same_rays():
    lens = LensProfile("shop", CAMERA, np.diag([1.0] * 4 + [1e-6] * 8))
    twice = larger_picture(lens, 2.0)
    point = np.array([[120.0, -80.0, 1500.0]])
    np.testing.assert_allclose(twice.camera.project(point), 2.0 * CAMERA.project(point), rtol=1e-12)
    assert (twice.camera.width_px, twice.camera.height_px) == (3840, 2160)
    # a term of the distortion moves a corner by as many pixels as before
    assert twice.cov[4, 4] == pytest.approx(lens.cov[4, 4] / 4.0)


def test_free_ids_collide_with_no_board():
    first = free_ids(list(BOARDS), BOARDS["floor-1"])
    BoardSet((*BOARDS, replace(BOARDS["floor-1"], name="another", first_id=first)))


def test_a_full_dictionary_is_said():
    few = replace(BOARDS["floor-1"], dictionary="DICT_4X4_50", first_id=0, name="whole", columns=10, rows=10)
    with pytest.raises(BoardError, match="DICT_4X4_50 has no room for another board like small"):
        free_ids([few], replace(few, name="small", columns=4, rows=4))
