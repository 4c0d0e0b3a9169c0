"""The whole pattern shared out among its corners: what the last look gains, and what it must not be fooled by."""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks import corner_study as study
from tests.benchmarks.corner_bound import pose_information
from tests.support.fine_board import View, draw
from tests.support.render_board import Imaging, Scene, facing, render, true_corners
from vision.boards import Board, BoardSet
from vision.camera import Camera
from vision.cells import corner_cells
from vision.detect import detect_boards
from vision.frames import Array

BOARD = Board("floor", 5, 4, 46.0, 34.5, "DICT_APRILTAG_36h11", 60)
WIDTH, HEIGHT, FOCAL, CONTRAST = 300, 220, 620.0, 150.0
INK = 0.06
"""Light that print sends back, of that of paper."""
CAMERA = Camera(WIDTH, HEIGHT, FOCAL, FOCAL, (WIDTH - 1) / 2, (HEIGHT - 1) / 2)


def test_cells_share_the_pattern_out():
    middle, half = corner_cells(BOARD, np.arange(BOARD.corner_count))
    rim = 0.08
    area = float((4 * half[:, 0] * half[:, 1]).sum())
    assert area == pytest.approx((BOARD.columns + 2 * rim) * (BOARD.rows + 2 * rim))
    low, high = middle[:, :2] / BOARD.square_mm - half, middle[:, :2] / BOARD.square_mm + half
    overlap = np.minimum(high[:, None], high[None]) - np.maximum(low[:, None], low[None])
    overlap = np.where(np.eye(len(half), dtype=bool)[..., None], 0.0, overlap)
    assert overlap.min(axis=2).max() < 1e-9


@pytest.mark.parametrize("largest", [1.0, 0.7, 0.5, 0.2])
def test_cells_of_near_boards_keep_their_corner(largest: float):
    """A cell cut about a middle that lies out on the rim would hold an edge or nothing: errors of a pixel at 0.3 m."""
    ids = np.arange(BOARD.corner_count)
    middle, half = corner_cells(BOARD, ids, largest)
    assert half.max() <= largest + 1e-12
    beside = np.abs(BOARD.corners_mm()[ids, :2] - middle[:, :2]) / BOARD.square_mm
    assert (half - beside).min() >= min(0.5, largest) - 1e-12


def pose_errors(gamma: float, noise: float, count: int) -> tuple[Array, Array]:
    """Squared pose errors over six: by the pixels' own Cramer-Rao bound, and by the covariance stated for the corners."""
    rng = np.random.default_rng(4)
    by_bound, by_stated = [], []
    for k in range(count):
        middle = (WIDTH / 2 + rng.uniform(-2, 2), HEIGHT / 2 + rng.uniform(-2, 2))
        view = View(BOARD, WIDTH, HEIGHT, FOCAL, 850.0, 40.0, 140.0 * k, 20.0 * k + 7, middle)
        drawn = draw(view, 0.8)
        truth, jac = view.project(BOARD.corners_mm()), view.d_px(BOARD.corners_mm())
        information = pose_information(view, drawn, CONTRAST, noise)
        for _ in range(5):
            light = (np.clip(drawn.light, 0, 1) * (1 - INK) + INK) ** (1 / gamma)
            picture = 20 + CONTRAST / (1 - INK ** (1 / gamma)) * light + rng.normal(0, noise, drawn.light.shape)
            image = np.clip(np.rint(picture), 0, 255).astype(np.uint8)
            sighting = detect_boards(image, BoardSet((BOARD,)), CAMERA)[0][0]
            weight, error = np.linalg.inv(sighting.cov_px), sighting.px - truth[sighting.corner_ids]
            mine = jac[sighting.corner_ids]
            normal = np.einsum("nik,nij,njl->kl", mine, weight, mine)
            step = np.linalg.solve(normal, np.einsum("nik,nij,nj->k", mine, weight, error))
            by_bound.append(step @ information @ step / 6)
            by_stated.append(step @ normal @ step / 6)
    return np.array(by_bound), np.array(by_stated)


def test_a_pose_comes_near_the_bound_of_its_pixels_and_is_as_good_as_stated():
    by_bound, by_stated = pose_errors(gamma=1.0, noise=3.0, count=3)
    # windows of half a square about each corner alone reach 2.0 here; the bound is 1
    assert np.sqrt(by_bound.mean()) < 1.5
    # 15 poses of six numbers: 1 +- 3 * sqrt(2 / 90) = 0.55 to 1.45 were the covariance exact
    assert 0.5 < by_stated.mean() < 1.45


def test_the_tone_curve_moves_no_board():
    # a photo's tone curve moves every edge by some 0.2 px towards black
    _, by_stated = pose_errors(gamma=2.0, noise=3.0, count=2)
    assert by_stated.mean() < 2.0


def test_something_on_the_rim_costs_only_the_rim():
    camera = Camera(640, 480, 620.0, 620.0, 319.5, 239.5)
    pose = facing(BOARD, camera, z_mm=620, tilt_deg=30, axis_deg=60, roll_deg=5)
    corner = camera.project(pose.apply(np.array([[0.0, 92.0, 0.0]])))[0]
    cover = (int(corner[0]) - 30, int(corner[1]) - 20, int(corner[0]) + 14, int(corner[1]) + 20)
    image = render(Scene(camera, ((BOARD, pose),), covers=(cover,), imaging=Imaging(noise=2.0)), 3)
    sighting = detect_boards(image, BoardSet((BOARD,)), camera)[0][0]
    error = sighting.px - true_corners(BOARD, pose, camera)[sighting.corner_ids]
    assert len(sighting.corner_ids) >= BOARD.corner_count - 1
    assert np.linalg.norm(error, axis=1).max() < 0.03


@pytest.mark.parametrize("changed", [{"tilt_deg": 70.0}, {"tilt_deg": 60.0, "z_mm": 1300.0}], ids=str)
def test_a_steep_board_with_small_squares_is_found_every_time(changed):
    """From too wide a blur one step led far below the true one, and half of such pictures were refused."""
    case, rng = study.Case(**changed), np.random.default_rng(11)
    for one in study.shown(case, 2):
        for _ in range(3):
            image = np.clip(np.rint(one.light + rng.normal(0.0, case.noise, one.light.shape)), 0, 255).astype(np.uint8)
            found, refused = detect_boards(image, BoardSet((study.BOARD,)), study.CAMERA)
            assert [len(sighting.corner_ids) for sighting in found] == [study.BOARD.corner_count], refused
