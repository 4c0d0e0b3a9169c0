"""The car against the limits of its service information, by the same decision rule as a placement."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from calib.decision.verdict import COVERAGE, Rule, Verdict, conformance_probability, verdict_of
from calib.paper.vehicle import Limit, Overruled, Vehicle
from vision.frames import Estimate


@dataclass(frozen=True, slots=True)
class LimitRow:
    """One limited figure, mm or rad as its limit says.

    Attributes
    ----------
    measured, U : float or None
        None when it was not measured; `reason` then says why.
    verdict : Verdict
        `undecided` when it was not measured: nothing was shown.
    overruled : Overruled or None
    """

    limit: Limit
    measured: float | None
    U: float | None  # noqa: N815 - the trade's symbol
    probability: float | None
    verdict: Verdict
    reason: str
    overruled: Overruled | None

    @property
    def name(self) -> str:
        return self.limit.name

    @property
    def blocks(self) -> bool:
        """Whether a placement on this car cannot be said to conform: the limit is not shown to be kept."""
        return self.verdict is not Verdict.CONFORMS and self.overruled is None


def judge_limits(
    vehicle: Vehicle, estimates: Sequence[Estimate], missing: Mapping[str, str], rule: Rule = Rule.PROBABILITY
) -> tuple[LimitRow, ...]:
    """Every limit of a vehicle file against what was measured.

    Parameters
    ----------
    estimates : sequence of Estimate
        Figures by names with unit ("thrust_angle_rad", "diagonal_difference_mm").
    missing : mapping of figure name without unit to str
        Why a figure was not measured.
    """
    known = {name.rsplit("_", 1)[0]: (estimate, name) for estimate in estimates for name in estimate.names}
    rows = []
    for limit in vehicle.limits.values():
        overruled = vehicle.overruled.get(limit.name)
        if limit.name not in known:
            reason = missing.get(limit.name, "not measured")
            rows.append(LimitRow(limit, None, None, None, Verdict.UNDECIDED, reason, overruled))
            continue
        estimate, name = known[limit.name]
        value, u = float(estimate.value[estimate.index(name)]), estimate.sigma(name)
        probability = conformance_probability(value, u, limit.least, limit.most)
        verdict = verdict_of(value, u, limit.least, limit.most, rule)
        rows.append(LimitRow(limit, value, COVERAGE * u, probability, verdict, "", overruled))
    return tuple(rows)
