"""A plan as JSON and as words: can this camera, in this bay, decide this sheet, and what would help."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from calib.decision.plan import Decided, Decision, PlannedFigure
from calib.paper.sheet import Sheet
from cli.check import DISCLAIMER
from cli.kept_survey import program
from cli.plan_ideas import ENOUGH, Tried
from cli.plan_job import Setting
from cli.plan_run import Predicted
from cli.table import number, table

SCHEMA, GROUP = "plan/1", "plan-group/1"
DIGITS = {"mm": 1, "deg": 2}


def plan_document(
    setting: Setting, predicted: Predicted, decided: Decided, outcomes: Sequence[Tried], advice: Tried | None
) -> dict[str, Any]:
    """The plan: `plan/1` of one target, `plan-group/1` of several that stand at the same time."""
    targets = [
        _target(target.sheet, decision, missing)
        for target, decision, missing in zip(setting.targets, decided.each, predicted.not_measured, strict=True)
    ]
    shared = {
        "camera": setting.lens.name,
        "photos": [
            {
                "epoch": epoch,
                "words": place.words,
                "at_mm": list(place.at_mm),
                "towards_mm": list(place.towards_mm),
                "upright": place.upright,
                "shows": list(boards),
            }
            for epoch, place, boards in predicted.photos
        ],
        "corners": predicted.corners,
    }
    whole = {"undecided_if_perfect": decided.whole.undecided, "can_be_decided": decided.whole.undecided <= ENOUGH}
    advised = {
        "ideas": [_idea(one, setting) for one in outcomes],
        "advice": advice.words if advice else None,
        "seldom_seen": predicted.seldom,
        "program": program(),
        "caution": DISCLAIMER,
    }
    if len(targets) == 1:
        (one,) = targets
        del one["placement"]
        return {"schema": SCHEMA, "target": one["target"], **shared, **one, **whole, **advised}
    names = [target["placement"] for target in targets]
    return {"schema": GROUP, "placements": names, **shared, "targets": targets, **whole, **advised}


def _target(sheet: Sheet, decision: Decision, not_measured: Mapping[str, str]) -> dict[str, Any]:
    return {
        "placement": sheet.name,
        "target": sheet.target,
        "figures": [_row(figure, sheet) for figure in decision.figures],
        "not_measured": dict(not_measured),
        "undecided_if_perfect": decision.whole.undecided,
        "can_be_decided": decision.whole.undecided <= ENOUGH,
    }


def _idea(one: Tried, setting: Setting) -> dict[str, Any]:
    """What an idea brings; U by figure, of several targets by placement and figure."""
    each = {
        target.sheet.name: {
            figure.name.replace("_rad", "_deg"): _printed(figure, target.sheet) * figure.U for figure in decision.figures
        }
        for target, decision in zip(setting.targets, one.decision.each, strict=True)
    }
    (first, *others) = each.values()
    u = each if others else first
    return {"words": one.words, "undecided_if_perfect": one.decision.whole.undecided, "U": u}


def _printed(figure: PlannedFigure, sheet: Sheet) -> float:
    return abs(sheet.printed_sign(figure.name)) * (180.0 / math.pi if figure.name.endswith("_rad") else 1.0)


def _row(figure: PlannedFigure, sheet: Sheet) -> dict[str, Any]:
    factor = _printed(figure, sheet) * sheet.printed_sign(figure.name)
    lower, upper = sorted((figure.lower * factor, figure.upper * factor))
    low, high = sorted((figure.accepted.low * factor, figure.accepted.high * factor))
    never = figure.accepted.is_empty

    def finite(value: float) -> float | None:
        return value if math.isfinite(value) else None

    return {
        "name": figure.name.replace("_rad", "_deg"),
        "unit": "deg" if figure.name.endswith("_rad") else "mm",
        "U": figure.U * abs(factor),
        "lower": finite(lower),
        "upper": finite(upper),
        "conforms_from": None if never else finite(low),
        "conforms_to": None if never else finite(high),
        "undecided_if_perfect": figure.chances.undecided if figure.chances else None,
        "false_accept": figure.risks.false_accept if figure.risks else None,
        "false_reject": figure.risks.false_reject if figure.risks else None,
        "limited_by": list(figure.limited_by),
    }


def in_words(document: dict[str, Any]) -> str:
    """The answer first, then the table of each target, then what would help."""
    if document["schema"] == GROUP:
        lines = [_answer_of_all(document), *(f"  {one['placement']}: {_answer(one)}" for one in document["targets"])]
        for one in document["targets"]:
            lines += ["", f"--- {one['placement']} ---", *_figures_words(one)]
    else:
        lines = [_answer(document), "", *_figures_words(document)]
    seldom = ", ".join(f"{board} ({count})" for board, count in document["seldom_seen"].items())
    if seldom:
        lines.append(f"few photos of the survey show: {seldom}")
    if document["ideas"]:
        lines += ["", "what would help, the cheapest first:"]
        lines += [f"  {_percent(one['undecided_if_perfect']):>6} undecided with {one['words']}" for one in document["ideas"]]
    if document["advice"]:
        lines.append(f"advice: {document['advice']}")
    return "\n".join(lines)


def _figures_words(target: dict[str, Any]) -> list[str]:
    head = ["figure", "U (k = 2)", "allowed error", "conforms when measured", "", "undecided if perfect", "U comes from"]
    rows = [_cells(row) for row in target["figures"]]
    missing = [f"{_plain(name)}: {reason}" for name, reason in target["not_measured"].items()]
    return [table(head, rows, right=(1, 2, 3, 5)), *missing]


def _answer_of_all(document: dict[str, Any]) -> str:
    """Of targets that stand at the same time: the check conforms only if all do."""
    chance, count = document["undecided_if_perfect"], len(document["targets"])
    if any(_can_never(row) for target in document["targets"] for row in target["figures"]):
        return f"CANNOT BE DECIDED: {count} targets are checked together, and one of them never conforms"
    if document["can_be_decided"]:
        return f"can be decided: {count} targets that all stand exactly right conform together with {_percent(1.0 - chance)}"
    return f"HARDLY DECIDABLE: a check of {count} targets that stand exactly right stays undecided with {_percent(chance)}"


def _answer(document: dict[str, Any]) -> str:
    chance = document["undecided_if_perfect"]
    never = [_plain(row["name"]) for row in document["figures"] if _can_never(row)]
    if never:
        return f"CANNOT BE DECIDED: {', '.join(never)}: U is too large for the tolerance, however well the target stands"
    if document["can_be_decided"]:
        return f"can be decided: a target that stands exactly right is called conforming with {_percent(1.0 - chance)}"
    return f"HARDLY DECIDABLE: a target that stands exactly right stays undecided with {_percent(chance)}"


def _plain(name: str) -> str:
    """A figure's name for people; of a mark with its direction: "mark-a ahead"."""
    return name.rsplit("_", 1)[0].replace("_", " ")


def _can_never(row: dict[str, Any]) -> bool:
    return row["undecided_if_perfect"] is not None and row["conforms_from"] is None and row["conforms_to"] is None


def _cells(row: dict[str, Any]) -> list[str]:
    digits = DIGITS[row["unit"]]
    allowed = _range(row["lower"], row["upper"], digits)
    accepted = "never" if _can_never(row) else _range(row["conforms_from"], row["conforms_to"], digits)
    chance = row["undecided_if_perfect"]
    judged = chance is not None
    return [
        _plain(row["name"]),
        number(row["U"], digits + (row["U"] < 0.1)),
        allowed if judged else "not limited",
        accepted if judged else "",
        row["unit"],
        _percent(chance) if judged else "",
        ", ".join(row["limited_by"]),
    ]


def _range(low: float | None, high: float | None, digits: int) -> str:
    if low is not None and high is not None and abs(low + high) < 10.0**-digits / 2:
        return f"±{number(high, digits)}"
    shown = ["" if value is None else number(value, digits, sign=True) for value in (low, high)]
    return f"from {shown[0]}" if not shown[1] else f"up to {shown[1]}" if not shown[0] else f"{shown[0]} to {shown[1]}"


def _percent(share: float) -> str:
    percent = 100.0 * share
    return f"{percent:.0f} %" if 1.0 <= percent <= 99.0 or percent in (0.0, 100.0) else f"{percent:.1f} %"
