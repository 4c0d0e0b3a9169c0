"""A budget as JSON and as words: sources by share, what to do about them, and what could be wrong unnoticed."""

from __future__ import annotations

import math
from typing import Any

from calib.decision.monte_carlo import Drawn
from cli.budget import BudgetRun
from cli.kept_survey import Survey, program
from cli.table import number, table
from vision.reliability import POWER, SingleError

SCHEMA = "budget/1"
BAR = 30
SHOWN = 8
WORDS = {
    "sighting": "{what} read beside its place",
    "moved": "{what}",
    "scale": "print scale of {what} other than measured",
    "flatness": "{what} bent more than typed",
    "lens": "{what} other than calibrated",
    "tip": "tip beside point {what}",
    "tape": "tape {what} misread",
}


def budget_document(run: BudgetRun, survey: Survey) -> dict[str, Any]:
    """The budget of one figure (`budget/1`)."""
    budget = run.budget
    behind = run.sheet is not None and run.sheet.printed_sign(budget.figure) < 0
    return {
        "schema": SCHEMA,
        "placement": run.sheet.name if run.sheet else "",
        "figure": budget.figure,
        "unit": budget.unit,
        "measured": -budget.value if behind else budget.value,
        "side": ("behind" if behind else "ahead") if run.sheet and budget.figure == "distance_mm" else None,
        "U": budget.u,
        "sources": [{"source": s.source, "U": s.u, "part": s.part, "remedy": s.remedy} for s in budget.shares],
        "unnoticed": [_hidden(one, effect) for one, effect in run.hidden],
        "on_trust": [_words(one) for one in run.trusted],
        "draws": None if run.drawn is None else _drawn(run.drawn, budget.unit, behind=behind),
        "survey": {"id": survey.id, "date": survey.date},
        "program": program(),
    }


def _drawn(drawn: Drawn, unit: str, *, behind: bool) -> dict[str, Any]:
    low, high = (-drawn.high, -drawn.low) if behind else (drawn.low, drawn.high)
    numbers = {"U": _printed(drawn.u, unit), "low": _printed(low, unit), "high": _printed(high, unit)}
    return {"draws": drawn.draws, **numbers, "agrees": drawn.agrees}


def _printed(value: float, unit: str) -> float:
    return math.degrees(value) if unit == "deg" else value


def _words(one: SingleError) -> str:
    return WORDS[one.kind].format(what=one.what)


def _hidden(one: SingleError, effect: float) -> dict[str, Any]:
    return {
        "error": _words(one),
        "kind": one.kind,
        "unnoticed_below": one.smallest,
        "unit": one.unit,
        "moves_figure_by": effect,
        "shows": one.shows,
    }


def in_words(document: dict[str, Any]) -> str:
    """What a technician reads: the U, its sources with bars, what to do about the largest, and what could hide."""
    digits = 4 if document["unit"] == "deg" else 2
    unit = document["unit"]
    figure = str(document["figure"]).rsplit("_", 1)[0].replace("_", " ")
    rows = [
        [s["source"], f"{s['U']:.{digits}f}", f"{100 * s['part']:.1f} %", "█" * round(BAR * s["part"])]
        for s in document["sources"]
    ]
    side = f" {document['side']}" if document["side"] else ""
    whose = f"{document['placement']}: " if document["placement"] else ""
    lines = [
        f"{whose}{figure}: {number(document['measured'], digits)} {unit}{side}, U {document['U']:.{digits}f} {unit} (k = 2)",
        "",
        table(["source", f"U alone, {unit}", "of the variance", ""], rows, (1, 2)),
        "",
    ]
    first = document["sources"][0]
    if first["remedy"]:
        lines.append(f"largest source: {first['source']}. To make it smaller: {first['remedy']}")
    lines += _draws(document, digits)
    lines += _unnoticed(document, digits)
    return "\n".join(lines)


def _draws(document: dict[str, Any], digits: int) -> list[str]:
    drawn = document["draws"]
    if drawn is None:
        return []
    outcome = "agrees with" if drawn["agrees"] else "does NOT agree with"
    return [
        f"{drawn['draws']} draws: U {drawn['U']:.{digits}f}, interval {number(drawn['low'], digits)} … "
        f"{number(drawn['high'], digits)}: {outcome} the first-order U (JCGM 101:2008, 8)"
    ]


def _unnoticed(document: dict[str, Any], digits: int) -> list[str]:
    unit = document["unit"]
    rows = [
        [row["error"], f"{row['unnoticed_below']:.2f} {row['unit']}", f"{row['moves_figure_by']:.{digits}f}"]
        for row in document["unnoticed"][:SHOWN]
    ]
    head = ["a single error", "unnoticed up to", f"moves the figure by, {unit}"]
    lines = [
        "",
        f"What could be wrong unnoticed, everything else being right (larger ones show with {100 * POWER:.0f} % certainty):",
        table(head, rows, (1, 2)),
        "another photo of that board, from another side and with more boards in it, makes these smaller",
    ]
    if document["on_trust"]:
        lines += ["", "On trust (no photo checks it; U holds what was typed):"]
        lines += [f"  {words}" for words in document["on_trust"]]
    shown = [row for row in document["unnoticed"] if row["shows"]]
    lines += [f"note: {row['error']}: this shows in the photos; look at them again" for row in shown]
    return lines
