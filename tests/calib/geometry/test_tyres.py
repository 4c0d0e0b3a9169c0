"""Tyre sizes and rolling diameters; nominal diameters as published."""

from __future__ import annotations

import math

import numpy as np
import pytest

from calib.geometry.tyres import toe_mm, tyre_figures, tyre_size
from vision.frames import Estimate

# Overall diameter = 25.4 R + 2 W A / 100 (the ISO 4000-1 form); the first three as published in dealers' tables, the others
# computed from it.
NOMINAL_MM = {
    "205/55R16": 631.9,
    "215/65R17": 711.3,
    "225/60R17": 701.8,
    "225/45R17": 634.3,
    "245/35R17": 603.3,
    "195/65R15": 634.5,
    "255/35R19": 661.1,
    "235/60R18": 739.2,
}


@pytest.mark.parametrize("size", NOMINAL_MM)
def test_published_diameters(size):
    assert tyre_size(size).diameter_mm == pytest.approx(NOMINAL_MM[size], abs=1e-9)


@pytest.mark.parametrize("text", ["205/55 R 16 91V", "P205/55ZR16", " 205/55R16 "])
def test_a_size_as_moulded_on_the_sidewall(text):
    assert tyre_size(text).diameter_mm == pytest.approx(631.9)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("205-55-16", "is no tyre size"),
        ("", "is no tyre size"),
        ("205/55R36", "rim diameter in inch is 36"),
        ("505/55R16", "section width in mm is 505"),
        ("205/05R16", "aspect ratio in % is 5"),
    ],
)
def test_nonsense_is_refused(text, words):
    with pytest.raises(ValueError, match=words):
        tyre_size(text)


def test_toe_as_a_length_is_the_published_one():
    # Worked example on a garage's alignment page: 0.15° at 24 inch is 0.062832 inch. The metric ones are computed.
    assert toe_mm(math.radians(0.15), 24.0) == pytest.approx(0.0628318, abs=1e-6)
    assert toe_mm(math.radians(0.2), 406.4) == pytest.approx(1.418601, abs=1e-5)
    assert toe_mm(math.radians(0.2), 631.9) == pytest.approx(2.205743, abs=1e-5)


def rolling(radii: dict[str, float], cov: np.ndarray) -> Estimate:
    return Estimate.from_source("corners", [f"radius:{w}_mm" for w in radii], list(radii.values()), cov)


def test_differences_keep_the_correlation_of_the_radii():
    radii = {"rear_left": 310.0, "rear_right": 309.5, "front_left": 311.0, "front_right": 311.2}
    common = np.full((4, 4), 0.04)  # a scale error moves all radii alike
    found = tyre_figures(rolling(radii, common + np.eye(4) * 0.0001), {w: tyre_size("205/55R16") for w in radii})
    value = dict(zip(found.names, found.value, strict=True))
    assert value["rolling_diameter_front_left_mm"] == pytest.approx(622.0)
    assert value["rolling_diameter_difference_front_mm"] == pytest.approx(-0.4)
    assert value["rolling_diameter_difference_rear_mm"] == pytest.approx(1.0)
    assert value["rolling_diameter_front_minus_rear_mm"] == pytest.approx(622.2 - 619.5)
    assert value["rolling_share_front_left_percent"] == pytest.approx(100 * 622.0 / 631.9)
    assert found.sigma("rolling_diameter_front_left_mm") == pytest.approx(2 * math.sqrt(0.0401))
    assert found.sigma("rolling_diameter_difference_front_mm") == pytest.approx(2 * math.sqrt(0.0002))


def test_an_axle_that_did_not_roll_has_no_figures():
    found = tyre_figures(rolling({"rear_left": 310.0, "rear_right": 309.5}, np.eye(2)))
    assert set(found.names) == {
        "rolling_diameter_rear_left_mm",
        "rolling_diameter_rear_right_mm",
        "rolling_diameter_difference_rear_mm",
    }
