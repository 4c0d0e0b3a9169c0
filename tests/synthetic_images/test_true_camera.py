"""The synthetic camera against a pixel worked by hand and against OpenCV, of which it shares no code."""

import cv2
import numpy as np
import pytest

from synthetic_images.true_camera import TrueCamera, still_camera, webcam


def test_a_pixel_worked_by_hand():
    # x = 0.1, y = 0.05, r2 = 0.0125; radial = 1 - 0.1 r2 + 0.2 r4 = 0.99878125 (r4 = 0.00015625)
    # dx = 2 * 0.001 * 0.005 + 0.002 * (0.0125 + 0.02) = 0.000075; dy = 0.001 * (0.0125 + 0.005) + 2 * 0.002 * 0.005 = 0.0000375
    # u = 1000 * (0.099878125 + 0.000075) + 640 = 739.953125; v = 900 * (0.0499390625 + 0.0000375) + 360 = 404.97890625
    camera = TrueCamera(1280, 720, 1000.0, 900.0, 640.0, 360.0, -0.1, 0.2, 0.001, 0.002)
    np.testing.assert_allclose(camera.project([[100.0, 50.0, 1000.0]]), [[739.953125, 404.97890625]], atol=1e-9)


@pytest.mark.parametrize("camera", [webcam(), still_camera()], ids=["webcam", "still"])
def test_projection_agrees_with_opencv(camera):
    rng = np.random.default_rng(1)
    points = np.column_stack([rng.uniform(-0.6, 0.6, 500), rng.uniform(-0.4, 0.4, 500), np.ones(500)])
    points *= rng.uniform(300, 5000, (500, 1))
    matrix = np.array([[camera.fx_px, 0, camera.cx_px], [0, camera.fy_px, camera.cy_px], [0, 0, 1]])
    distortion = np.array([camera.k1, camera.k2, camera.p1, camera.p2, camera.k3])
    theirs = cv2.projectPoints(points, np.zeros(3), np.zeros(3), matrix, distortion)[0].reshape(-1, 2)
    np.testing.assert_allclose(camera.project(points), theirs, atol=1e-9)


@pytest.mark.parametrize("camera", [webcam(), still_camera()], ids=["webcam", "still"])
def test_rays_and_the_fast_grid_of_rays_undo_the_projection(camera):
    columns = np.arange(-0.4, camera.width_px, 37.3)
    rows = np.arange(-0.4, camera.height_px, 41.7)
    wanted = np.stack(np.meshgrid(columns, rows), axis=-1)
    exact = camera.ideal(wanted)
    np.testing.assert_allclose(
        camera.distort(exact) * [camera.fx_px, camera.fy_px] + [camera.cx_px, camera.cy_px], wanted, atol=1e-9
    )
    fast = np.stack(camera.ideal_grid(columns, rows), axis=-1)
    assert np.abs(fast - exact).max() * camera.fx_px < 5e-4  # px


def test_a_distortion_that_folds_back_is_refused():
    camera = TrueCamera(1920, 1080, 1400.0, 1400.0, 960.0, 540.0, k1=-0.9)
    with pytest.raises(ValueError, match="distortion"):
        camera.ideal([[0.0, 0.0]])
