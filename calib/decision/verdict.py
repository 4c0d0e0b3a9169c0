"""The decision rule: what may be concluded from a measured error, its uncertainty and the sheet's limits.

The rule is the conformance probability of JCGM 106:2012, clause 7, for a normal distribution; 95 % is the default of
ISO 14253-1:2017. ILAC-G8:09/2019 names the stricter guard band w = U.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum

from scipy.special import ndtr, ndtri

from calib.geometry.placement import Placement
from calib.paper.sheet import Required, Sheet
from vision.errors import MeasurementError
from vision.frames import Estimate

COVERAGE = 2.0
"""Coverage factor of U."""
CONFORMANCE_PROBABILITY = 0.95
LEAST_HALF_WIDTH_PER_U = float(ndtri((1 + CONFORMANCE_PROBABILITY) / 2))
"""1.96: a tolerance's half-width below this many u cannot reach 95 % even at zero error (two-sided normal)."""


class Verdict(Enum):
    """What a figure or a whole check is; `NOT_JUDGED` is for figures without a tolerance only."""

    CONFORMS = "conforms"
    DOES_NOT_CONFORM = "does not conform"
    UNDECIDED = "undecided"
    NOT_JUDGED = "not judged"


class Rule(Enum):
    """`PROBABILITY`: 95 % either way. `GUARD_BAND`: the error must be inside, or outside, by U."""

    PROBABILITY = "conformance probability 95 %"
    GUARD_BAND = "guard band w = U"


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of a check, mm or rad as its name says.

    Attributes
    ----------
    name : str
    measured : float
        The quantity itself.
    u : float
        Standard uncertainty of the error (k = 1).
    required, error : float or None
        None when the sheet does not give this figure.
    lower, upper : float
        Limits of the error; −inf and inf where there are none.
    probability : float or None
        Conformance probability; None when not judged.
    verdict : Verdict
    can_be_decided : bool
        False when the tolerance is too narrow for this U to ever conform.
    """

    name: str
    measured: float
    u: float
    required: float | None
    error: float | None
    lower: float
    upper: float
    probability: float | None
    verdict: Verdict
    can_be_decided: bool

    @property
    def U(self) -> float:  # noqa: N802 - the trade's symbol
        """Expanded uncertainty, k = 2."""
        return COVERAGE * self.u


@dataclass(frozen=True, slots=True)
class Judgement:
    """Verdict of a check, with its figures in the sheet's order and the figures that could not be measured."""

    figures: tuple[Figure, ...]
    verdict: Verdict
    rule: Rule
    not_measured: Mapping[str, str] = field(default_factory=dict)

    def figure(self, name: str) -> Figure:
        return next(figure for figure in self.figures if figure.name == name)


def conformance_probability(error: float, u: float, lower: float = -math.inf, upper: float = math.inf) -> float:
    """Φ((upper − error)/u) − Φ((lower − error)/u): JCGM 106:2012, 7.3 and 7.4.

    Raises
    ------
    ValueError
        `u` is not positive, or the limits are not in order.
    """
    if not u > 0 or not math.isfinite(u):
        raise ValueError(f"standard uncertainty must be positive and finite, not {u}")
    if not lower < upper:
        raise ValueError(f"limits out of order: {lower} and {upper}")
    low, high = (lower - error) / u, (upper - error) / u
    if low > 0:  # in the upper tail 1 − Φ would cancel
        low, high = -high, -low
    return float(ndtr(high) - ndtr(low))


def can_be_decided(u: float, lower: float, upper: float, rule: Rule = Rule.PROBABILITY) -> bool:
    """Whether an error at the middle of the tolerance would conform; one-sided limits always can."""
    half_width = (upper - lower) / 2
    factor = LEAST_HALF_WIDTH_PER_U if rule is Rule.PROBABILITY else COVERAGE
    return half_width >= factor * u


def verdict_of(error: float, u: float, lower: float, upper: float, rule: Rule = Rule.PROBABILITY) -> Verdict:
    """Verdict of one figure, see `Rule`.

    `does not conform` needs 95 % beyond *one* limit: with a U many times the tolerance the true value is outside with more than
    95 % whatever the error is, half above and half below, which says something about U and nothing about the target.
    """
    if math.isinf(lower) and math.isinf(upper):
        return Verdict.NOT_JUDGED
    if rule is Rule.GUARD_BAND:
        band = COVERAGE * u
        if lower + band <= error <= upper - band:
            return Verdict.CONFORMS
        outside = error < lower - band or error > upper + band
        return Verdict.DOES_NOT_CONFORM if outside else Verdict.UNDECIDED
    probability = conformance_probability(error, u, lower, upper)
    if probability >= CONFORMANCE_PROBABILITY:
        return Verdict.CONFORMS
    if max(ndtr((error - upper) / u), ndtr((lower - error) / u)) >= CONFORMANCE_PROBABILITY:
        return Verdict.DOES_NOT_CONFORM
    return Verdict.UNDECIDED


def overall(verdicts: Iterable[Verdict]) -> Verdict:
    """`does not conform` if any judged figure does, else `undecided` if any is, else `conforms`.

    Raises
    ------
    MeasurementError
        No figure is judged: the sheet sets no tolerance at all.
    """
    judged = {verdict for verdict in verdicts if verdict is not Verdict.NOT_JUDGED}
    if not judged:
        raise MeasurementError(
            "the sheet sets no tolerance at all: nothing to judge",
            hint="give at least one value of the sheet its tolerance, from the same document",
        )
    for worst in (Verdict.DOES_NOT_CONFORM, Verdict.UNDECIDED):
        if worst in judged:
            return worst
    return Verdict.CONFORMS


def at_best_undecided(verdict: Verdict) -> Verdict:
    """The verdict of a check that lacks a proof it needs, such as a look at the car."""
    return Verdict.UNDECIDED if verdict is Verdict.CONFORMS else verdict


def boards_unsettled(agree: Sequence[bool]) -> bool:
    """Whether further boards on a target contradict the first one, and no more of all its boards agree with it than do not.

    Of two that differ nobody knows which is right; of three the odd one is.
    """
    odd = sum(not one for one in agree)
    return odd > 0 and 1 + len(agree) - odd <= odd


def need_tolerance(sheet: Sheet) -> None:
    """Refuse a sheet without any tolerance before anything is measured.

    Raises
    ------
    MeasurementError
    """
    overall(Verdict.UNDECIDED if required.judged else Verdict.NOT_JUDGED for required in sheet.required)


def judge(
    placement: Placement, sheet: Sheet, rule: Rule = Rule.PROBABILITY, not_measured: Mapping[str, str] | None = None
) -> Judgement:
    """Judge one measured placement.

    Parameters
    ----------
    placement : Placement
    sheet : Sheet
    rule : Rule
    not_measured : mapping of str to str, optional
        Figures that could not be measured, and why; a judged one among them leaves the check at best undecided.

    Raises
    ------
    MeasurementError
        The sheet sets no tolerance at all.
    """
    need_tolerance(sheet)
    missing = dict(not_measured or {})
    unknown = [name for name in sheet.names if name not in placement.error.names and name not in missing]
    if unknown:
        raise ValueError(f"neither measured nor said to be not measured: {', '.join(unknown)}")
    figures = tuple(_figure(name, placement, sheet, rule) for name in placement.measured.names)
    gaps = [Verdict.UNDECIDED for name in missing if name in sheet and sheet[name].judged]
    return Judgement(figures, overall([*(figure.verdict for figure in figures), *gaps]), rule, missing)


def _figure(name: str, placement: Placement, sheet: Sheet, rule: Rule) -> Figure:
    measured = _value(placement.measured, name)
    if name not in placement.error.names:
        u = placement.measured.sigma(name)
        return Figure(name, measured, u, None, None, -math.inf, math.inf, None, Verdict.NOT_JUDGED, True)
    required: Required = sheet[name]
    error, u = _value(placement.error, name), placement.error.sigma(name)
    lower, upper = required.lower, required.upper
    return Figure(
        name=name,
        measured=measured,
        u=u,
        required=required.value,
        error=error,
        lower=lower,
        upper=upper,
        probability=conformance_probability(error, u, lower, upper) if required.judged else None,
        verdict=verdict_of(error, u, lower, upper, rule),
        can_be_decided=can_be_decided(u, lower, upper, rule),
    )


def _value(estimate: Estimate, name: str) -> float:
    return float(estimate.value[estimate.index(name)])
