"""The budget of one figure: shares add up, worked example of the GUM; draws against the exact law."""

from __future__ import annotations

import math

import numpy as np
import pytest

from calib.decision.budget import budget, find_figure
from calib.decision.monte_carlo import compare, draw
from vision.errors import MeasurementError
from vision.frames import Estimate, Pose
from vision.poses import PoseSet


def end_gauge() -> Estimate:
    """JCGM 100:2008, annex H.1 (end gauge): standard uncertainties in nm of table H.1, as sources of one length in mm."""
    nm = {"standard": 25.0, "difference": 9.7, "expansion": 2.9, "temperature": 16.6}
    cov = {source: np.array([[(value * 1e-6) ** 2]]) for source, value in nm.items()}
    return Estimate(("length_mm",), np.array([50.000838]), sum(cov.values(), np.zeros((1, 1))), cov)


def test_the_end_gauge_of_the_gum():
    found = budget(end_gauge(), "length_mm", list(end_gauge().parts))
    assert found.u / 2 * 1e6 == pytest.approx(32.0, abs=0.5)  # 32 nm there (H.1.4)
    assert [share.source for share in found.shares] == ["standard", "temperature", "difference", "expansion"]
    assert sum(share.part for share in found.shares) == pytest.approx(1.0)
    assert math.sqrt(sum(share.u**2 for share in found.shares)) == pytest.approx(found.u)
    assert (found.figure, found.unit, found.value) == ("length_mm", "mm", 50.000838)


def test_angles_are_given_in_degrees():
    one = Estimate.from_source("corners", ("yaw_rad",), [0.02], [[1e-6]])
    found = budget(one, "yaw_rad", ["corners"])
    assert (found.figure, found.unit) == ("yaw_deg", "deg")
    assert found.u == pytest.approx(math.degrees(2e-3))
    assert found.shares[0].remedy.startswith("more photos")


def test_a_figure_that_there_is_not_names_those_there_are():
    one = Estimate.from_source("corners", ("thrust_angle_rad", "track_rear_mm"), [0, 1], np.eye(2))
    words = {"thrust_angle_deg": "to the centreline", "track_rear_mm": "rear axle"}
    for typed in ("thrust_angle_deg", "thrust_angle"):
        assert find_figure(typed, [one], words) == (one, "thrust_angle_rad")
    with pytest.raises(MeasurementError, match="there is no measured figure 'thrust_deg'") as refused:
        find_figure("thrust_deg", [one], words)
    assert refused.value.hint == "one of these:\n  thrust_angle_deg  to the centreline"
    with pytest.raises(MeasurementError, match="'xyz'") as refused:
        find_figure("xyz", [one], words)
    assert refused.value.hint.count("\n") == 2


def length_of(poses) -> float:
    return float(np.linalg.norm(poses["a"].translation_mm))


def poses_at(distance_mm: float, sigma_mm: float) -> PoseSet:
    cov = np.zeros((6, 6))
    cov[3:, 3:] = np.eye(3) * sigma_mm**2
    return PoseSet((Pose.from_rt("survey", "a", np.eye(3), [distance_mm, 0, 0]),), cov, {"corners": cov})


def test_draws_of_an_almost_linear_function_agree():
    values = draw(poses_at(1000.0, 0.5), length_of, 20_000, 1)
    drawn = compare(values, 1000.0, 1.0)
    assert drawn.agrees
    assert drawn.u == pytest.approx(1.0, rel=0.03)
    assert drawn.tolerance == pytest.approx(0.05)  # u = 0.5: half a unit of its first digit


@pytest.mark.slow
def test_draws_of_a_curved_function_do_not_agree():
    # The length of a vector shorter than its scatter: Maxwell's law, not a normal one around the length.
    values = draw(poses_at(0.5, 0.5), length_of, 20_000, 2)
    drawn = compare(values, 0.5, 1.0)
    assert not drawn.agrees
    assert drawn.low > 0.0
