"""How sure a sighting calls its corners: their own scatter counts as noise, where they were printed does not."""

from __future__ import annotations

import numpy as np
import pytest

from vision.judging import HELD_FREEDOM, _variance_factor

COV = np.array([[4e-4, 1e-4], [1e-4, 2e-4]])


def gaps(rng: np.random.Generator, n: int, factor: float, printed: np.ndarray) -> np.ndarray:
    root = np.linalg.cholesky(factor * COV + printed)
    return np.asarray(rng.normal(0, 1, (n, 2)) @ root.T)


@pytest.mark.parametrize("factor", [1.0, 6.0])
@pytest.mark.parametrize("printed_px", [0.0, 0.02, 0.2])
def test_print_errors_are_no_noise(factor: float, printed_px: float) -> None:
    rng, n = np.random.default_rng(1), 24
    printed = np.eye(2) * printed_px**2
    covs, prints = np.tile(COV, (n, 1, 1)), np.tile(printed, (n, 1, 1))
    drawn = [_variance_factor(gaps(rng, n, factor, printed), covs, prints, 0) for _ in range(200)]
    typical = float(np.median(drawn))
    if printed_px < 0.1:
        # Held towards 1 with the weight of eight numbers in 48, more where print errors leave less to be seen.
        assert 1.0 + 0.55 * (factor - 1.0) < typical * 1.1
        assert typical < factor * 1.1
    else:
        # Print errors ten times as large hide what the noise is: what is stated is believed.
        assert typical == pytest.approx(1.0, abs=0.25)


def test_without_print_errors_it_is_the_scatter_held_towards_one() -> None:
    n, used = 20, 8
    gap = gaps(np.random.default_rng(2), n, 3.0, np.zeros((2, 2)))
    chi2 = float(np.einsum("ni,ij,nj->", gap, np.linalg.inv(COV), gap))
    factor = _variance_factor(gap, np.tile(COV, (n, 1, 1)), np.zeros((n, 2, 2)), used)
    assert factor == pytest.approx((chi2 + HELD_FREEDOM) / (2 * n - used + HELD_FREEDOM))
    nearly = _variance_factor(gap, np.tile(COV, (n, 1, 1)), np.tile(np.eye(2) * 1e-12, (n, 1, 1)), used)
    assert nearly == pytest.approx(factor, rel=1e-3)
