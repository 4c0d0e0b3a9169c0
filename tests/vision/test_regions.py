"""Where saddle points crowd: boards lie in a box, plain picture does not, and strips change nothing."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

import vision.regions
from vision.regions import busy_boxes, saddle_peaks


def checkers(height: int = 420, width: int = 610) -> np.ndarray:
    """Grey, with two chequered patches of 10 px squares and some noise."""
    picture = np.full((height, width), 120.0)
    for top, left in ((60, 80), (250, 400)):
        y, x = np.indices((100, 140))
        picture[top : top + 100, left : left + 140] = np.where((y // 10 + x // 10) % 2, 200.0, 40.0)
    noise = np.random.default_rng(3).normal(0.0, 1.0, picture.shape)
    return np.clip(cv2.GaussianBlur(picture, (0, 0), 0.7) + noise, 0, 255).astype(np.uint8)


def test_boxes_hold_the_patches_and_little_else() -> None:
    boxes = sorted(busy_boxes(checkers()))
    assert len(boxes) == 2
    for (x0, y0, x1, y1), (left, top) in zip(boxes, ((80, 60), (400, 250)), strict=True):
        assert x0 <= left
        assert y0 <= top
        assert x1 >= left + 140
        assert y1 >= top + 100
        # half a window and the margin on every side, to the next cell
        assert (x1 - x0) * (y1 - y0) <= (140 + 2 * 56) * (100 + 2 * 56)


def test_a_plain_picture_has_no_box() -> None:
    assert busy_boxes(np.full((300, 400), 90, dtype=np.uint8)) == []


def test_a_picture_full_of_checkers_is_one_box() -> None:
    y, x = np.indices((300, 403))
    assert busy_boxes(np.where((y // 10 + x // 10) % 2, 200, 40).astype(np.uint8)) == [(0, 0, 403, 300)]


@pytest.mark.parametrize("strip_px", [8, 64, 1024])
def test_strips_see_what_the_whole_photo_shows(monkeypatch: pytest.MonkeyPatch, strip_px: int) -> None:
    gray = checkers()[:413, :603]
    monkeypatch.setattr(vision.regions, "STRIP_PX", strip_px)
    cells = vision.regions._peaks_in_cells(gray)
    whole = np.pad(saddle_peaks(gray), ((0, 3), (0, 5)))
    np.testing.assert_array_equal(cells, whole.reshape(52, 8, 76, 8).sum(axis=(1, 3)))
    assert cells.sum() > 200
