"""Lens and sensor effects change the picture as told, and shift nothing."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from PIL import Image

from synthetic_images.imaging import CLEAN, Imaging, exif_of, expose, write_jpeg
from synthetic_images.true_camera import TrueCamera

CAMERA = TrueCamera(160, 120, 200.0, 200.0, 79.5, 59.5)


def flat(level: float) -> np.ndarray:
    return np.full((120, 160, 3), level, np.float32)


def spot() -> np.ndarray:
    y, x = np.mgrid[0:120, 0:160]
    blob = 0.8 * np.exp(-((x - 70.3) ** 2 + (y - 52.8) ** 2) / (2 * 5.0**2))
    return np.repeat(blob[..., None], 3, axis=2).astype(np.float32)


def centroid(picture: np.ndarray) -> tuple[float, float]:
    grey = picture.astype(float).mean(axis=2)
    y, x = np.mgrid[0:120, 0:160]
    return float((x * grey).sum() / grey.sum()), float((y * grey).sum() / grey.sum())


@pytest.mark.parametrize(
    "effect",
    [{"blur_px": 2.0}, {"motion_px": 6.0, "motion_rad": 0.7}, {"mosaic": True}, {"exposure": 0.7}],
    ids=["blur", "motion", "mosaic", "exposure"],
)
def test_an_effect_shifts_nothing(effect):
    taken = expose(spot(), CAMERA, replace(CLEAN, **effect), np.random.default_rng(0))
    assert centroid(taken) == pytest.approx((70.3, 52.8), abs=0.02)  # 8-bit rounding of the blob's far tail


def test_noise_has_the_stated_sigma():
    imaging = replace(CLEAN, read_noise=1.5, shot_noise=3.0)
    taken = expose(flat(0.5), CAMERA, imaging, np.random.default_rng(1)).astype(float)
    expected = math.sqrt(1.5**2 + 3.0**2 * 0.5 + 1 / 12)  # with the rounding to whole numbers
    assert taken.std() == pytest.approx(expected, rel=0.02)  # 57600 values: 0.3 %, 1 sigma
    assert taken.mean() == pytest.approx(127.5, abs=0.1)


def test_vignetting_darkens_the_corners_only():
    taken = expose(flat(0.8), CAMERA, replace(CLEAN, vignetting=0.3), np.random.default_rng(1)).astype(float)
    assert taken[60, 80].mean() == pytest.approx(204.0, abs=0.6)
    assert taken[0, 0].mean() == pytest.approx(204.0 * 0.7, abs=2.0)


def test_colours_survive_the_mosaic():
    scene = flat(0.0) + np.array([0.2, 0.4, 0.6], np.float32)  # blue, green, red
    taken = expose(scene, CAMERA, replace(CLEAN, mosaic=True), np.random.default_rng(1))
    np.testing.assert_allclose(taken[60, 80], [51, 102, 153], atol=1)


def test_blur_widens_by_its_sigma():
    one = expose(spot(), CAMERA, CLEAN, np.random.default_rng(0)).astype(float)[..., 0]
    two = expose(spot(), CAMERA, replace(CLEAN, blur_px=3.0), np.random.default_rng(0)).astype(float)[..., 0]
    widened = float(one.max() / two.max())
    assert widened == pytest.approx((5.0**2 + 3.0**2) / 5.0**2, rel=0.02)


def test_jpeg_carries_make_model_and_focal_length(tmp_path):
    camera = replace(CAMERA, model="Shop camera 7", focal_length_mm=4.25)
    picture = expose(spot(), camera, Imaging(), np.random.default_rng(1))
    path = tmp_path / "rest" / "01.jpg"
    write_jpeg(path, picture, exif_of(camera), quality=95)
    with Image.open(path) as opened:
        exif = opened.getexif()
        assert (exif[0x010F], exif[0x0110]) == ("Invented", "Shop camera 7")
        assert float(exif.get_ifd(0x8769)[0x920A]) == pytest.approx(4.25)
    read = cv2.imread(str(path))
    assert read.shape == picture.shape
    assert np.abs(read.astype(int) - picture.astype(int)).mean() < 2.0
