"""Plain chessboards: rendered ones to a tenth of a pixel, photos by others whole, anything else refused."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.support.outside_data import outside_data
from tests.support.render_board import Imaging, Scene, facing, render, true_corners
from vision import chessboard
from vision.boards import Board
from vision.camera import Camera
from vision.chessboard import find_chessboard
from vision.sightings import Refusal, Sighting

BOARD = Board("chessboard", 8, 5, 25.0)
CAMERA = Camera(640, 480, 560.0, 560.0, 322.0, 238.0, np.array([-0.15, 0.05]))


def rendered(*, roll_deg=4.0, z_mm=420.0, camera=CAMERA, imaging=None, covers=()):
    pose = facing(BOARD, camera, z_mm=z_mm, tilt_deg=30.0, axis_deg=60.0, roll_deg=roll_deg)
    picture = render(Scene(camera, ((BOARD, pose),), imaging=imaging or Imaging(), covers=covers), seed=3)
    return picture, true_corners(BOARD, pose, camera)


def gap_px(seen: Sighting, truth: np.ndarray) -> np.ndarray:
    """Distances from the truth, numbered from either end (a plain chessboard has no first corner)."""
    forth, back = (np.linalg.norm(seen.px - corners, axis=1) for corners in (truth, truth[::-1]))
    return forth if forth.max() < back.max() else back


@pytest.mark.parametrize("roll_deg", [4.0, 95.0, 175.0, -80.0])
def test_rendered_corners_are_found_whichever_way_the_board_is_turned(roll_deg):
    picture, truth = rendered(roll_deg=roll_deg)
    seen = find_chessboard(picture, BOARD)
    assert isinstance(seen, Sighting)
    gap = gap_px(seen, truth)
    assert gap.max() < 0.2
    # the covariance says what the corners are worth, within a factor of two
    rms = np.sqrt(np.mean(gap**2) / 2.0)
    assert 0.5 < np.sqrt(seen.cov_px[0, 0, 0]) / max(rms, 0.03) < 2.0


def test_the_face_is_seen_from_the_front():
    # x along columns, y along rows, clockwise in the picture; the mirrored numbering would put the viewer behind the print
    for roll_deg in (4.0, 95.0):
        seen = find_chessboard(rendered(roll_deg=roll_deg)[0], BOARD)
        grid = seen.px.reshape(5, 8, 2)
        along, down = grid[0, -1] - grid[0, 0], grid[-1, 0] - grid[0, 0]
        assert along[0] * down[1] - along[1] * down[0] > 0


def test_large_photos_are_searched_small_and_refined_large(monkeypatch):
    monkeypatch.setattr(chessboard, "SEARCH_SIDE_PX", 320)
    picture, truth = rendered()
    seen = find_chessboard(picture, BOARD)
    assert isinstance(seen, Sighting)
    assert gap_px(seen, truth).max() < 0.2


@pytest.mark.parametrize(
    ("how", "reason"),
    [
        ({"covers": ((250, 180, 420, 330),)}, "seen whole|not clear"),
        ({"z_mm": 2600.0}, "seen whole|too small"),
        ({"imaging": Imaging(blur_px=14.0)}, "seen whole|not clear"),
    ],
)
def test_what_cannot_be_used_is_refused(how, reason):
    outcome = find_chessboard(rendered(**how)[0], BOARD)
    assert isinstance(outcome, Refusal)
    assert any(part in outcome.reason for part in reason.split("|")), outcome.reason


def test_another_board_size_is_not_forced_on_the_photo():
    outcome = find_chessboard(rendered()[0], Board("chessboard", 9, 6, 25.0))
    assert isinstance(outcome, Refusal)


def test_photos_by_others():
    # 13 photos, 9 x 6 inner corners (Debian opencv-doc)
    board = Board("chessboard", 9, 6, 25.0)
    files = sorted(outside_data("chessboard-left").glob("*.jpg"))
    outcomes = [find_chessboard(cv2.imread(str(file), cv2.IMREAD_GRAYSCALE), board) for file in files]
    assert len(outcomes) == 13
    assert all(isinstance(outcome, Sighting) for outcome in outcomes)
