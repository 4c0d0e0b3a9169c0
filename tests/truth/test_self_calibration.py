"""A survey whose camera is not as in its lens photos: refined within the profile's covariance, calibrated anew, or refused."""

from __future__ import annotations

import numpy as np
import pytest

from cli.self_calibrating import lens_lines, lens_rows
from cli.stations import settled_survey
from tests.support import figures as fg
from tests.support.refocused import refocused, turned, with_focus
from tests.support.simulated import car, checked, scene, simulate, surveyed
from vision.errors import WrongLensError
from vision.lens_wobble import AUTO_DEFAULT
from vision.self_calibration import LensRefined, must_not_calibrate, refined

FOCAL = 1.01
SEEDS = (1, 2)


def in_units_of_u(sim, network) -> dict[str, float]:
    """Error over U (k = 2) of every figure of the car and of the check."""
    truth = fg.true_by_name(sim.truth)
    found = fg.of_car(car(sim, network)) | fg.of_check(checked(sim, network).outcome)
    return {name: (m.value - truth[name]) / (2.0 * m.u) for name, m in found.items() if name in truth}


def survey_views(sim):
    return [view for view in sim.survey_views if view.seen]


@pytest.fixture(scope="module")
def auto(tmp_path_factory):
    """Focus shifted by 1 % since the lens photos, middle jittering by 5 px from photo to photo; the profile says focus auto."""
    out = []
    for seed in SEEDS:
        folder = tmp_path_factory.mktemp("auto")
        of = refocused(scene(seed), seed, focal=FOCAL, jitter_px=5.0)
        sim = with_focus(simulate(folder, seed, of=of), of, folder, "auto", AUTO_DEFAULT)
        out.append((sim, surveyed(sim)))
    return out


def test_with_focus_auto_the_survey_finds_the_shifted_focus(auto):
    for sim, network in auto:
        (lens,) = refined(network)
        focal = FOCAL * sim.demo.camera.fx_px
        before, after = lens.sigma("fx_px")
        assert lens.survey[0] == pytest.approx(focal, abs=3.0 * after)
        assert after < 0.3 * before
        assert lens.compatible
        assert network.sigma0 < network.sigma0_band[1]


def test_with_focus_auto_the_figures_stay_inside_their_u(auto):
    ratios = np.array([list(in_units_of_u(sim, network).values()) for sim, network in auto])
    # k = 2: normal errors are beyond U in 5 of 100 cases and beyond 1.9 U in 1 of 7000; figures of one bay hang together
    assert (np.abs(ratios) < 1.0).mean() > 0.85
    assert np.abs(ratios).max() < 1.9


@pytest.mark.slow
def test_with_focus_locked_the_same_photos_do_not_fit_and_it_says_what_to_do(tmp_path):
    sim = simulate(tmp_path, 1, of=refocused(scene(1), 1, focal=FOCAL, jitter_px=5.0))
    with pytest.raises(WrongLensError, match=r"do not fit lens profile shop.*another camera, or zoom and focus") as told:
        settled_survey(sim.desk, survey_views(sim))
    assert "--focus auto" in told.value.hint
    assert "must not calibrate it: they contradict each other" in told.value.hint


def test_a_survey_without_turned_photos_must_not_calibrate_its_camera(tmp_path):
    sim = simulate(tmp_path, 1, of=refocused(scene(1), 1, focal=FOCAL, jitter_px=0.0))
    with pytest.raises(WrongLensError, match="do not fit lens profile shop") as told:
        settled_survey(sim.desk, survey_views(sim))
    assert "must not calibrate it: 0 of 36 are turned by a quarter, 4 are needed" in told.value.hint


@pytest.mark.slow
@pytest.mark.parametrize("seed", SEEDS)
def test_a_survey_with_turned_photos_calibrates_its_camera(tmp_path, seed):
    """The zoom was touched after the lens photos; every third photo was taken with the camera held upright."""
    sim = simulate(tmp_path, seed, of=refocused(turned(scene(seed), 3), seed, focal=FOCAL, jitter_px=0.0))
    done = settled_survey(sim.desk, survey_views(sim))
    (lens,) = refined(done.network)
    assert lens.by_its_photos
    assert lens.turned >= 10
    assert lens.survey[0] == pytest.approx(FOCAL * sim.demo.camera.fx_px, abs=3.0 * lens.sigma("fx_px")[1])
    assert any("was calibrated by these" in remark for remark in done.remarks)
    assert np.abs(list(in_units_of_u(sim, done.network).values())).max() < 1.9


def test_a_steady_lens_is_refined_within_its_profile(tmp_path):
    sim = simulate(tmp_path, 3)
    network = surveyed(sim)
    (lens,) = refined(network)
    assert lens.compatible
    assert not lens.by_its_photos
    assert np.all(np.diag(lens.survey_cov) < 1.1 * np.diag(lens.profile_cov))
    (line,) = lens_lines(lens_rows(network))
    assert line.startswith("lens shop (36 photos, 0 turned): focal length ")
    assert "; within its profile" in line


def test_the_chi_square_of_the_shift_has_its_degrees_of_freedom(auto):
    """Shifted by twice the wobble's σ; the square sum cannot be below the focal length's part."""
    for _, network in auto:
        (lens,) = refined(network)
        i = lens.names.index("fx_px")
        alone = (lens.survey[i] - lens.profile[i]) ** 2 / (lens.profile_cov[i, i] - lens.survey_cov[i, i])
        assert lens.chi_square > 0.9 * alone > 2.0
        assert lens.freedom == len(lens.names)


def a_lens(**changes) -> LensRefined:
    names = ("fx_px", "fy_px", "cx_px", "cy_px")
    cov = np.diag([0.8, 0.8, 0.9, 1.0]) ** 2
    values = {
        "lens": "shop",
        "photos": 36,
        "turned": 12,
        "names": names,
        "profile": np.array([1400.0, 1400.0, 960.0, 540.0]),
        "survey": np.array([1414.0, 1414.0, 961.0, 541.0]),
        "profile_cov": np.diag([42.0, 42.0, 42.0, 42.0]) ** 2,
        "survey_cov": cov,
        "chi_square": 4.0,
        "freedom": 4,
    }
    return LensRefined(**(values | changes))


def test_why_a_survey_must_not_calibrate():
    assert must_not_calibrate(a_lens()) == ""
    assert "they are 9, 12 are needed" in must_not_calibrate(a_lens(photos=9))
    assert "3 of 36 are turned" in must_not_calibrate(a_lens(turned=3))
    blurred = a_lens(survey_cov=np.diag([0.8, 0.8, 0.9, 3.0]) ** 2)
    assert "middle up and down uncertain by 3.0 px" in must_not_calibrate(blurred)
    assert "focal length uncertain by 2.0 px" in must_not_calibrate(a_lens(survey_cov=np.diag([2.0, 2.0, 0.9, 1.0]) ** 2))


def test_what_is_said_of_a_lens_outside_its_profile():
    lens = a_lens(profile_cov=np.diag([1.0, 1.0, 3.0, 3.0]) ** 2, chi_square=200.0, turned=0)
    rows = [
        {
            "name": lens.lens,
            "photos": lens.photos,
            "turned": lens.turned,
            "compatible": lens.compatible,
            "self_calibrated": lens.by_its_photos,
            "parameters": [
                {"name": n, "profile": 1.0, "survey": 2.0, "U_profile": 2 * lens.sigma(n)[0], "U_survey": 2 * lens.sigma(n)[1]}
                for n in lens.names
            ],
        }
    ]
    (line,) = lens_lines(rows)
    assert "NOT within its profile: calibrate the camera anew" in line
    assert "learned almost without turned photos" in line
