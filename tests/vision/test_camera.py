"""The projection against published cameras, OpenCV and its own inverse; Jacobians against differences."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision.camera import Camera, LensProfile, project_arrays

RATIONAL = Camera(4000, 3000, 3200.0, 3190.0, 2011.0, 1489.0, np.array([0.3, -0.2, 4e-4, -3e-4, 0.05, 0.25, -0.1, 0.02]))


def test_zhangs_published_camera_projects_as_published():
    # Zhang (2000), published camera; pixel as recomputed in a public camera test (skew 0.204494 left out: our model has none)
    camera = Camera(640, 480, 832.5, 832.53, 303.959, 206.585, np.array([-0.228601, 0.190353]))
    assert camera.project([[40.0, 70.0, 800.0]])[0] == pytest.approx([345.4881753, 279.2636757], abs=1e-6)


def test_brown_projection_of_the_classic_toolbox_camera():
    # Camera and pose: Calib_Results.m of the classic 20-image calibration toolbox example; pixels computed two ways
    camera = Camera(
        640, 480, 657.6437478455615, 658.0411276002326, 303.19239239482675, 242.55566014326533,
        np.array([-0.256098158881069, 0.130887313444893, -0.000191177536109, 3.8483262494e-05, 0.0]),
    )  # fmt: skip
    turn = cv2.Rodrigues(np.array([1.65472, 1.65163, -0.6697971]))[0]
    points = np.array([[0, 0, 0], [360, 0, 0], [0, 270, 0], [360, 270, 0], [180, 135, 0]], dtype=float)
    expected = [
        [167.92206057, 178.8799742],
        [128.69213186, 402.12851534],
        [369.86568867, 191.04664624],
        [419.578887, 410.30920918],
        [272.65186918, 276.23806974],
    ]
    px = camera.project(points @ turn.T + np.array([-177.8479, -83.65803, 853.2221]))
    np.testing.assert_allclose(px, expected, atol=1e-6)


def test_rational_model_equals_opencv():
    points = np.random.default_rng(1).uniform([-700, -500, 900], [700, 500, 2500], size=(200, 3))
    expected = cv2.projectPoints(points, np.zeros(3), np.zeros(3), RATIONAL.matrix, RATIONAL.distortion)[0].reshape(-1, 2)
    np.testing.assert_allclose(RATIONAL.project(points), expected, atol=1e-9)


def test_jacobians_equal_central_differences():
    points = np.random.default_rng(2).uniform([-700, -500, 900], [700, 500, 2500], size=(50, 3))
    _, d_point, d_parameters = RATIONAL.project_with_jacobians(points)
    for axis in range(3):
        step = np.eye(3)[axis] * 1e-3
        difference = (RATIONAL.project(points + step) - RATIONAL.project(points - step)) / 2e-3
        np.testing.assert_allclose(d_point[:, :, axis], difference, atol=1e-6)
    for i in range(12):
        step = np.eye(12)[i] * (1e-3 if i < 4 else 1e-6)
        ahead, behind = (RATIONAL.with_parameters(RATIONAL.parameters + s * step).project(points) for s in (1, -1))
        np.testing.assert_allclose(d_parameters[:, :, i], (ahead - behind) / (2 * step[i]), rtol=1e-5, atol=1e-4)


def test_a_row_of_parameters_for_every_point():
    points = np.array([[10.0, 20.0, 500.0], [10.0, 20.0, 500.0]])
    rows = np.stack([RATIONAL.parameters, RATIONAL.parameters + np.eye(12)[2]])
    px = project_arrays(points, rows, jacobians=False)[0]
    np.testing.assert_allclose(px[1] - px[0], [1.0, 0.0], atol=1e-9)


@given(x=st.floats(0, 3999), y=st.floats(0, 2999))
def test_rays_lead_back_to_their_pixel(x, y):
    assert RATIONAL.project(RATIONAL.rays([[x, y]]))[0] == pytest.approx([x, y], abs=1e-6)


def test_a_vector_of_variances_is_no_covariance():
    with pytest.raises(ValueError, match=r"shape \(12, 12\)"):
        LensProfile("x", RATIONAL, np.ones(12))
