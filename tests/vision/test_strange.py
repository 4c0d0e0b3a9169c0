"""Markers of nobody's boards: all are told and nothing else is, in pictures made here and in photos by others."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.support.outside_data import outside_data
from tests.support.render_board import Scene, facing, render
from vision.boards import Board, BoardSet
from vision.camera import Camera
from vision.photos import read_photo
from vision.strange import markers_in_words, strange_in, strange_markers

CAMERA = Camera(640, 480, 620.0, 620.0, 319.5, 239.5)
OURS = Board("ours", 6, 4, 42.0, 31.5, "DICT_APRILTAG_36h11", 20)
THEIRS = Board("theirs", 6, 4, 42.0, 31.5, "DICT_APRILTAG_36h11", 500)


def picture(board: Board) -> np.ndarray:
    return render(Scene(CAMERA, ((board, facing(board, CAMERA, z_mm=700, tilt_deg=30)),)))


def test_a_board_that_is_not_in_the_set_is_told_by_its_markers(tmp_path):
    ours = BoardSet((OURS,))
    pictures = {"a.png": picture(OURS), "b.png": picture(THEIRS)}
    assert strange_in(pictures["a.png"], ours) == {}
    assert strange_in(pictures["b.png"], ours) == {"DICT_APRILTAG_36h11": set(THEIRS.marker_ids)}
    for name, pixels in pictures.items():
        cv2.imwrite(str(tmp_path / name), pixels)
    found = strange_markers([tmp_path / name for name in pictures], ours)
    assert markers_in_words(found) == f"markers 500 to {THEIRS.marker_ids[-1]}"


def test_other_dictionaries_are_not_asked():
    other = Board("other", 6, 4, 42.0, 31.5, "DICT_6X6_250", 20)
    pixels = np.full((200, 200), 255, dtype=np.uint8)
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    pixels[40:160, 40:160] = cv2.aruco.generateImageMarker(family, 7, 120)
    assert strange_in(pixels, BoardSet((OURS,))) == {"DICT_APRILTAG_36h11": {7}}
    assert strange_in(pixels, BoardSet((other,))) == {}


def test_nothing_is_told_in_photos_that_show_no_such_marker():
    folder = outside_data("chessboard-left")
    for path in sorted(folder.glob("*.jpg")):
        assert strange_in(read_photo(path).gray, BoardSet((OURS,))) == {}


@pytest.mark.parametrize(
    ("found", "words"),
    [
        ({}, ""),
        ({"DICT_APRILTAG_36h11": (7,)}, "marker 7"),
        ({"DICT_APRILTAG_36h11": (7, 8, 9, 12, 20, 21)}, "markers 7 to 9, 12 and 20 to 21"),
        ({"DICT_6X6_250": (1,), "DICT_4X4_50": (3, 4)}, "markers 1 of 6X6_250; 3 to 4 of 4X4_50"),
    ],
)
def test_runs_of_ids_are_told_by_their_ends(found, words):
    assert markers_in_words(found) == words
