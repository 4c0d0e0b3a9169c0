"""Motion while a photo is taken: smeared boards stay honest, a rolling shutter is allowed for, long smears are refused."""

from __future__ import annotations

import functools
import math

import numpy as np
import pytest

from tests.support.fine_board import View, draw
from vision.boards import Board, BoardSet
from vision.camera import Camera
from vision.detect import detect_boards
from vision.frames import Array
from vision.sightings import Refusal, Sighting
from vision.smear import shear_sigma_px, smear_px

BOARD = Board("floor", 5, 4, 46.0, 34.5, "DICT_APRILTAG_36h11", 60)
WIDTH, HEIGHT, FOCAL = 400, 300, 620.0
CAMERA = Camera(WIDTH, HEIGHT, FOCAL, FOCAL, (WIDTH - 1) / 2, (HEIGHT - 1) / 2)


@functools.cache
def taken(smear: float, shear_px: float, z_mm: float = 560.0) -> tuple[View, tuple[Sighting, ...], tuple[Refusal, ...]]:
    """A photo smeared along x by `smear` px while a rolling shutter shears it by `shear_px` over its height."""
    middle = (WIDTH / 2 + 0.3, HEIGHT / 2 - 0.4)
    view = View(BOARD, WIDTH, HEIGHT, FOCAL, z_mm, 40.0, 70.0, 12.0, middle, shutter=shear_px / HEIGHT)
    drawn = draw(view, 0.7, derivatives=False, streak_px=(smear, 0.0))
    rng = np.random.default_rng(3)
    image = np.clip(np.rint(40 + 150 * drawn.light + rng.normal(0, 2, drawn.light.shape)), 0, 255).astype(np.uint8)
    return (view, *detect_boards(image, BoardSet((BOARD,)), CAMERA))


def rotation_error(view: View, sighting: Sighting) -> tuple[float, float]:
    """Turn (deg) of the pose fitted to the corners against the true one, and its square by the stated covariance over three."""
    upright = View(*(getattr(view, name) for name in list(View.__dataclass_fields__)[:-1]))
    jac: Array = upright.d_px(BOARD.corners_mm())[sighting.corner_ids]
    error = sighting.px - upright.project(BOARD.corners_mm())[sighting.corner_ids]
    weight = np.linalg.inv(sighting.cov_px)
    cov = np.linalg.inv(np.einsum("nik,nij,njl->kl", jac, weight, jac))
    turn = (cov @ np.einsum("nik,nij,nj->k", jac, weight, error))[:3]
    return math.degrees(float(np.linalg.norm(turn))), float(turn @ np.linalg.inv(cov[:3, :3]) @ turn) / 3


@pytest.mark.parametrize("smear", [2.0, 4.0])
def test_a_smear_alone_moves_no_corner(smear):
    view, found, _ = taken(smear, 0.0)
    error = found[0].px - view.project(BOARD.corners_mm())[found[0].corner_ids]
    assert np.abs(error).max() < 0.03


def test_a_long_smear_is_refused_in_words():
    _, found, refused = taken(6.0, 0.0)
    assert found == ()
    assert "moved during the exposure: smeared over" in refused[0].reason
    assert "hold still" in refused[0].reason


def test_a_rolling_shutter_that_shears_as_far_as_it_smears_is_allowed_for():
    turn_deg, square = rotation_error(*(part[0] if isinstance(part, tuple) else part for part in taken(4.0, 4.0)[:2]))
    assert turn_deg > 0.2  # it does harm
    assert square < 9.0  # within three sigma of what is stated
    sharp, still = taken(0.0, 0.0)[1][0], taken(4.0, 0.0)[1][0]
    assert np.sqrt(still.cov_px[:, 0, 0].mean()) > 10 * np.sqrt(sharp.cov_px[:, 0, 0].mean())


def test_an_astigmatic_lens_is_no_motion():
    assert smear_px(np.diag([0.7, 1.0])) == 0.0
    streak = np.diag([0.5 + 6.0**2 / 12, 0.5])
    assert smear_px(streak) == pytest.approx(6.0, rel=0.1)
    assert shear_sigma_px(4.0, np.array([[0.0, 10.0], [50.0, 110.0]]), 1000) == pytest.approx(0.2)
