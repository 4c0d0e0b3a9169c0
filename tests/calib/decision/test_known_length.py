"""A touched length against a known one, by E_n."""

from __future__ import annotations

import numpy as np
import pytest

from calib.decision.known_length import compare
from vision.frames import Estimate


def length(mm: float, sigma_mm: float) -> Estimate:
    return Estimate(("length_mm",), np.array([mm]), np.array([[sigma_mm**2]]))


def test_the_score_is_the_difference_over_both_uncertainties():
    found = compare(length(1002.5, 0.75), 1000.0, 2.0)  # U 1.5 and ±2: √(1.5² + 2²) = 2.5
    assert (found.difference_mm, found.u_mm, found.score) == pytest.approx((2.5, 1.5, 1.0))
    assert found.agrees
    assert not compare(length(1002.6, 0.75), 1000.0, 2.0).agrees
    assert not compare(length(997.4, 0.75), 1000.0, 2.0).agrees
