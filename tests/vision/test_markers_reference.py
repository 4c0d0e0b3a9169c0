"""Marker ids against the AprilTag library: wherever both read a marker, they read the same one."""

from __future__ import annotations

import numpy as np
import pytest

from tests.support.render_board import Imaging, Scene, facing, render
from vision.boards import Board
from vision.camera import Camera
from vision.markers import read_markers

pytestmark = pytest.mark.reference

CAMERA = Camera(640, 480, 620.0, 620.0, 319.5, 239.5)
WHEEL = Board("wheel", 6, 4, 42.0, 31.5, "DICT_APRILTAG_36h11", 20)
FLOOR = Board("floor", 5, 4, 46.0, 34.5, "DICT_APRILTAG_36h11", 60)


def test_ids_agree_wherever_both_read_a_marker():
    library = pytest.importorskip("pupil_apriltags", reason="pupil-apriltags is not installed (extra `reference`)")
    detector = library.Detector("tag36h11", quad_decimate=1.0)
    both = 0
    for k, z_mm in enumerate((650.0, 850.0, 1100.0)):
        boards = tuple(
            (board, facing(board, CAMERA, z_mm=z_mm, tilt_deg=20.0 + 15 * k, axis_deg=100.0 * k, roll_deg=60.0 * k + 9, at=at))
            for board, at in ((WHEEL, (-0.42, -0.3)), (FLOOR, (0.45, 0.35)))
        )
        image = render(Scene(CAMERA, boards, imaging=Imaging(noise=3.0, blur_px=0.5)), k)
        ours = read_markers(image, [WHEEL, FLOOR])
        middle = ours.corners_px.mean(axis=1)
        for tag in detector.detect(image):
            gap = np.linalg.norm(middle - (np.asarray(tag.center) - 0.5), axis=1)
            near = int(np.argmin(gap))
            if tag.hamming == 0 and gap[near] < 2.0:
                both += 1
                assert int(ours.ids[near]) == tag.tag_id
    assert both >= 30
