"""Whether a sheet's tolerances can be decided with the uncertainty a measurement is going to have."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from calib.decision.chances import Chances, Interval, Risks, accepted, chances, joint_chances, risks
from calib.decision.verdict import COVERAGE, Rule
from calib.geometry.placement import Placement
from calib.paper.sheet import Sheet

LARGEST_SHARE = 0.5
FILLED = 4.0
"""Width of a tolerance over the σ of targets that just fill it (k = 2)."""


@dataclass(frozen=True, slots=True)
class PlannedFigure:
    """One figure of a sheet, mm or rad as its name says.

    Attributes
    ----------
    name : str
    u : float
        Standard uncertainty its error will have.
    lower, upper : float
        Limits of the error.
    accepted : Interval
        Measured errors that will be called `conforms`.
    chances : Chances or None
        Of each verdict for a target that stands exactly right; None when the sheet sets no limit.
    risks : Risks or None
        Of accepting a target that is out of tolerance and of not accepting one within it, for targets that people place with a
        scatter that just fills the tolerance (σ a quarter of its width); None without two limits.
    limited_by : tuple of str
        The sources that make up more than half of the variance, the largest first.
    """

    name: str
    u: float
    lower: float
    upper: float
    accepted: Interval
    chances: Chances | None
    risks: Risks | None
    limited_by: tuple[str, ...]

    @property
    def U(self) -> float:  # noqa: N802 - the trade's symbol
        """Expanded uncertainty, k = 2."""
        return COVERAGE * self.u


@dataclass(frozen=True, slots=True)
class Decision:
    """All figures of a sheet, and the chances of the whole check."""

    figures: tuple[PlannedFigure, ...]
    whole: Chances


def decide(placement: Placement, sheet: Sheet, rule: Rule = Rule.PROBABILITY) -> Decision:
    """What the decision rule would say of a perfectly placed target measured with this covariance.

    Raises
    ------
    ValueError
        No figure of the placement has a limit.
    """
    error = placement.error
    figures = []
    for i, name in enumerate(error.names):
        required, u = sheet[name], error.sigma(name)
        width, acceptance = required.upper - required.lower, accepted(u, required.lower, required.upper, rule)
        sources = sorted(error.parts, key=lambda source: -float(error.parts[source][i, i]))
        figures.append(
            PlannedFigure(
                name,
                u,
                required.lower,
                required.upper,
                acceptance,
                chances(u, required.lower, required.upper, rule) if required.judged else None,
                risks(width / FILLED, u, required.lower, required.upper, acceptance) if math.isfinite(width) else None,
                _largest(sources, [float(error.parts[source][i, i]) for source in sources]),
            )
        )
    judged = [i for i, name in enumerate(error.names) if sheet[name].judged]
    if not judged:
        raise ValueError("no figure has a limit")
    limits = [(sheet[error.names[i]].lower, sheet[error.names[i]].upper) for i in judged]
    return Decision(tuple(figures), joint_chances(error.cov[np.ix_(judged, judged)], limits, rule))


def _largest(sources: list[str], variances: list[float]) -> tuple[str, ...]:
    total, out, share = sum(variances), [], 0.0
    for source, variance in zip(sources, variances, strict=True):
        out.append(source)
        share += variance / total if total > 0 else 1.0
        if share > LARGEST_SHARE:
            break
    return tuple(out)
