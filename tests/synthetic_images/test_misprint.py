"""Corners printed beside their places: drawn by the law that is said, shown by the renderer where the truth has them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from synthetic_images.bay import Bend
from synthetic_images.corners import true_px
from synthetic_images.misprint import Misprint, draw_misprints
from synthetic_images.render import render_photo
from synthetic_images.shot import Shot
from synthetic_images.true_camera import webcam
from tests.synthetic_images.test_render import BOARD, held_board, plain_bay
from vision.boards import PrintScale
from vision.boards_io import starter_boards
from vision.camera import Camera
from vision.detect import sightings_in
from vision.photos import Photo


def test_print_errors_have_the_sigma_they_are_drawn_with():
    boards = starter_boards("a3")
    rng = np.random.default_rng(1)
    own = [draw_misprints(boards, rng, own_mm=0.05, smooth_mm=0.0) for _ in range(20)]
    warp = [draw_misprints(boards, rng, own_mm=0.0, smooth_mm=0.03) for _ in range(20)]
    shifts = np.concatenate([m.shift_mm.ravel() for drawn in own for m in drawn.values()])
    # Some 15 000 numbers: their RMS scatters by half a percent.
    assert np.sqrt((shifts**2).mean()) == pytest.approx(0.05, rel=0.02)
    warped = [m.shift_mm for drawn in warp for m in drawn.values()]
    # Seven amplitudes a board, 400 boards.
    assert np.sqrt(np.mean([(w**2).mean() for w in warped])) == pytest.approx(0.03, rel=0.06)
    for shift in warped:  # a shift of the whole print is no print error
        np.testing.assert_allclose(shift.mean(axis=(0, 1)), 0.0, atol=1e-12)


def test_a_point_of_the_pattern_is_shifted_with_its_nearest_corner():
    bay = plain_bay()
    board = replace(bay.boards[BOARD], scale=PrintScale(1.01, 0.99))
    shift = np.arange(board.corner_count * 2, dtype=float).reshape(board.corner_rows, board.corner_columns, 2)
    misprint = Misprint(shift)
    at_corners = misprint.at(board, *board.corners_mm()[:, :2].T)
    np.testing.assert_array_equal(at_corners, shift.reshape(-1, 2))
    near = board.corners_mm()[:, :2] + 0.45 * board.square_mm * np.array([1.0, -1.0]) * 0.98
    np.testing.assert_array_equal(misprint.at(board, *near.T), shift.reshape(-1, 2))
    np.testing.assert_array_equal(misprint.at(board, np.array([0.1]), np.array([0.1])), shift[:1, 0])


def test_bend_and_misprint_add_up():
    bay = plain_bay()
    board = bay.boards[BOARD]
    misprint = draw_misprints([board], np.random.default_rng(2))[BOARD]
    both = replace(bay, bends={BOARD: Bend(2.0, 0.3)}, misprints={BOARD: misprint})
    points = both.printed_points(BOARD, board.corners_mm())
    np.testing.assert_allclose(points[:, :2] - board.corners_mm()[:, :2], misprint.shift_mm.reshape(-1, 2), atol=1e-12)
    assert np.abs(points[:, 2]).max() > 0.5


@pytest.mark.parametrize("turn_deg", [10.0, 100.0])
def test_corners_are_seen_where_they_were_printed(turn_deg):
    """Print errors of some 0.15 px in a near photo: found corners follow them to a tenth."""
    bay, camera = plain_bay(), webcam()
    board = bay.boards[BOARD]
    misprint = draw_misprints([board], np.random.default_rng(3), own_mm=0.05, smooth_mm=0.03)[BOARD]
    wrong = replace(bay, misprints={BOARD: misprint})
    shot = Shot("01", "lens", "", np.eye(4), BOARD, held_board(420.0, 30.0, 20.0, turn_deg, (0.0, 0.0)))
    image = render_photo(wrong, camera, shot, np.random.default_rng(4))
    distortion = np.array([camera.k1, camera.k2, camera.p1, camera.p2, camera.k3])
    lens = Camera(camera.width_px, camera.height_px, camera.fx_px, camera.fy_px, camera.cx_px, camera.cy_px, distortion)
    gray = np.ascontiguousarray(image[:, :, 1])
    (seen,) = sightings_in(Photo("01.jpg", gray), bay.boards, lens).found
    assert seen.board == BOARD
    true, plain = (true_px(b, camera, shot, BOARD)[seen.corner_ids] for b in (wrong, bay))
    off = seen.px - true
    assert len(seen.corner_ids) >= 22
    assert np.sqrt((off**2).mean()) < 0.02
    assert np.sqrt(((seen.px - plain) ** 2).mean()) > 0.1
