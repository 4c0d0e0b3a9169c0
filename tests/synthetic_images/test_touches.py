"""Photos of a stylus: the tip is where it should be, the board faces the camera, the picture shows what it must."""

from __future__ import annotations

import math

import numpy as np
import pytest

from synthetic_images.corners import visible_corners
from synthetic_images.rigid import apply, inverse
from synthetic_images.touches import TEACH, held_at, teach_shots, touch_epoch, touch_shots, true_stylus, with_stylus
from synthetic_images.true_camera import webcam
from tests.support.invented_bay import plain_bay, rng
from vision.boards import Board

NOMINAL = Board("stylus-1", 7, 5, 32.0, 24.0, "DICT_APRILTAG_36h11", 400, thickness_mm=3.0)
POINT_MM = np.array([3700.0, 20.0, 0.0])


@pytest.fixture
def bay():
    return with_stylus(plain_bay(), NOMINAL, rng(1), [TEACH, touch_epoch("mark")])


def shots_of(bay):
    stylus = true_stylus(NOMINAL, rng(2))
    taught = teach_shots(bay, webcam(), rng(3), stylus, POINT_MM)
    return stylus, taught, touch_shots(bay, webcam(), rng(4), stylus, "mark", POINT_MM, np.array([0.3, 0.0, 1.0]))


def test_the_tip_is_on_the_point_in_every_photo(bay):
    stylus, taught, touched = shots_of(bay)
    for shot in (*taught, *touched):
        assert apply(shot.held["stylus-1"], stylus.tip_mm) == pytest.approx(POINT_MM, abs=1e-9)
        assert np.linalg.det(shot.held["stylus-1"][:3, :3]) == pytest.approx(1.0)
    assert {shot.file_name for shot in touched} == {f"touch-mark/{i:02d}.jpg" for i in range(1, 7)}


def test_every_photo_shows_the_stylus_board_and_floor_boards(bay):
    for shot in (*shots_of(bay)[1], *shots_of(bay)[2]):
        seen = {one.board for one in visible_corners(bay, webcam(), shot)}
        assert "stylus-1" in seen
        assert sum(name.startswith("floor-") for name in seen) >= 2


def test_the_stylus_leans_to_all_sides_while_it_is_taught(bay):
    """The board's y axis points to the tip: its headings go all round."""
    _, taught, _ = shots_of(bay)
    heading = [math.atan2(*-shot.held["stylus-1"][[1, 0], 1]) for shot in taught]
    assert np.abs(np.mean(np.exp(1j * np.array(heading)))) < 0.35
    lean = [math.degrees(math.acos(-shot.held["stylus-1"][2, 1])) for shot in taught]
    assert 20 < min(lean) <= max(lean) < 60


def test_the_face_looks_at_the_camera_before_it_is_turned():
    stylus = true_stylus(NOMINAL, rng(2))
    eye = np.array([900.0, 100.0, 800.0])
    pose = held_at(stylus, np.zeros(3), np.array([0.0, 0.0, 1.0]), eye, 0.0)
    middle = apply(pose, NOMINAL.centre_mm)
    assert pose[:3, 2] @ (middle - eye) > 0
    assert pose[:3, 1] == pytest.approx([0.0, 0.0, -1.0])
    assert apply(inverse(pose), np.zeros(3)) == pytest.approx(stylus.tip_mm)


def test_a_point_far_from_all_floor_boards_cannot_be_photographed(bay):
    stylus = true_stylus(NOMINAL, rng(2))
    with pytest.raises(ValueError, match="no photo of the stylus at .* shows 2 floor boards beside it"):
        touch_shots(bay, webcam(), rng(4), stylus, "mark", np.array([-9000.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0]))
