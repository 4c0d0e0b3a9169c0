"""A fixed pair of cameras sees the same relative pose in every pair of photos: simulated, and on real photographs."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.stats import chi2

from tests.support import stereo_photos
from tests.support.lens_world import BOARD, BOARDS, WEBCAM, uneven_feed
from tests.support.rig import against_the_others, constancy, motion_that_explains, one_number, pairs_of
from vision.frames import Pose
from vision.lens import fit_lens
from vision.sightings import PhotoSightings, Sighting

RIGHT_FROM_LEFT = Pose.from_rt("cam", "left", [0.01, -0.02, 0.005], [-85.0, 1.0, 2.0])
MODEL = (("k1", "k2", "p1", "p2"),)
FAMILY_WISE = 1e-3


def shoot(rng, name: str, cam_from_board: Pose, printed_off_mm, noise_px: float = 0.1) -> PhotoSightings:
    width, height, fx, fy, cx, cy, distortion = WEBCAM
    corners = BOARD.corners_mm()
    corners[:, :2] += printed_off_mm
    matrix = np.array([[fx, 0, cx], [0, fy, cy], [0, 0, 1.0]])
    rotvec = cv2.Rodrigues(cam_from_board.rotation)[0]
    px = cv2.projectPoints(corners, rotvec, cam_from_board.translation_mm, matrix, np.array(distortion))[0].reshape(-1, 2)
    px += rng.normal(0.0, noise_px, px.shape)
    ids = np.flatnonzero(np.all((px > 5) & (px < [width - 5, height - 5]), axis=1))
    cov = np.tile(np.eye(2) * noise_px**2, (len(ids), 1, 1))
    return PhotoSightings(name, width, height, (Sighting(BOARD.name, ids, px[ids], cov),))


def simulated_pairs(seed: int, *, moved: int | None = None):
    """Twelve pairs of a crooked print, shot at once; in one of them the board moves by 0.5 mm between the exposures."""
    rng = np.random.default_rng(seed)
    off = uneven_feed(seed, 0.06)
    shots = {"left": [], "right": []}
    for i in range(12):
        turn = rng.uniform(-0.6, 0.6, 3) * [1, 1, 0.3] + [0, 0, np.pi / 2 * (i % 2)]
        rotation = Pose.from_rt("cam", "board", turn, [0, 0, 0]).rotation
        centre = np.array([rng.uniform(-110, 110), rng.uniform(-60, 60), rng.uniform(500, 700)])
        left = Pose.from_rt("left", "board", rotation, centre - rotation @ BOARD.centre_mm)
        shots["left"].append(shoot(rng, f"left{i:02d}.jpg", left, off))
        if i == moved:
            left = left.perturbed(np.array([0.0, 0.0, 0.0, 0.5, 0.0, 0.0]))
        shots["right"].append(shoot(rng, f"right{i:02d}.jpg", RIGHT_FROM_LEFT @ left, off))
    fits = [fit_lens(shots[side], BOARDS, candidates=MODEL) for side in ("left", "right")]
    return pairs_of(*fits, one_number([*fits[0].photos, *fits[1].photos]))


def test_predicted_covariances_explain_the_scatter_of_simulated_pairs():
    found = [constancy(simulated_pairs(seed)) for seed in (1, 2)]
    total, freedom = sum(c.chi_square for c in found), sum(c.redundancy for c in found)
    assert chi2.ppf(0.0005, freedom) < total < chi2.ppf(0.9995, freedom), total / freedom


def test_a_board_that_moves_between_the_exposures_is_named():
    pairs = simulated_pairs(4, moved=7)
    apart = against_the_others(pairs)
    assert max(apart, key=lambda name: apart[name]) == "07"
    limit = chi2.isf(FAMILY_WISE / 12, 6)
    assert apart["07"] > limit > max(against_the_others(pairs.without("07")).values())


@pytest.fixture(scope="module")
def pairs():
    fits = [stereo_photos.fit(side) for side in stereo_photos.SIDES]
    return pairs_of(*fits, one_number([*fits[0].photos, *fits[1].photos]))


@pytest.fixture(scope="module")
def blind_pairs():
    """The same with corners taken to be printed where they should be."""
    fits = [stereo_photos.fit(side, print_errors=False) for side in stereo_photos.SIDES]
    return pairs_of(*fits, one_number([*fits[0].photos, *fits[1].photos]))


def test_real_cameras_stand_still_in_the_room():
    """The room is a witness of its own: no camera moved, and no lens changed, from photo to photo."""
    for side in stereo_photos.SIDES:
        assert max(stereo_photos.background_shift_px(side).values()) < 0.06


def test_both_real_cameras_see_the_same_print():
    left, right = (stereo_photos.fit(side) for side in stereo_photos.SIDES)
    assert left.print_mm == pytest.approx(0.06, abs=0.015)
    assert right.print_mm == pytest.approx(left.print_mm, rel=0.3)
    along = np.corrcoef(left.printed_off_mm["chessboard"].ravel(), right.printed_off_mm["chessboard"].ravel())[0, 1]
    assert along > 0.8


def test_print_errors_explain_what_passed_for_wobble_and_lens(pairs, blind_pairs):
    before, after = constancy(blind_pairs), constancy(pairs)
    for side in stereo_photos.SIDES:
        blind, fit = stereo_photos.fit(side, print_errors=False), stereo_photos.fit(side)
        assert fit.rms_px < 0.75 * blind.rms_px
        assert fit.sigma()[0] < 0.75 * blind.sigma()[0]
    # the relative poses scatter less, and no more than before in units of what is predicted
    assert np.all(after.gaps.std(axis=0) < 0.95 * before.gaps.std(axis=0))
    assert after.reduced < before.reduced


def test_relative_pose_of_the_real_rig(pairs):
    """Chi-square is not 1, and no lens, bend or print of ours makes it so; what is left is as if the board moved by 0.06 mm.

    The board is held by hand and nothing says that both cameras expose at once. In pair 08 it certainly moved.
    """
    apart = against_the_others(pairs)
    assert apart.pop("08") > 4.0 * max(apart.values())
    still = pairs.without("08")
    found = constancy(still)
    assert 1.0 < found.reduced < 2.0
    assert 0.03 < motion_that_explains(still, stereo_photos.REACH_MM) < 0.08
    # baseline and angle for the next reader; the same pair calibrated with the rig held rigid gives 83.3 mm
    assert float(np.linalg.norm(found.right_from_left.translation_mm)) == pytest.approx(83.3, abs=0.3)
