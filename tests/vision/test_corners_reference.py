"""Corners in pictures not drawn by us: a ray tracer's, before (OpenCV's cornerSubPix) and after (our last look)."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.support.raytraced import ray_traced, true_corners
from tests.support.render_board import facing
from vision.boards import Board, BoardSet
from vision.camera import Camera
from vision.detect import detect_boards

pytestmark = pytest.mark.reference

CAMERA = Camera(400, 300, 620.0, 620.0, 199.5, 149.5)
BOARD = Board("floor", 5, 4, 46.0, 34.5, "DICT_APRILTAG_36h11", 60)
VIEWS = ((800.0, 15.0, 70.0, 12.0), (850.0, 45.0, 200.0, -25.0), (1000.0, 62.0, 310.0, 40.0))


def test_ray_traced_corners_before_and_after(capsys):
    mi = pytest.importorskip("mitsuba", reason="mitsuba is not installed (extra `reference`)")
    mi.set_variant("scalar_rgb")
    before, after, square = [], [], []
    for seed, (z_mm, tilt_deg, axis_deg, roll_deg) in enumerate(VIEWS):
        pose = facing(BOARD, CAMERA, z_mm=z_mm, tilt_deg=tilt_deg, axis_deg=axis_deg, roll_deg=roll_deg, at=(0.05, -0.08))
        image = ray_traced(mi, BOARD, pose, CAMERA, samples=36, seed=seed)
        truth = true_corners(BOARD, pose, CAMERA)
        criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.01)
        start = truth.astype(np.float32).reshape(-1, 1, 2)
        before.append(cv2.cornerSubPix(image, start, (3, 3), (-1, -1), criteria).reshape(-1, 2) - truth)
        found, refused = detect_boards(image, BoardSet((BOARD,)), CAMERA)
        assert refused == ()
        error = found[0].px - truth[found[0].corner_ids]
        after.append(error)
        square.append(np.einsum("ni,nij,nj->n", error, np.linalg.inv(found[0].cov_px), error) / 2)
        assert len(found[0].corner_ids) == BOARD.corner_count
    rms = [float(np.sqrt(np.mean(np.concatenate(errors) ** 2))) for errors in (before, after)]
    chi2 = float(np.concatenate(square).mean())
    with capsys.disabled():
        print(f"\nray-traced corners: cornerSubPix {rms[0]:.4f} px, ours {rms[1]:.4f} px, error² over stated {chi2:.2f}")
    # few rays a pixel leave edges rough, beside noise of 1.5 grey levels: some 0.003 px
    assert rms[1] < 0.008
    assert rms[1] < 0.5 * rms[0]
    assert 0.3 < chi2 < 2.0
