"""Chances of verdicts against the verdicts themselves, direct integrals and published guard bands."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from calib.decision.chances import Interval, accepted, chances, joint_chances, not_refused, risks
from calib.decision.verdict import Rule, Verdict, conformance_probability, verdict_of

CASES = [(1.0, -10.0, 10.0), (2.0, -5.0, 5.0), (0.4, -0.8, 1.5), (1.0, -math.inf, 3.0), (1.0, -2.0, math.inf), (3.0, -5.0, 5.0)]


@pytest.mark.parametrize("rule", list(Rule))
@pytest.mark.parametrize(("u", "lower", "upper"), CASES)
def test_intervals_are_where_the_verdict_changes(u, lower, upper, rule):
    good, bearable = accepted(u, lower, upper, rule), not_refused(u, lower, upper, rule)
    for error in np.linspace(-15.0, 15.0, 1201) + 1e-7:
        verdict = verdict_of(float(error), u, lower, upper, rule)
        assert (verdict is Verdict.CONFORMS) == (not good.is_empty and error in good), error
        assert (verdict is Verdict.DOES_NOT_CONFORM) == (error not in bearable), error


@pytest.mark.parametrize(("u", "lower", "upper"), CASES)
def test_chances_are_the_integral_of_the_verdicts(u, lower, upper):
    def density(error: float, wanted: Verdict) -> float:
        hit = verdict_of(error, u, lower, upper) is wanted
        return hit * math.exp(-((error / u) ** 2) / 2) / (u * math.sqrt(2 * math.pi))

    found = chances(u, lower, upper)
    for wanted, value in ((Verdict.CONFORMS, found.conforms), (Verdict.UNDECIDED, found.undecided)):
        grid = [accepted(u, lower, upper), not_refused(u, lower, upper)]
        breaks = [x for interval in grid for x in (interval.low, interval.high) if abs(x) < 8 * u]
        direct = quad(density, -8 * u, 8 * u, args=(wanted,), points=breaks or None, limit=400)[0]
        assert value == pytest.approx(direct, abs=1e-6)
    assert found.conforms + found.undecided + found.does_not_conform == pytest.approx(1.0, abs=1e-12)


def test_one_sided_guard_bands():
    """ISO 14253-1:2017 (95 % one-sided: 1.645 u) and ILAC-G8:09/2019 (w = U: below 2.5 %); false accept at the limit."""
    assert accepted(1.0, -math.inf, 10.0).high == pytest.approx(10.0 - 1.6449, abs=1e-4)
    for rule, false_accept in ((Rule.PROBABILITY, 0.05), (Rule.GUARD_BAND, 0.02275)):
        at_limit = accepted(1.0, -math.inf, 10.0, rule).high
        assert 1.0 - conformance_probability(at_limit, 1.0, -math.inf, 10.0) == pytest.approx(false_accept, abs=1e-4)


def test_risks_of_the_resistors():
    """JCGM 106:2012, resistors of 1500 ohm: 1 % and 7 % (printed, from memory); digits computed anew by others."""
    found = risks(0.12, 0.04, -0.2, 0.2, Interval(-0.18, 0.18))
    assert found.false_accept == pytest.approx(0.009878, abs=1e-5)
    assert found.false_reject == pytest.approx(0.069027, abs=1e-5)


def test_risks_of_a_published_chart():
    """Deaver's values for limits of two process sigmas and a test four times as good, as a test of `suncal` has them."""
    found = risks(1.0, 0.25, -2.0, 2.0, Interval(-2.0, 2.0))
    assert found.false_accept == pytest.approx(0.008, abs=5e-4)
    assert found.false_reject == pytest.approx(0.015, abs=5e-4)


def test_risks_by_drawing():
    found = risks(2.0, 1.0, -3.0, math.inf, accepted(1.0, -3.0, math.inf))
    rng = np.random.default_rng(3)
    true = rng.normal(0.0, 2.0, 400_000)
    taken = true + rng.normal(0.0, 1.0, true.size) >= accepted(1.0, -3.0, math.inf).low
    # 400 000 draws: σ of a share of 0.1 is 0.0005
    assert found.false_accept == pytest.approx(np.mean(taken & (true < -3.0)), abs=0.001)
    assert found.false_reject == pytest.approx(np.mean(~taken & (true >= -3.0)), abs=0.002)


def test_risks_need_scatter():
    with pytest.raises(ValueError, match="must be positive"):
        risks(0.0, 1.0, -1.0, 1.0, Interval(-1.0, 1.0))


def test_a_tolerance_below_two_u_can_never_be_decided():
    assert accepted(1.0, -1.9, 1.9).is_empty
    assert chances(1.0, -1.9, 1.9).conforms == 0.0
    assert not accepted(1.0, -2.0, 2.0).is_empty


def test_joint_chances_of_independent_errors_are_their_product():
    limits = [(-2.2, 2.2), (-math.inf, 2.0)]
    cov = np.diag([1.0, 1.0])
    single = [chances(1.0, *limit).conforms for limit in limits]
    # 20 000 draws: σ of a share near a half is 0.0035
    assert joint_chances(cov, limits).conforms == pytest.approx(single[0] * single[1], abs=0.015)


def test_wholly_correlated_errors_conform_together():
    cov = np.array([[1.0, 0.999999], [0.999999, 1.0]])
    both = joint_chances(cov, [(-2.5, 2.5), (-2.5, 2.5)]).conforms
    assert both == pytest.approx(chances(1.0, -2.5, 2.5).conforms, abs=0.015)


def test_limits_must_fit_the_errors():
    with pytest.raises(ValueError, match="2 errors, but 1 limits"):
        joint_chances(np.eye(2), [(-1.0, 1.0)])


def test_a_target_is_not_refused_because_u_is_large():
    """Half of a wide U lies above a narrow tolerance, half below it: nobody knows on which side the target stands."""
    assert conformance_probability(3.0, 100.0, -2.0, 2.0) < 0.05
    assert verdict_of(3.0, 100.0, -2.0, 2.0) is Verdict.UNDECIDED
    assert chances(100.0, -2.0, 2.0).does_not_conform < 0.11
