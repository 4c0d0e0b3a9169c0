"""Pose of one board: both planar solutions, honest covariance, no trust in closed forms."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from tests.support.outside_data import outside_data
from vision.boards import Board
from vision.camera import Camera
from vision.errors import PoseError
from vision.frames import Pose, exp_so3, log_so3, skew
from vision.pose import board_pose, mirrored_pose, planar_poses
from vision.sightings import Sighting

CAMERA = Camera(4000, 3000, 3000.0, 3000.0, 2000.0, 1500.0)
WIDE = Camera(1920, 1080, 1400.0, 1402.0, 955.0, 545.0, np.array([-0.1, 0.05, 0.001, -0.0005]))
BOARD = Board("b", 7, 5, 36.0, 27.0, "DICT_APRILTAG_36h11", 0)


def tilted(tilt_deg: float, roll_deg: float = 0.0) -> np.ndarray:
    """Tilt about the camera's y, roll about the board's normal."""
    return exp_so3([0.0, math.radians(tilt_deg), 0.0]) @ exp_so3([0.0, 0.0, math.radians(roll_deg)])


def seen(points: np.ndarray, turn: np.ndarray, shift: np.ndarray, camera: Camera) -> np.ndarray:
    """Pixels by OpenCV's projection."""
    px, _ = cv2.projectPoints(points, cv2.Rodrigues(turn)[0], shift, camera.matrix, camera.distortion)
    return np.asarray(px).reshape(-1, 2)


def sighting(turn: np.ndarray, shift: np.ndarray, *, sigma_px: float = 0.1, noise_seed: int | None = None) -> Sighting:
    points = BOARD.corners_mm()
    px = seen(points, turn, shift, WIDE)
    if noise_seed is not None:
        px = px + np.random.default_rng(noise_seed).normal(0.0, sigma_px, px.shape)
    return Sighting("b", np.arange(len(points)), px, np.tile(np.eye(2) * sigma_px**2, (len(points), 1, 1)))


def turn_between_deg(a: np.ndarray, b: np.ndarray) -> float:
    return math.degrees(float(np.linalg.norm(log_so3(a.T @ b))))


def test_a_pose_without_noise_is_found_exactly():
    turn, shift = exp_so3([0.4, -0.7, 1.1]), np.array([120.0, -80.0, 1500.0])
    found = board_pose(BOARD, sighting(turn, shift), WIDE)
    assert (found.cam_from_board.target, found.cam_from_board.source) == ("cam", "b")
    assert turn_between_deg(found.cam_from_board.rotation, turn) < 1e-8
    assert np.abs(found.cam_from_board.translation_mm - shift).max() < 1e-5
    assert found.rms_px < 1e-8
    assert not found.ambiguous


def test_second_planar_pose_lies_twice_the_tilt_away():
    # published check "ippe_two_fold", measured with OpenCV 4.14 and 5.0: square of 150 mm, f 3000 px, 2 m, 20 deg:
    # the closed form's second pose is turned by 40 deg, 1998.993 mm away and 2.8881 px RMS per point off
    s = 75.0
    square = np.array([[-s, -s, 0], [s, -s, 0], [s, s, 0], [-s, s, 0]])
    turn = tilted(20.0, 1.0)
    shift = np.array([0.0, 0.0, 2000.0])
    px = seen(square, turn, shift, CAMERA)
    mirrored = mirrored_pose(square, turn, shift)
    assert mirrored is not None
    assert turn_between_deg(turn, mirrored[0]) == pytest.approx(40.0, abs=1e-3)
    first, second = planar_poses(square, px, np.tile(np.eye(2), (4, 1, 1)), CAMERA)
    assert second is not None
    assert first.rms_px < 1e-9
    # refined, the second pose must fit better than the closed form's and still be a minimum of its own
    assert 2.7 < second.rms_px < 2.8881
    assert turn_between_deg(turn, second.rotation) == pytest.approx(40.0, abs=1.5)


def test_a_small_board_far_off_is_ambiguous_and_a_near_one_is_not():
    turn = tilted(20.0, 5.0)
    far = board_pose(BOARD, sighting(turn, np.array([-126.0, -90.0, 9000.0]), sigma_px=0.5, noise_seed=1), WIDE)
    near = board_pose(BOARD, sighting(turn, np.array([-126.0, -90.0, 900.0]), sigma_px=0.5, noise_seed=1), WIDE)
    assert far.ambiguous
    assert far.second is not None
    assert {True, False} == {turn_between_deg(pose.rotation, turn) < 15.0 for pose in (far.cam_from_board, far.second)}
    assert not near.ambiguous
    assert near.second_rms_px > 3 * near.rms_px


# published check "planar_pose_sd" (Gauss-Markov, recomputed): 9 x 7 corners on 400 x 300 mm, f 3000 px, 0.1 px, 2 m;
# columns: sd of rotation about camera x, y, z in deg, of the board's centre along x, y, z in mm
PUBLISHED_SD = {
    0: (0.06191, 0.04934, 0.00295, 0.01105, 0.00999, 0.10287),
    15: (0.0219, 0.02092, 0.00468, 0.00886, 0.00858, 0.15632),
    30: (0.01115, 0.01093, 0.00481, 0.00847, 0.00842, 0.16305),
    45: (0.00715, 0.00707, 0.00482, 0.00841, 0.00839, 0.16426),
    60: (0.00513, 0.0051, 0.0048, 0.00841, 0.00838, 0.16451),
}


@pytest.mark.parametrize("tilt_deg", sorted(PUBLISHED_SD))
def test_covariance_agrees_with_published_scatter(tilt_deg):
    gx, gy = np.meshgrid(np.linspace(-200, 200, 9), np.linspace(-150, 150, 7))
    points = np.column_stack([gx.ravel(), gy.ravel(), np.zeros(gx.size)])
    centre = np.array([0.0, 0.0, 2000.0])
    px = seen(points, tilted(tilt_deg), centre, CAMERA)
    first, _ = planar_poses(points, px, np.tile(np.eye(2) * 0.01, (len(points), 1, 1)), CAMERA)
    about_camera = np.linalg.inv(first.information)
    to_centre = np.block([[np.eye(3), np.zeros((3, 3))], [-skew(centre), np.eye(3)]])
    sd = np.sqrt(np.diag(to_centre @ about_camera @ to_centre.T))
    sd[:3] = np.degrees(sd[:3])
    assert sd == pytest.approx(PUBLISHED_SD[tilt_deg], rel=0.01)


def test_scatter_agrees_with_the_covariance():
    turn, shift = tilted(35.0, 8.0), np.array([-120.0, -60.0, 1400.0])
    truth = Pose.from_rt("cam", "b", turn, shift)
    runs = 300
    square = 0.0
    for seed in range(runs):
        found = board_pose(BOARD, sighting(turn, shift, sigma_px=0.2, noise_seed=seed), WIDE)
        gap = found.cam_from_board @ truth.inverse()
        delta = np.concatenate([log_so3(gap.rotation), gap.translation_mm])
        # unscaled covariance: the noise is the one stated
        scale = max(1.0, found.chi2 / (2 * BOARD.corner_count - 6))
        square += float(delta @ np.linalg.inv(found.cov / scale) @ delta)
    # mean of chi-square with 6 degrees of freedom over 300 runs: 6 +- 3 * sqrt(12 / 300)
    assert square / runs == pytest.approx(6.0, abs=0.6)


@pytest.mark.parametrize("axis", [(1.0, 0.0, 0.0), (0.6, 0.8, 0.0), (0.0, 1.0, 0.0)])
@pytest.mark.parametrize("off_rad", [0.0, 1e-9, 1e-7, 1e-5])
def test_half_turns_do_not_trap_the_solver(axis, off_rad):
    # TRADE, traps: OpenCV's IPPE gives NaN or a pose 179 deg wrong near a half turn, claiming success
    turn = exp_so3(np.array(axis) * (math.pi - off_rad))
    points = BOARD.corners_mm()
    shift = np.array([30.0, 20.0, 1200.0])
    px = WIDE.project(points @ turn.T + shift)  # OpenCV's rotation vector is itself inexact near a half turn
    first, second = planar_poses(points, px, np.tile(np.eye(2), (len(points), 1, 1)), WIDE)
    for fit in (first, second) if second is not None else (first,):
        assert np.isfinite(fit.rotation).all()
        assert np.isfinite(fit.translation).all()
    assert turn_between_deg(first.rotation, turn) < 1e-6
    assert np.abs(first.translation - shift).max() < 1e-4


def test_board_square_on_without_roll_is_posed():
    found = board_pose(BOARD, sighting(np.eye(3), np.array([-126.0, -90.0, 1500.0])), WIDE)
    assert found.rms_px < 1e-6
    assert np.isfinite(found.cov).all()


def test_few_corners_and_one_line_are_refused():
    full = sighting(tilted(30.0), np.array([0.0, 0.0, 1500.0]))
    three = Sighting("b", full.corner_ids[:3], full.px[:3], full.cov_px[:3])
    with pytest.raises(PoseError, match="board b: 3 corners, 4 needed"):
        board_pose(BOARD, three, WIDE)
    row = Sighting("b", full.corner_ids[:6], full.px[:6], full.cov_px[:6])
    with pytest.raises(PoseError, match="on one line"):
        board_pose(BOARD, row, WIDE)


@pytest.mark.reference
def test_pose_agrees_with_poselib():
    poselib = pytest.importorskip("poselib", reason="poselib is not installed (extra `reference`)")
    for seed in range(5):
        rng = np.random.default_rng(seed)
        turn = exp_so3(rng.normal(0, 0.5, 3))
        observed = sighting(turn, np.array([-100.0, -70.0, rng.uniform(800, 2500)]), sigma_px=0.3, noise_seed=seed)
        ours = board_pose(BOARD, observed, WIDE)
        lens = {
            "model": "OPENCV",
            "width": 1920,
            "height": 1080,
            "params": [WIDE.fx_px, WIDE.fy_px, WIDE.cx_px, WIDE.cy_px, *WIDE.distortion[:4]],
        }
        start = poselib.CameraPose()
        start.R, start.t = ours.cam_from_board.rotation, ours.cam_from_board.translation_mm + [2.0, -1.0, 8.0]
        points = BOARD.corners_mm()[observed.corner_ids]
        exact = {"loss_type": "TRIVIAL", "max_iterations": 200, "gradient_tol": 1e-14, "step_tol": 1e-14}
        theirs, _ = poselib.refine_absolute_pose(observed.px, points, start, lens, exact)
        assert turn_between_deg(ours.cam_from_board.rotation, theirs.R) < 1e-5
        assert np.abs(ours.cam_from_board.translation_mm - theirs.t).max() < 1e-4


def test_pose_agrees_with_opencv_on_published_views():
    # out_camera_data.yml of OpenCV's samples: 8 views x 54 points with camera and poses to ten digits
    file = cv2.FileStorage(str(outside_data("out_camera_data.yml")), cv2.FILE_STORAGE_READ)
    matrix, distortion = file.getNode("Camera_Matrix").mat(), file.getNode("Distortion_Coefficients").mat()
    poses, views = file.getNode("Extrinsic_Parameters").mat(), file.getNode("Image_points").mat()
    square = file.getNode("square_Size").real()
    wide, high = (int(file.getNode(f"board_{side}").real()) for side in ("Width", "Height"))
    camera = Camera(640, 480, matrix[0, 0], matrix[1, 1], matrix[0, 2], matrix[1, 2], np.asarray(distortion).ravel())
    board = Board("yml", wide, high, square)
    cov = np.tile(np.eye(2), (board.corner_count, 1, 1))
    for row, px in zip(poses, np.asarray(views, dtype=float), strict=True):
        found = board_pose(board, Sighting("yml", np.arange(board.corner_count), px.reshape(-1, 2), cov), camera)
        assert np.abs(found.cam_from_board.translation_mm - row[3:]).max() < 1e-3
        assert turn_between_deg(found.cam_from_board.rotation, exp_so3(row[:3])) < 1e-3
