"""Before the first photo: whether a tolerance can be decided with a given uncertainty, and how probably.

The acceptance interval (JCGM 106:2012, 3.3.9 and clause 8) is the set of measured errors that the decision rule calls
`conforms`. For a target that stands exactly where the sheet wants it the measured error scatters about zero with u, so that the
chance of each verdict is the normal probability of its interval.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

from calib.decision.verdict import CONFORMANCE_PROBABILITY, COVERAGE, Rule, conformance_probability
from vision.frames import Array

FAR = 12.0
"""Standard uncertainties beyond a limit at which a probability is 0 or 1 to the last digit."""
DRAWS, SEED = 20_000, 1


@dataclass(frozen=True, slots=True)
class Interval:
    """Measured errors between `low` and `high`; empty when they are not in order."""

    low: float
    high: float

    @property
    def is_empty(self) -> bool:
        return not self.low < self.high

    def __contains__(self, error: float) -> bool:
        return self.low <= error <= self.high


NOTHING = Interval(math.inf, -math.inf)


@dataclass(frozen=True, slots=True)
class Chances:
    """Probabilities of the three verdicts; they add up to one."""

    conforms: float
    undecided: float
    does_not_conform: float


@dataclass(frozen=True, slots=True)
class Risks:
    """Joint probabilities: accepted but out of tolerance; within tolerance but not accepted."""

    false_accept: float
    false_reject: float


def accepted(u: float, lower: float, upper: float, rule: Rule = Rule.PROBABILITY) -> Interval:
    """Measured errors that the rule calls `conforms`; empty when U is too large for the tolerance.

    Parameters
    ----------
    u : float
        Standard uncertainty, in the unit of the limits.
    lower, upper : float
        Limits of the error; −inf and inf where there are none.

    Raises
    ------
    ValueError
        `u` is not positive, or the limits are not in order.
    """
    if rule is Rule.GUARD_BAND:
        conformance_probability(0.0, u, lower, upper)
        return Interval(lower + COVERAGE * u, upper - COVERAGE * u)

    def above(error: float) -> float:
        return conformance_probability(error, u, lower, upper) - CONFORMANCE_PROBABILITY

    best = _best(lower, upper, u)
    if above(best) < 0:
        return NOTHING
    low = -math.inf if math.isinf(lower) else brentq(above, lower - FAR * u, best)
    high = math.inf if math.isinf(upper) else brentq(above, best, upper + FAR * u)
    return Interval(low, high)


def not_refused(u: float, lower: float, upper: float, rule: Rule = Rule.PROBABILITY) -> Interval:
    """Measured errors that the rule does not call `does not conform`: the limits themselves and what is near them."""
    if rule is Rule.GUARD_BAND:
        conformance_probability(0.0, u, lower, upper)
        return Interval(lower - COVERAGE * u, upper + COVERAGE * u)

    conformance_probability(0.0, u, lower, upper)
    one_sided = float(ndtri(CONFORMANCE_PROBABILITY)) * u
    return Interval(lower - one_sided, upper + one_sided)


def chances(u: float, lower: float, upper: float, rule: Rule = Rule.PROBABILITY) -> Chances:
    """Verdicts of one figure of a target that stands exactly where the sheet wants it."""
    good, bearable = accepted(u, lower, upper, rule), not_refused(u, lower, upper, rule)
    conforms = 0.0 if good.is_empty else float(ndtr(good.high / u) - ndtr(good.low / u))
    inside = float(ndtr(bearable.high / u) - ndtr(bearable.low / u))
    return Chances(conforms, inside - conforms, 1.0 - inside)


def joint_chances(cov: Array, limits: Sequence[tuple[float, float]], rule: Rule = Rule.PROBABILITY) -> Chances:
    """Verdicts of a whole check of a perfectly placed target: errors drawn with their joint covariance (JCGM 101).

    Parameters
    ----------
    cov : ndarray, shape (n, n)
        Of the errors of the judged figures.
    limits : sequence of (lower, upper)

    Raises
    ------
    ValueError
        No limit is given, or one is out of order.
    """
    if len(limits) != len(cov):
        raise ValueError(f"{len(cov)} errors, but {len(limits)} limits")
    u = np.sqrt(np.diag(cov))
    errors = np.random.default_rng(SEED).multivariate_normal(np.zeros(len(cov)), cov, DRAWS, method="eigh")
    good, bearable = np.ones(DRAWS, dtype=bool), np.ones(DRAWS, dtype=bool)
    for i, (lower, upper) in enumerate(limits):
        sides = (accepted(float(u[i]), lower, upper, rule), good), (not_refused(float(u[i]), lower, upper, rule), bearable)
        for interval, kept in sides:
            kept &= (errors[:, i] >= interval.low) & (errors[:, i] <= interval.high)
    return Chances(float(good.mean()), float((bearable & ~good).mean()), float((~bearable).mean()))


def risks(spread: float, u: float, lower: float, upper: float, acceptance: Interval) -> Risks:
    """Global risks of accepting what is out of tolerance, and of not accepting what is within it (JCGM 106:2012, 9.5).

    Parameters
    ----------
    spread : float
        How targets scatter about the sheet's value when people place them: standard deviation of the true errors.
    u : float
        Standard uncertainty of the measured error.
    lower, upper : float
        Limits of the true error.
    acceptance : Interval
        Measured errors that are accepted.

    Raises
    ------
    ValueError
        A standard deviation is not positive.
    """
    if not (spread > 0 and u > 0):
        raise ValueError(f"standard deviations must be positive, not {spread} and {u}")

    def accepted_and(true: float) -> float:
        return 0.0 if acceptance.is_empty else float(ndtr((acceptance.high - true) / u) - ndtr((acceptance.low - true) / u))

    def density(true: float) -> float:
        return math.exp(-((true / spread) ** 2) / 2) / (spread * math.sqrt(2 * math.pi))

    far = FAR * spread
    below, above = max(lower, -far), min(upper, far)
    false_accept = sum(
        quad(lambda t: density(t) * accepted_and(t), a, b, limit=200, epsabs=1e-12)[0]
        for a, b in ((-far, below), (above, far))
        if a < b
    )
    false_reject = quad(lambda t: density(t) * (1.0 - accepted_and(t)), below, above, limit=200, epsabs=1e-12)[0]
    return Risks(float(false_accept), float(false_reject))


def _best(lower: float, upper: float, u: float) -> float:
    """The measured error with the highest conformance probability."""
    if math.isinf(lower) and math.isinf(upper):
        return 0.0
    if math.isinf(lower):
        return upper - FAR * u
    if math.isinf(upper):
        return lower + FAR * u
    return (lower + upper) / 2
