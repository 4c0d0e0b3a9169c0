"""Lens calibration of simulated photos: the camera comes back, and its covariance is true."""

from __future__ import annotations

import numpy as np
import pytest

from tests.support.lens_world import BOARDS, WEBCAM, photo, photos, shifted, true_parameters, uneven_feed
from vision.errors import LensError
from vision.lens import DECENTRING, fit_lens
from vision.lens_wobble import AUTO_DEFAULT
from vision.sightings import PhotoSightings

WIDE = (1280, 720, 640.0, 641.0, 648.0, 352.0, (-0.2, 0.03, 2e-4, 3e-4, -0.001))
PHONE = (4032, 3024, 3180.0, 3180.0, 2020.0, 1500.0, (0.12, -0.3, 1e-4, -2e-4, 0.25))
TELE = (6000, 4000, 11000.0, 11000.0, 2990.0, 2010.0, (-0.05, 0.0, 0.0, 0.0))
ONLY_K1_K2 = (("k1", "k2"),)


def normalised_error(fit, camera=WEBCAM) -> float:
    """(error)ᵀ cov⁻¹ (error) per estimated parameter: 1 on average when the covariance is true."""
    rows = np.flatnonzero(np.diag(fit.cov) > 0)
    error = (fit.camera.parameters - true_parameters(camera))[rows]
    return float(error @ np.linalg.solve(fit.cov[np.ix_(rows, rows)], error)) / len(rows)


@pytest.mark.parametrize("camera", [WEBCAM, WIDE, PHONE, TELE], ids=["webcam", "wide", "phone", "tele"])
def test_known_camera_comes_back(camera):
    far = camera[2] / 2.0
    fit = fit_lens(photos(3, 14, camera, distance_mm=(0.5 * far, 1.2 * far)), BOARDS)
    error = np.abs(fit.camera.parameters[:4] - true_parameters(camera)[:4])
    assert np.all(error < 4.0 * fit.sigma()[:4]), (error, fit.sigma()[:4])
    assert error[0] / camera[2] < 0.005
    # 2-D distance of corners with 0.1 px noise on each axis; the fit takes up some of it
    assert 0.12 < fit.rms_px < 0.145
    assert fit.rms_px < fit.holdout_rms_px < 0.16


def test_without_noise_the_camera_is_exact():
    fit = fit_lens(photos(4, noise_px=0.0), BOARDS, candidates=(("k1", "k2", "p1", "p2"),))
    np.testing.assert_allclose(fit.camera.parameters, true_parameters(), rtol=1e-7, atol=1e-8)


def test_stated_covariance_is_true():
    # candidates fixed, decentring drawn as the fit assumes it: a mean over 12 x 8 parameters scatters by sqrt(2 / 96) = 0.14
    rng = np.random.default_rng(99)
    cameras = [(*WEBCAM[:6], (-0.2, 0.06, *rng.normal(0.0, DECENTRING, 2))) for _ in range(12)]
    fits = [fit_lens(photos(100 + run, 8, camera), BOARDS, candidates=ONLY_K1_K2) for run, camera in enumerate(cameras)]
    errors = [normalised_error(fit, camera) for fit, camera in zip(fits, cameras, strict=True)]
    assert 0.6 < np.mean(errors) < 1.4


@pytest.mark.slow
def test_stated_covariance_is_true_with_the_model_chosen_by_the_photos():
    fits = [fit_lens(photos(500 + run, 12), BOARDS) for run in range(80)]
    scaled = np.array([(f.camera.parameters - true_parameters())[:4] / f.sigma()[:4] for f in fits])
    # 80 runs: the root mean square scatters by 0.08; choosing the model costs a little
    assert np.all(np.abs(np.sqrt((scaled**2).mean(axis=0)) - 1.0) < 0.25)


def test_no_third_radial_term_where_there_is_none():
    camera = (*WEBCAM[:6], (-0.2, 0.06, 0.0, 0.0))
    chosen = [fit_lens(photos(200 + run, 12, camera), BOARDS).distortion for run in range(3)]
    assert not any("k3" in model for model in chosen)


def test_terms_that_matter_are_chosen():
    assert "k3" in fit_lens(photos(6, 14, PHONE, distance_mm=(500.0, 1500.0)), BOARDS).distortion
    assert fit_lens(photos(7, 12, (*WEBCAM[:6], (0.0,) * 4)), BOARDS).distortion == ()


def test_wobble_is_found_when_put_in_and_zero_when_not():
    shaky = fit_lens(photos(8, 30, wobble=(0.8, 6.0)), BOARDS, candidates=(("k1", "k2", "p1", "p2"),))
    steady = fit_lens(photos(8, 30), BOARDS, candidates=(("k1", "k2", "p1", "p2"),))
    # a σ from 30 (60) draws, each seen with noise: within a third
    assert shaky.wobble.focal_percent == pytest.approx(0.8, rel=0.4)
    assert shaky.wobble.centre_px == pytest.approx(6.0, rel=0.33)
    assert not steady.wobble.present
    assert np.all(np.abs(shaky.camera.parameters - true_parameters())[:4] < 4.0 * shaky.sigma()[:4])
    assert shaky.sigma()[0] > 1.5 * steady.sigma()[0]


def test_a_bent_board_is_said_to_depart_by_what_its_edge_does():
    """Read as `flatness_pm_mm`, at the pattern's edge, as everywhere else."""
    fit = fit_lens(photos(12, 12, bent_mm=0.8), BOARDS, candidates=(("k1", "k2", "p1", "p2"),))
    # 12 photos by 48 corners of 0.1 px, tilted by 20° on the mean: σ about 0.02 mm
    assert fit.bend_mm["lens-1"] == pytest.approx([0.8, 0.0, 0.0], abs=0.06)


def test_boards_that_give_way_are_not_taken_for_wobble():
    shots = photos(9, 16, warp_px=0.15)
    fit = fit_lens(shots, BOARDS, candidates=(("k1", "k2", "p1", "p2"),))
    assert not fit.wobble.present
    assert fit.warp_px > 0.05
    plain = fit_lens(photos(9, 16), BOARDS, candidates=(("k1", "k2", "p1", "p2"),))
    assert plain.warp_px == 0.0
    assert fit.sigma()[0] > 1.3 * plain.sigma()[0]


def test_a_print_with_uneven_feed_is_not_taken_for_wobble():
    shots = photos(9, 16, printed_off_mm=uneven_feed(1, 0.06))
    how = {"candidates": (("k1", "k2", "p1", "p2"),)}
    fit, blind = fit_lens(shots, BOARDS, **how), fit_lens(shots, BOARDS, print_errors=False, **how)
    # 126 places drawn, each seen in some 16 photos; what looks like a shift, turn or scale of the print cannot be seen
    assert fit.print_mm == pytest.approx(0.06, rel=0.2)
    assert not fit.wobble.present
    assert fit.warp_px < 0.05
    assert fit.rms_px < 0.15 < blind.rms_px
    assert normalised_error(fit) < 2.0
    assert fit_lens(photos(9, 16), BOARDS, **how).print_mm == 0.0


@pytest.mark.slow
def test_stated_covariance_is_true_on_uneven_prints():
    how = {"candidates": (("k1", "k2", "p1", "p2"),)}
    fits = [fit_lens(photos(700 + run, 12, printed_off_mm=uneven_feed(run, 0.06)), BOARDS, **how) for run in range(40)]
    scaled = np.array([(f.camera.parameters - true_parameters())[:4] / f.sigma()[:4] for f in fits])
    # 40 runs: the root mean square scatters by 0.11
    assert np.all(np.abs(np.sqrt((scaled**2).mean(axis=0)) - 1.0) < 0.35), np.sqrt((scaled**2).mean(axis=0))


def test_autofocus_is_assumed_to_wobble_at_least_by_the_default():
    shots = photos(10, 10)
    fit = fit_lens(shots, BOARDS, focus="auto")
    assert fit.wobble.focal_percent >= AUTO_DEFAULT.focal_percent
    assert fit.wobble.centre_px >= AUTO_DEFAULT.centre_px
    assert fit.sigma()[0] > fit_lens(shots, BOARDS).sigma()[0]


def test_wrong_corners_are_dropped_and_counted():
    shots = photos(11, 12)
    spoiled = [shifted(shots[0], [3, 7], [9.0, -6.0]), shifted(shots[1], [5], [0.0, 30.0]), *shots[2:]]
    fit = fit_lens(spoiled, BOARDS)
    assert {view.photo: view.dropped for view in fit.views if view.dropped} == {"photo-01.jpg": 2, "photo-02.jpg": 1}
    assert normalised_error(fit) < 3.0


def test_a_photo_that_contradicts_the_others_is_named():
    shots = photos(12, 12)
    seen = shots[4].found[0]
    rng = np.random.default_rng(5)
    spoiled = [*shots[:4], shifted(shots[4], np.arange(len(seen.px)), rng.normal(0.0, 20.0, seen.px.shape)), *shots[5:]]
    fit = fit_lens(spoiled, BOARDS)
    assert list(fit.refused) == ["photo-05.jpg"]
    assert "contradict" in fit.refused["photo-05.jpg"]
    assert len(fit.photos) == 11


def test_a_photo_of_random_corners_does_not_stop_the_others():
    shots = photos(12, 12)
    rng = np.random.default_rng(6)
    seen = shots[7].found[0]
    anywhere = rng.uniform([0, 0], [1920, 1080], seen.px.shape) - seen.px
    fit = fit_lens([*shots[:7], shifted(shots[7], np.arange(len(seen.px)), anywhere), *shots[8:]], BOARDS)
    assert list(fit.refused) == ["photo-08.jpg"]
    assert np.all(np.abs(fit.camera.parameters - true_parameters())[:4] < 4.0 * fit.sigma()[:4])


def test_order_of_photos_changes_nothing():
    shots = photos(13, 10)
    forth, back = (fit_lens(order, BOARDS, candidates=ONLY_K1_K2) for order in (shots, shots[::-1]))
    np.testing.assert_allclose(forth.camera.parameters, back.camera.parameters, rtol=1e-6, atol=1e-8)


def test_too_few_photos_are_refused_with_the_reason_of_each():
    shots = [*photos(14, 3), PhotoSightings("empty.jpg", 1920, 1080, ())]
    with pytest.raises(LensError, match=r"(?s)3 of 4 photos are usable, at least 4.*empty.jpg: no board found"):
        fit_lens(shots, BOARDS)


def test_square_on_boards_are_refused():
    with pytest.raises(LensError, match="square-on to the camera"):
        fit_lens(photos(15, 10, tilt_deg=(0.0, 0.3)), BOARDS)


def test_parallel_boards_are_refused():
    rng = np.random.default_rng(16)
    places = [(0.3, 0.3), (0.7, 0.3), (0.3, 0.7), (0.7, 0.7), (0.5, 0.5), (0.4, 0.6)]
    same = [
        photo(rng, f"{i}.jpg", tilt_deg=30.0, turn_deg=(20.0 * i, 70.0), place=place, distance_mm=500.0 + 60.0 * i)
        for i, place in enumerate(places)
    ]
    with pytest.raises(LensError, match="parallel to each other"):
        fit_lens(same, BOARDS)


def test_mixed_sizes_are_refused_by_name():
    shots = photos(17, 6)
    other = PhotoSightings("small.jpg", 1280, 720, shots[0].found)
    with pytest.raises(LensError, match=r"several sizes: small.jpg \(1280x720\)"):
        fit_lens([*shots, other], BOARDS)


def test_turned_photos_are_refused_by_name():
    shots = photos(18, 6)
    with pytest.raises(LensError, match=r"turned after they were taken: tall.jpg \(1080x1920\)"):
        fit_lens([*shots, PhotoSightings("tall.jpg", 1080, 1920, shots[0].found)], BOARDS)


def test_no_photos_at_all():
    with pytest.raises(LensError, match="no photos"):
        fit_lens([], BOARDS)


def test_corners_that_no_lens_explains_are_refused():
    rng = np.random.default_rng(19)
    shots = [shifted(s, np.arange(len(s.found[0].px)), rng.normal(0, 25.0, s.found[0].px.shape)) for s in photos(19, 8)]
    with pytest.raises(LensError, match="does not describe this lens|are usable"):
        fit_lens(shots, BOARDS)
