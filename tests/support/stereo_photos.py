"""The classic stereo photos: a hand-held chessboard before two cameras that are fixed to each other and to the room.

`python tests/fetch_reference_data.py FOLDER` fetches them; Debian's package `opencv-doc` has them in examples/data.
"""

from __future__ import annotations

import functools
import os
from pathlib import Path

import cv2
import numpy as np

from tests.support.outside_data import outside_data
from vision.boards import Board, BoardSet
from vision.detect import sightings_in
from vision.lens import LensFit, fit_lens
from vision.photos import read_photo
from vision.sightings import PhotoSightings

BOARD = Board("chessboard", 9, 6, 25.0)
SIDES = ("left", "right")
REACH_MM = 90.0
"""Typical distance of its corners from the board's middle."""


def photo_files(side: str) -> list[Path]:
    """Photos of one camera, from BAYFIX_STEREO_DATA (left*.jpg and right*.jpg), else from the outside data; skips without."""
    named = os.environ.get("BAYFIX_STEREO_DATA")
    folder = Path(named) if named else outside_data(f"chessboard-{side}")
    # left.jpg, right.jpg and other pictures lie beside them in some collections
    return sorted(folder.glob(f"{side}[0-9][0-9].jpg"))


@functools.cache
def sightings(side: str) -> tuple[PhotoSightings, ...]:
    return tuple(sightings_in(read_photo(path, name=path.name), BoardSet((BOARD,))) for path in photo_files(side))


@functools.cache
def fit(side: str, *, print_errors: bool = True) -> LensFit:
    return fit_lens(sightings(side), BoardSet((BOARD,)), print_errors=print_errors)


def background_shift_px(side: str) -> dict[str, float]:
    """How far the room behind the board lies from where it lies in the middle of all photos, px, by optical flow."""
    pictures = {path.name: np.asarray(cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)) for path in photo_files(side)}
    usual = np.median(np.array(list(pictures.values())), axis=0).astype(np.uint8)
    points = cv2.goodFeaturesToTrack(usual, 400, 0.01, 8)
    out = {}
    for name, picture in pictures.items():
        found, seen, error = cv2.calcOpticalFlowPyrLK(usual, picture, points, None, winSize=(15, 15), maxLevel=0)
        shift = (found - points).reshape(-1, 2)
        # what the board or the person hides does not look alike any more
        still = (seen.ravel() == 1) & (error.ravel() < 6.0) & (np.linalg.norm(shift, axis=1) < 1.5)
        out[name] = float(np.linalg.norm(np.median(shift[still], axis=0)))
    return out
