from __future__ import annotations

import numpy as np
import pytest

from tests.support.fake_camera import board_frame
from vision.sharpness import gray_of, sharpness


@pytest.mark.parametrize("blur_px", [0.8, 1.2, 2.0, 3.0])
def test_blur_is_measured_to_a_quarter(blur_px):
    measured = sharpness(gray_of(board_frame(blur_px)))
    assert measured.judged
    assert measured.across_px == pytest.approx(blur_px, rel=0.25)
    assert measured.upright_px == pytest.approx(blur_px, rel=0.25)


def test_shake_shows_in_its_own_direction():
    shaken = sharpness(gray_of(board_frame(0.8, shake_px=9)))
    assert shaken.across_px > 1.7 * shaken.upright_px
    turned = sharpness(np.ascontiguousarray(gray_of(board_frame(0.8, shake_px=9)).T))
    assert turned.upright_px > 1.7 * turned.across_px


def test_noise_and_darkness_are_not_taken_for_edges():
    noise = np.clip(np.random.default_rng(3).normal(60.0, 6.0, (480, 640)), 0, 255).astype(np.uint8)
    assert not sharpness(noise).judged
    assert not sharpness(np.zeros((480, 640), np.uint8)).judged
    assert not sharpness(gray_of(board_frame(gain=0.02))).judged
