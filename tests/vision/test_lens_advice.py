"""Advice names what is missing, and nothing when all is well; the picture shows it."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from tests.support.lens_world import BOARDS, photo, photos
from vision.camera import Wobble
from vision.lens import fit_lens
from vision.lens_advice import advice, corner_counts
from vision.lens_picture import EMPTY, coverage_png

MODEL = (("k1", "k2", "p1", "p2"),)


@pytest.fixture(scope="module")
def good():
    """Many photos as advised, at the bay's distance."""
    return fit_lens(photos(61, 24, noise_px=0.03, distance_mm=(500.0, 1300.0)), BOARDS, candidates=MODEL)


@pytest.fixture(scope="module")
def one_sided():
    """Six near photos, never in the top left, tilted only about one axis, camera never turned."""
    rng = np.random.default_rng(62)
    places = [(0.7, 0.7), (0.75, 0.3), (0.3, 0.75), (0.8, 0.5), (0.5, 0.8), (0.7, 0.6)]
    tilts = [(35.0, 90.0), (30.0, -90.0), (25.0, 90.0), (35.0, -90.0), (20.0, 90.0), (30.0, -90.0)]
    shots = [
        photo(rng, f"{i}.jpg", tilt_deg=tilt, turn_deg=(4.0, azimuth), place=place, distance_mm=600.0)
        for i, (place, (tilt, azimuth)) in enumerate(zip(places, tilts, strict=True))
    ]
    return fit_lens(shots, BOARDS, candidates=MODEL)


def test_nothing_to_say_about_a_good_set(good):
    assert advice(good, BOARDS) == ()


def test_what_is_missing_is_named(one_sided):
    text = "\n".join(advice(one_sided, BOARDS))
    assert "only 6 photos" in text
    assert "no board in the top left" in text
    assert "hardly tilted up and down" in text
    assert "tilted to the left and right" not in text
    assert "turned by 90 degrees" in text
    assert "0.6 m away" in text


def test_square_on_boards_are_named(good):
    flat = replace(good, views=tuple(replace(v, cam_from_board=_untilted(v.cam_from_board)) for v in good.views))
    assert "all boards are square-on: tilt them" in "\n".join(advice(flat, BOARDS))


def _untilted(pose):
    roll = np.arctan2(pose.rotation[1, 0], pose.rotation[0, 0])
    return type(pose).from_rt(pose.target, pose.source, [0.0, 0.0, roll], pose.translation_mm)


def test_other_findings_are_said(good):
    def said(**changes):
        return "\n".join(advice(replace(good, **changes), BOARDS))

    moving = said(wobble=Wobble(0.4, 6.0), wobble_found=Wobble(0.4, 6.0))
    assert "focal length differs by 0.40 % and the picture's centre by 6.0 px" in moving
    assert "stabilisation and HDR off" in moving
    assert "autofocus: every photo is allowed 0.50 %" in said(focus="auto", wobble=Wobble(0.5, 5.0))
    assert "bent by about 1.2 mm" in said(bend_mm={"lens-1": np.array([1.2, 0.0, 0.0])})
    assert "shifted together by about 0.40 px" in said(warp_px=0.4)
    assert "printed 0.15 mm off their places" in said(print_mm=0.15)
    assert "photos left out are predicted to 0.30 px" in said(holdout_rms_px=0.3)
    assert "known to 1.00 % only" in said(cov=good.cov * (0.01 * good.camera.fx_px / good.sigma()[0]) ** 2)
    assert "x.jpg (blurred)" in said(refused={"x.jpg": "blurred"})
    folded = good.camera.with_parameters(good.camera.parameters + np.eye(12)[4] * -0.4)
    assert "holds only up to" in said(camera=folded)


def test_fields_are_counted_row_by_row(one_sided):
    counts = corner_counts(one_sided)
    assert counts.sum() == sum(len(view.px) for view in one_sided.views)
    assert counts[0, 0] == 0
    assert counts[2, 2] > 0


def test_picture_marks_the_bare_field(one_sided, good):
    bare = np.asarray(Image.open(io.BytesIO(coverage_png(one_sided, "Lens of a camera"))))
    full = np.asarray(Image.open(io.BytesIO(coverage_png(good, "Lens of a camera"))))
    assert np.all(bare == EMPTY, axis=2).sum() > 10_000
    assert not np.all(full == EMPTY, axis=2).any()
    assert bare.shape[1] == 1600
