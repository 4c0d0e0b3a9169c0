"""Reading markers: ids and places against truth, against an independent detector and against photos by others."""

from __future__ import annotations

import re
from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.support.outside_data import outside_data
from tests.support.render_board import Imaging, Scene, facing, render
from vision.boards import Board, BoardSet, dictionary_names
from vision.camera import Camera
from vision.detect import detect_boards
from vision.frames import Array
from vision.markers import Markers, read_markers
from vision.photos import read_photo

CAMERA = Camera(640, 480, 620.0, 620.0, 319.5, 239.5)
BOARD = Board("b", 6, 4, 42.0, 31.5, "DICT_APRILTAG_36h11", 20)
# boards that hold (nearly) every id of a dictionary: readers of all its markers
ALL_36H11 = Board("all", 18, 65, 40.0, 30.0, "DICT_APRILTAG_36h11")
ALL_6X6_250 = Board("all", 20, 25, 40.0, 20.0, "DICT_6X6_250")


def true_markers(board: Board, pose, camera: Camera) -> dict[int, Array]:
    px = camera.project(pose.apply(board.marker_corners_mm().reshape(-1, 3))).reshape(-1, 4, 2)
    return dict(zip(board.marker_ids, px, strict=True))


@pytest.mark.parametrize("roll_deg", [0.0, 100.0, 190.0, 280.0])
def test_markers_are_read_with_their_first_corner_first(roll_deg):
    pose = facing(BOARD, CAMERA, z_mm=700, tilt_deg=30, roll_deg=roll_deg)
    found = read_markers(render(Scene(CAMERA, ((BOARD, pose),))), [BOARD])
    truth = true_markers(BOARD, pose, CAMERA)
    assert sorted(found.ids) == list(BOARD.marker_ids)
    for marker, px in zip(found.ids, found.corners_px, strict=True):
        assert np.linalg.norm(px - truth[int(marker)], axis=1).max() < 1.0
    # contours run through pixel middles: moved outward, the corners lie right on average
    middle_out = [
        np.mean(
            [
                (p - t) @ (t - m) / np.linalg.norm(t - m)
                for p, t, m in zip(px, truth[int(k)], [truth[int(k)].mean(0)] * 4, strict=True)
            ]
        )
        for k, px in zip(found.ids, found.corners_px, strict=True)
    ]
    assert abs(float(np.mean(middle_out))) < 0.12


def test_small_markers_are_read():
    # squares of 16 px on the short side, markers of 12: cells of 1.5 px
    pose = facing(BOARD, CAMERA, z_mm=1180, tilt_deg=45, axis_deg=30)
    found = read_markers(render(Scene(CAMERA, ((BOARD, pose),), imaging=Imaging(blur_px=0.5))), [BOARD])
    assert len(set(found.ids)) >= 6
    assert set(found.ids) <= set(BOARD.marker_ids)


@pytest.mark.parametrize(
    "name",
    [name for name in dictionary_names() if name in ("DICT_4X4_50", "DICT_5X5_100", "DICT_7X7_50", "DICT_ARUCO_ORIGINAL")],
)
def test_other_dictionaries(name):
    board = Board("b", 5, 4, 42.0, 31.5, name, 3)
    pose = facing(board, CAMERA, z_mm=600, tilt_deg=25)
    image = render(Scene(CAMERA, ((board, pose),)))
    assert sorted(read_markers(image, [board]).ids) == list(board.marker_ids)
    # a few 4x4 markers are mirror images of each other: in a mirror they are read, but never fit the board's layout
    found, _ = detect_boards(np.ascontiguousarray(image[:, ::-1]), BoardSet((board,)), CAMERA)
    assert found == ()


def test_an_empty_picture_has_no_markers():
    found = read_markers(np.full((200, 300), 128, dtype=np.uint8), [BOARD])
    assert len(found) == 0
    assert found.corners_px.shape == (0, 4, 2)


def test_large_photos_are_read_too():
    # 12 megapixels, squares of 24 px: small against the picture, readable all the same
    large = Camera(4000, 3000, 3200.0, 3200.0, 1999.5, 1499.5)
    pose = facing(BOARD, large, z_mm=5200, tilt_deg=25, at=(0.3, -0.2))
    found = read_markers(render(Scene(large, ((BOARD, pose),), background=np.full((3000, 4000), 0.4))), [BOARD])
    assert sorted(found.ids) == list(BOARD.marker_ids)


def test_single_markers_photo():
    # opencv-python samples/data/singlemarkerssource.jpg: ids by its tutorial
    photo = read_photo(outside_data("single-markers") / "singlemarkerssource.jpg")
    assert sorted(read_markers(photo.gray, [ALL_6X6_250]).ids) == [23, 40, 62, 98, 124, 203]


def tag_list(path: Path) -> Array:
    """Corners (n, 4, 2) of an AprilTag corner list; that library counts the first pixel's centre as 0.5."""
    numbers = [re.findall(r"-?[\d.]+", line.split(",", 1)[1]) for line in path.read_text().splitlines() if line.strip()]
    return np.array(numbers, dtype=float).reshape(-1, 4, 2) - 0.5


@pytest.mark.parametrize(
    ("name", "listed", "least"),
    [("33369213973_9d9bb4cc96_c", 12, 12), ("34085369442_304b6bafd9_c", 25, 24), ("34139872896_defdb2f8d9_c", 10, 10)],
)
def test_tags_in_photos_by_others(name, listed, least):
    # AprilTag library's test photos and corner lists: every tag is id 0; the library itself reads 12, 24 and 10 of them
    folder = outside_data("apriltag")
    truth = tag_list(folder / f"{name}.txt")
    found = read_markers(read_photo(folder / f"{name}.jpg").gray, [ALL_36H11])
    assert len(truth) == listed
    assert set(found.ids) == {0}
    gap = np.linalg.norm(found.corners_px.mean(axis=1)[:, None] - truth.mean(axis=1)[None], axis=2).min(axis=0)
    assert (gap < 2.0).sum() >= least  # contours are good to a pixel; sub-pixel corners come from the whole board


@pytest.mark.reference
def test_ids_and_corners_agree_with_the_apriltag_library():
    library = pytest.importorskip("pupil_apriltags", reason="pupil-apriltags is not installed (extra `reference`)")
    pose = facing(BOARD, CAMERA, z_mm=600, tilt_deg=35, axis_deg=20, roll_deg=40)
    image = render(Scene(CAMERA, ((BOARD, pose),)))
    ours = read_markers(image, [BOARD])
    theirs = {
        tag.tag_id: np.asarray(tag.corners) - 0.5 for tag in library.Detector("tag36h11", quad_decimate=1.0).detect(image)
    }
    assert set(theirs) <= set(map(int, ours.ids))
    assert len(theirs) >= 10
    for marker, px in zip(ours.ids, ours.corners_px, strict=True):
        if int(marker) in theirs:
            # the library numbers corners from another one: compare as sets
            gap = np.linalg.norm(px[:, None] - theirs[int(marker)][None], axis=2)
            assert gap.min(axis=1).max() < 1.2


def test_a_marker_seen_at_two_places_is_kept_twice_and_one_read_twice_once():
    pose = facing(BOARD, CAMERA, z_mm=1100, tilt_deg=5, at=(-0.4, 0.0))
    image = render(Scene(CAMERA, ((BOARD, pose),)))
    both = np.hstack([image[:, :320], image[:, :320]])
    found: Markers = read_markers(np.ascontiguousarray(both), [BOARD])
    counts = np.bincount(found.ids - BOARD.first_id)
    assert (counts <= 2).all()
    assert (counts == 2).sum() >= 8


def test_pictures_of_opencvs_own_board_are_read():
    picture = cv2.copyMakeBorder(
        np.asarray(BOARD.cv_board().generateImage((600, 400))), 40, 40, 40, 40, cv2.BORDER_CONSTANT, value=255
    )
    assert sorted(read_markers(picture, [BOARD]).ids) == list(BOARD.marker_ids)
