"""The decision rule against published numbers, at its edges, and over a whole check."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from calib.decision.verdict import (
    Rule,
    Verdict,
    at_best_undecided,
    boards_unsettled,
    can_be_decided,
    conformance_probability,
    judge,
    need_tolerance,
    overall,
    verdict_of,
)
from calib.geometry.placement import from_euler, placement
from calib.paper.figures import figure_documents, remarks
from tests.support.car import as_set, car
from tests.support.sheets import sheet
from vision.errors import MeasurementError
from vision.frames import Pose

INF = math.inf


@pytest.mark.parametrize(
    ("error", "u", "lower", "upper", "probability"),
    [
        # JCGM 106:2012, clause 7, one-sided examples; arithmetic recomputed to five digits.
        (-5.47, 0.05, -INF, -5.4, 0.91924),
        (509.7, 8.6, 490.0, INF, 0.98901),
    ],
)
def test_published_conformance_probabilities(error, u, lower, upper, probability):
    assert conformance_probability(error, u, lower, upper) == pytest.approx(probability, abs=1e-5)


def test_resistor_of_jcgm_106_process_and_risks():
    """JCGM 106:2012 resistor example: process 1500 Ω, u0 0.12 Ω, limits ±0.2 Ω, meter u 0.04 Ω, acceptance ±0.18 Ω.

    Consumer's and producer's risk follow from the conformance probability of each possible reading (normal prior).
    """
    y0, u0, um = 1500.0, 0.12, 0.04
    assert conformance_probability(y0, u0, 1499.8, 1500.2) == pytest.approx(0.90442, abs=1e-5)
    spread = math.hypot(u0, um)
    posterior_u = u0 * um / spread

    def conforming(reading: float) -> float:
        best = (um**2 * y0 + u0**2 * reading) / spread**2
        return conformance_probability(best, posterior_u, 1499.8, 1500.2)

    def density(reading: float) -> float:
        return float(norm.pdf(reading, y0, spread))

    def risks(low: float, high: float) -> tuple[float, float]:
        consumer, _ = quad(lambda y: (1 - conforming(y)) * density(y), low, high, epsabs=1e-9)
        below, _ = quad(lambda y: conforming(y) * density(y), y0 - 8 * spread, low, epsabs=1e-9)
        above, _ = quad(lambda y: conforming(y) * density(y), high, y0 + 8 * spread, epsabs=1e-9)
        return consumer, below + above

    assert risks(1499.82, 1500.18) == pytest.approx((0.009878, 0.069027), abs=1e-5)
    assert risks(1499.8, 1500.2) == pytest.approx((0.018942, 0.037208), abs=1e-5)


@pytest.mark.parametrize(("guard", "false_accept"), [(0.0, 0.5), (1.645, 0.05), (1.96, 0.025), (2.0, 0.02275)])
def test_guard_bands_of_ilac_g8(guard, false_accept):
    """ILAC-G8:09/2019: probability of false acceptance at the acceptance limit of a one-sided tolerance."""
    assert 1 - conformance_probability(10.0 - guard, 1.0, -INF, 10.0) == pytest.approx(false_accept, abs=1e-4)


def test_far_tails_do_not_cancel():
    assert conformance_probability(-60.0, 1.0, -50.0, -40.0) == pytest.approx(norm.sf(10.0), rel=1e-9, abs=0)
    assert conformance_probability(60.0, 1.0, 40.0, 50.0) == pytest.approx(norm.sf(10.0), rel=1e-9, abs=0)


@pytest.mark.parametrize(("u", "lower", "upper", "words"), [(0.0, -1, 1, "must be positive"), (1.0, 1, -1, "out of order")])
def test_wrong_calls(u, lower, upper, words):
    with pytest.raises(ValueError, match=words):
        conformance_probability(0.0, u, lower, upper)


EDGE = 5.0 - 1.6448536  # one-sided 95 % with u = 1; the other limit is 8 u away


@pytest.mark.parametrize(
    ("error", "u", "verdict"),
    [
        (0.0, 1.0, Verdict.CONFORMS),
        (EDGE - 1e-6, 1.0, Verdict.CONFORMS),
        (EDGE + 1e-6, 1.0, Verdict.UNDECIDED),
        (-EDGE + 1e-6, 1.0, Verdict.CONFORMS),
        (5.0, 1.0, Verdict.UNDECIDED),
        (5.0 + 1.6448536 - 1e-6, 1.0, Verdict.UNDECIDED),
        (5.0 + 1.6448536 + 1e-6, 1.0, Verdict.DOES_NOT_CONFORM),
        (-5.0 - 1.6448536 - 1e-6, 1.0, Verdict.DOES_NOT_CONFORM),
        (0.0, 5.0 / 1.96, Verdict.CONFORMS),
        (0.0, 5.0 / 1.9599, Verdict.UNDECIDED),
        (0.0, 100.0, Verdict.UNDECIDED),  # only 4 % inside, but that is U's fault and not the target's
        (250.0, 100.0, Verdict.DOES_NOT_CONFORM),
    ],
)
def test_edges_of_the_95_percent_rule(error, u, verdict):
    assert verdict_of(error, u, -5.0, 5.0) is verdict


@pytest.mark.parametrize(
    ("error", "verdict"),
    [
        (3.0, Verdict.CONFORMS),
        (3.01, Verdict.UNDECIDED),
        (7.0, Verdict.UNDECIDED),
        (7.01, Verdict.DOES_NOT_CONFORM),
        (-7.01, Verdict.DOES_NOT_CONFORM),
    ],
)
def test_edges_of_the_guard_band(error, verdict):
    assert verdict_of(error, 1.0, -5.0, 5.0, Rule.GUARD_BAND) is verdict


def test_the_guard_band_is_never_kinder():
    for error in np.linspace(-9.0, 9.0, 91):
        strict, plain = verdict_of(error, 0.7, -5.0, 5.0, Rule.GUARD_BAND), verdict_of(error, 0.7, -5.0, 5.0)
        assert strict in (plain, Verdict.UNDECIDED)


def test_one_sided_limits():
    assert verdict_of(-100.0, 1.0, -INF, 5.0) is Verdict.CONFORMS
    assert verdict_of(0.0, 1.0, 0.0, INF) is Verdict.UNDECIDED
    assert can_be_decided(1000.0, -INF, 5.0)


@pytest.mark.parametrize(
    ("u", "rule", "decidable"),
    [
        (5.0 / 1.9600, Rule.PROBABILITY, True),
        (5.0 / 1.9599, Rule.PROBABILITY, False),
        (2.5, Rule.GUARD_BAND, True),
        (2.51, Rule.GUARD_BAND, False),
    ],
)
def test_tolerance_too_narrow_for_this_u(u, rule, decidable):
    assert can_be_decided(u, -5.0, 5.0, rule) is decidable
    best = verdict_of(0.0, u, -5.0, 5.0, rule)
    assert (best is Verdict.CONFORMS) is decidable


C, D, U, N = Verdict.CONFORMS, Verdict.DOES_NOT_CONFORM, Verdict.UNDECIDED, Verdict.NOT_JUDGED


@pytest.mark.parametrize(("verdicts", "whole"), [((C, C, N), C), ((C, U, N), U), ((U, D, C), D), ((D,), D), ((N, C), C)])
def test_verdict_of_the_job(verdicts, whole):
    assert overall(verdicts) is whole


def test_no_tolerance_at_all_is_refused():
    with pytest.raises(MeasurementError, match="no tolerance at all"):
        overall([N, N])
    with pytest.raises(MeasurementError, match="no tolerance at all"):
        need_tolerance(sheet(tolerances={}))


def test_at_best_undecided():
    assert [at_best_undecided(v) for v in (C, U, D)] == [U, U, D]


@pytest.mark.parametrize(
    ("agree", "unsettled"),
    [
        ((), False),
        ((True,), False),
        ((False,), True),  # one says this, one says that
        ((True, False), False),  # the third is the odd one
        ((False, False), True),  # the first may be it
        ((True, False, False), True),
    ],
)
def test_of_two_boards_that_differ_nobody_knows_which_is_right(agree, unsettled):
    assert boards_unsettled(agree) is unsettled


def check(paper, centre_mm=(4200.0, 0.0, 1200.0), **options):
    side = -1 if paper.side == "behind" else 1
    poses = car() | {"target": Pose.from_rt("survey", "target", from_euler(0, 0, 0), centre_mm)}
    assert side * (centre_mm[0] - 1000.0) > 0
    return judge(placement(as_set(poses), paper), paper, **options)


def test_a_target_in_place_conforms():
    judgement = check(sheet())
    assert judgement.verdict is C
    assert {figure.verdict for figure in judgement.figures} == {C}
    assert judgement.figure("height_mm").probability > 0.999


def test_one_figure_out_of_limits_is_enough():
    judgement = check(sheet(), (4200.0, 9.0, 1200.0))
    assert judgement.verdict is D
    assert [figure.name for figure in judgement.figures if figure.verdict is D] == ["lateral_mm"]


def test_figures_without_tolerance_or_requirement_are_measured_and_not_judged():
    judgement = check(sheet(names=("distance_mm", "height_mm"), tolerances={"height_mm": 5.0}), (4299.0, 77.0, 1200.0))
    assert judgement.verdict is C
    distance, lateral = judgement.figure("distance_mm"), judgement.figure("lateral_mm")
    assert (distance.verdict, distance.error, distance.probability) == (N, pytest.approx(99.0), None)
    assert (lateral.verdict, lateral.required, lateral.measured) == (N, None, pytest.approx(77.0))


def test_a_judged_figure_that_was_not_measured_leaves_the_check_undecided():
    paper = sheet()
    poses = car() | {"target": Pose.from_rt("survey", "target", from_euler(0, 0, 0), (4200.0, 0.0, 1200.0))}
    rest = ("height_mm", "yaw_rad", "pitch_rad", "roll_rad")
    partial = placement(as_set(poses), paper, (), rest)
    reasons = {"distance_mm": "distance is not measured: stand-off missing", "lateral_mm": "lateral is not measured: …"}
    judgement = judge(partial, paper, not_measured=reasons)
    assert judgement.verdict is U
    rows = {row["name"]: row for row in figure_documents(judgement, paper)}
    assert rows["distance_mm"]["not_measured"] == reasons["distance_mm"]
    assert reasons["distance_mm"] in remarks(judgement, paper)
    with pytest.raises(ValueError, match="neither measured nor said to be not measured: distance_mm, lateral_mm"):
        judge(partial, paper)


def test_document_of_a_target_behind_reads_positive():
    """2 mm too far behind: printed error +2, with the limits −3 and +5 as typed (inside they are −5 and +3)."""
    paper = sheet(side="behind", origin="rear-axle", distance=-1500.0)
    required = tuple(replace(r, lower=-5.0, upper=3.0) if r.name == "distance_mm" else r for r in paper.required)
    paper = replace(paper, required=required)
    judgement = check(paper, (-1502.0, 0.0, 1200.0))
    row = figure_documents(judgement, paper)[0]
    assert row["measured"] == pytest.approx(1502.0)
    assert (row["required"], row["lower"], row["upper"]) == (1500.0, -3.0, 5.0)
    assert row["error"] == pytest.approx(2.0)
    assert row["verdict"] == "conforms"


def test_document_in_degrees_and_without_infinities():
    paper = sheet(tolerances={"yaw_rad": 0.3})
    rows = {row["name"]: row for row in figure_documents(check(paper), paper)}
    yaw, lateral = rows["yaw_deg"], rows["lateral_mm"]
    assert (yaw["unit"], yaw["lower"], yaw["upper"]) == ("deg", pytest.approx(-0.3), pytest.approx(0.3))
    assert 0 < yaw["U"] < 0.1
    assert (lateral["lower"], lateral["upper"], lateral["probability_conforms"]) == (None, None, None)
    assert lateral["verdict"] == "not judged"


def test_a_too_narrow_tolerance_is_remarked():
    paper = sheet(tolerances={"height_mm": 0.01})
    judgement = check(paper)
    assert not judgement.figure("height_mm").can_be_decided
    assert any(line.startswith("height: cannot be decided with this U") for line in remarks(judgement, paper))
