"""Whether a sheet's tolerances can be decided with the uncertainty a measurement is going to have."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.decision.chances import Chances, Interval, Risks, accepted, chances, joint_chances, risks
from calib.decision.verdict import COVERAGE, Rule
from calib.geometry.joint import Placed
from calib.geometry.placement import Placement
from calib.paper.sheet import Sheet
from vision.frames import Estimate

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
    """All figures of a placement, and the chances of its check."""

    figures: tuple[PlannedFigure, ...]
    whole: Chances


@dataclass(frozen=True, slots=True)
class Decided:
    """Targets that are checked together: each by itself, and the chances of the whole check, which conforms only if all do."""

    each: tuple[Decision, ...]
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


def decide_all(placed: Sequence[Placed], joint: Estimate, rule: Rule = Rule.PROBABILITY) -> Decided:
    """What the decision rule would say of targets that all stand perfectly and are measured together.

    Parameters
    ----------
    placed : sequence of Placed
    joint : Estimate
        Their errors together (`calib.geometry.joint.joint_errors`).

    Raises
    ------
    ValueError
        No figure of a placement has a limit.
    """
    each = tuple(decide(one.placement, one.sheet, rule) for one in placed)
    names = [(i, name) for i, one in enumerate(placed) for name in one.placement.error.names if one.sheet[name].judged]
    limits = [(placed[i].sheet[name].lower, placed[i].sheet[name].upper) for i, name in names]
    judged = joint.of([f"{i}:{name}" for i, name in names])
    return Decided(each, joint_chances(judged.cov, limits, rule))


def _largest(sources: list[str], variances: list[float]) -> tuple[str, ...]:
    total, out, share = sum(variances), [], 0.0
    for source, variance in zip(sources, variances, strict=True):
        out.append(source)
        share += variance / total if total > 0 else 1.0
        if share > LARGEST_SHARE:
            break
    return tuple(out)
