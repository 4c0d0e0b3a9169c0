"""The map from a board to the photo: Jacobians, inverse, fit, prediction."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support.render_board import facing, true_corners
from vision.bend import bending
from vision.boardmap import fit_map, map_from_pose, nominal_camera, refit_map
from vision.boards import Board
from vision.camera import Camera
from vision.frames import Pose

CAMERA = Camera(640, 480, 620.0, 622.0, 322.0, 236.0, np.array([-0.2, 0.08, 0.002, -0.001]))
BOARD = Board("b", 7, 5, 36.0, 27.0, "DICT_APRILTAG_36h11", 0)
POINTS = BOARD.corners_mm()
COV = np.tile(np.eye(2) * 0.05**2, (len(POINTS), 1, 1))
POSE = facing(BOARD, CAMERA, z_mm=500, tilt_deg=40, axis_deg=30, at=(0.2, -0.1))


def fitted(px, camera=CAMERA, cov=COV):
    result = fit_map(BOARD, POINTS, px, cov, camera, (640, 480))
    assert result is not None
    return result


def test_map_of_a_pose_is_the_poses_projection_and_has_an_inverse():
    board_map = map_from_pose(BOARD, POSE, CAMERA, 1.0)
    assert board_map is not None
    px = true_corners(BOARD, POSE, CAMERA)
    assert np.abs(board_map.project(POINTS) - px).max() < 1e-9
    assert np.abs(board_map.board_mm(px) - POINTS[:, :2]).max() < 1e-6
    assert board_map.tilt_deg() == pytest.approx(40.0, abs=9.0)  # to the line of sight, which runs off the axis here


def test_jacobians_agree_with_differences():
    board_map = fitted(true_corners(BOARD, POSE, CAMERA), None)
    d_xy, d_map = board_map.jacobian(POINTS)
    for k in range(2):
        step = np.zeros(3)
        step[k] = 1e-3
        difference = (board_map.project(POINTS + step) - board_map.project(POINTS - step)) / 2e-3
        assert np.abs(d_xy[:, :, k] - difference).max() < 1e-6
    for k in range(13):
        ends = []
        for sign in (1.0, -1.0):
            h, parameters = board_map.h.copy(), board_map.camera.parameters
            if k < 8:
                h[k // 3, k % 3] += sign * 1e-6
            else:
                parameters[k - 4] += sign * 1e-6
            ends.append(replace(board_map, h=h, camera=board_map.camera.with_parameters(parameters)).project(POINTS))
        assert np.abs(d_map[:, :, k] - (ends[0] - ends[1]) / 2e-6).max() < 1e-4


def test_an_unknown_lens_is_taken_up_by_the_map():
    board_map = fitted(true_corners(BOARD, POSE, CAMERA), None)
    assert np.abs(board_map.project(POINTS) - true_corners(BOARD, POSE, CAMERA)).max() < 0.05
    straight = fitted(true_corners(BOARD, POSE, CAMERA), replace(CAMERA, distortion=np.zeros(8)))
    assert np.abs(straight.project(POINTS) - true_corners(BOARD, POSE, CAMERA)).max() > 0.3


def test_predicted_scatter_is_the_maps_scatter():
    truth = true_corners(BOARD, POSE, CAMERA)
    seen, unseen = POINTS[:12], POINTS[12:]
    square = []
    start = map_from_pose(BOARD, POSE, CAMERA, 1.0)
    assert start is not None
    for seed in range(200):
        noisy = truth[:12] + np.random.default_rng(seed).normal(0.0, 0.05, (12, 2))
        board_map = refit_map(start, seen, noisy, COV[:12])
        assert board_map is not None
        gap = board_map.project(unseen) - truth[12:]
        square.append(np.einsum("ni,nij,nj->n", gap, np.linalg.inv(board_map.predicted_cov(unseen)), gap) / 2)
    # 200 runs of strongly correlated points: 1 +- 3 sqrt(2 / 200) per direction; the loose hold on rigidity makes it smaller
    assert 0.6 < np.mean(square) < 1.25


def test_one_wild_point_does_not_pull_the_map():
    px = true_corners(BOARD, POSE, CAMERA)
    px[5] += [25.0, -10.0]
    gap = fitted(px).project(POINTS) - true_corners(BOARD, POSE, CAMERA)
    assert np.abs(gap).max() < 0.5


def test_boards_behind_the_camera_have_no_map():
    behind = Pose.from_rt("cam", "b", POSE.rotation, POSE.translation_mm - [0.0, 0.0, 700.0])
    assert map_from_pose(BOARD, behind, CAMERA, 1.0) is None


def test_points_far_outside_the_picture_are_not_projected():
    board_map = map_from_pose(BOARD, POSE, CAMERA, 1.0)
    assert board_map is not None
    assert np.isnan(board_map.project(np.array([[5000.0, 0.0, 0.0]]))).all()


def test_nominal_camera_has_its_centre_in_the_middle():
    camera = nominal_camera(641, 481)
    assert (camera.cx_px, camera.cy_px, camera.fx_px) == (320.0, 240.0, 641.0)


@pytest.mark.parametrize("sag_mm", [0.0, 3.0])
def test_bending_is_measured_in_mm(sag_mm):
    w = BOARD.size_mm[0]
    face = POINTS.copy()
    face[:, 2] = sag_mm * (1.0 - (2.0 * face[:, 0] / w - 1.0) ** 2)
    px = CAMERA.project(POSE.apply(face)) + np.random.default_rng(2).normal(0.0, 0.02, (len(face), 2))
    found = bending(fitted(px), BOARD, POINTS, px, COV)
    # a parabola of depth s departs from its mean plane by 2 s / 3 at most, on a fine grid over the whole face
    assert found.departure_mm == pytest.approx(2.0 * sag_mm / 3.0, abs=0.15 + 0.1 * sag_mm)
    assert found.sigma_mm < 0.2
