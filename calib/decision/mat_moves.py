"""What mends a mat, in a technician's words: shift it, turn it; and whether its marks fit one another."""

from __future__ import annotations

import math

from calib.decision.moves import Expected, Move
from calib.decision.verdict import COVERAGE, Rule, conformance_probability, verdict_of
from calib.geometry.mats import MOVE, MatMove, mat_shift_mm
from calib.geometry.placement import Placement
from calib.paper.sheet import Sheet

DOUBTFUL_MM = 2.0
"""A misfit of the marks below it is left to the tolerances alone."""


def mat_moves(found: MatMove) -> tuple[Move, ...]:
    """Turn first, then ahead, then left; none smaller than its U."""
    order = (MOVE[2], MOVE[0], MOVE[1])
    amounts = {name: -float(found.error.value[found.error.index(name)]) for name in order}
    return tuple(
        Move(f"mat_{name}", amount, _words(name, amount))
        for name, amount in amounts.items()
        if abs(amount) > COVERAGE * found.error.sigma(name)
    )


def mat_expected(
    placement: Placement, sheet: Sheet, asked: tuple[Move, ...], rule: Rule = Rule.PROBABILITY
) -> tuple[Expected, ...]:
    """Every mark after the moves of the whole mat, by this measurement (see `Expected`)."""
    amount = {move.figure.removeprefix("mat_"): move.amount for move in asked}
    shift = mat_shift_mm(sheet, *(amount.get(name, 0.0) for name in MOVE))
    out = []
    for i, name in enumerate(placement.error.names):
        left, one = float(placement.error.value[i] + shift[i]), sheet[name]
        probability = conformance_probability(left, placement.error.sigma(name), one.lower, one.upper) if one.judged else None
        verdict = verdict_of(left, placement.error.sigma(name), one.lower, one.upper, rule)
        out.append(Expected(name, left, probability, verdict))
    return tuple(out)


def misfit_words(found: MatMove, sheet: Sheet) -> str:
    """A sentence where no shift and turn of the mat brings its marks together; "" where it does."""
    worst = max(found.misfit.names, key=lambda name: abs(float(found.misfit.value[found.misfit.index(name)])))
    size = abs(float(found.misfit.value[found.misfit.index(worst)]))
    if size <= max(DOUBTFUL_MM, COVERAGE * found.misfit.sigma(worst)):
        return ""
    mark = next(mark.name for mark in sheet.marks if worst in mark.names)
    return (
        f"no shift and turn brings all marks onto their places: mark {mark} would still be {size:.1f} mm off; is it the "
        "right mat, flat, and was the right point touched?"
    )


def _words(name: str, amount: float) -> str:
    plus = amount > 0
    if name == "turn_rad":
        way = "counter-clockwise" if plus else "clockwise"
        return f"turn the mat {math.degrees(abs(amount)):.2f}° {way} seen from above, about the middle of its marks"
    size = f"move the mat {abs(amount):.1f} mm"
    if name == "ahead_mm":
        return f"{size} {'forward' if plus else 'backward'} along the line (forward is the car's)"
    return f"{size} towards the car's {'left' if plus else 'right'} (driver looking forward)"
