"""Figures of a check as people and machines read them: degrees, and a distance behind the car positive."""

from __future__ import annotations

import math
from collections.abc import Sequence

from calib.decision.verdict import Figure, Judgement
from calib.geometry.unevenness import BelievedFloor
from calib.paper.sheet import Sheet
from vision.frames import Estimate


def figure_document(figure: Figure, sheet: Sheet) -> dict[str, object]:
    """One row of `figures`: name, unit, measured, U, required, error, lower, upper, probability_conforms, verdict.

    `lower` and `upper` are limits of the error; null where there is none. The sign of a distance behind the car is turned, so
    that it reads as the sheet says it ("1500 mm behind"), and its limits with it.
    """
    angle = figure.name.endswith("_rad")
    factor = (180 / math.pi if angle else 1.0) * sheet.printed_sign(figure.name)
    lower, upper = (figure.lower, figure.upper) if factor > 0 else (figure.upper, figure.lower)
    return {
        "name": figure.name.replace("_rad", "_deg"),
        "unit": "deg" if angle else "mm",
        "measured": figure.measured * factor,
        "U": figure.U * abs(factor),
        "required": None if figure.required is None else figure.required * factor,
        "error": None if figure.error is None else figure.error * factor,
        "lower": lower * factor if math.isfinite(lower) else None,
        "upper": upper * factor if math.isfinite(upper) else None,
        "probability_conforms": figure.probability,
        "verdict": figure.verdict.value,
        "can_be_decided": figure.can_be_decided,
    }


def figure_documents(judgement: Judgement, sheet: Sheet) -> list[dict[str, object]]:
    """All rows, measured ones first; a figure that could not be measured has `not_measured` with the reason instead."""
    rows: list[dict[str, object]] = [figure_document(figure, sheet) for figure in judgement.figures]
    rows.extend(_unmeasured(judgement))
    return rows


def remarks(judgement: Judgement, sheet: Sheet) -> Sequence[str]:
    """Sentences beside the table: too narrow tolerances and figures that were not measured."""
    out = []
    for figure in judgement.figures:
        row = figure_document(figure, sheet)
        if not figure.can_be_decided:
            name = figure.name.rsplit("_", 1)[0]
            out.append(f"{name}: cannot be decided with this U ({row['U']:.2g} {row['unit']}): more photos, from nearer")
    out.extend(str(row["not_measured"]) for row in _unmeasured(judgement))
    return out


def shares(estimate: Estimate) -> dict[str, dict[str, float]]:
    """U (k = 2) that each source alone gives to each figure, degrees and mm, by the figures' printed names."""
    out: dict[str, dict[str, float]] = {}
    for i, name in enumerate(estimate.names):
        factor = math.degrees(2.0) if name.endswith("_rad") else 2.0
        label = name.replace("_rad", "_deg")
        out[label] = {s: factor * math.sqrt(max(float(part[i, i]), 0.0)) for s, part in estimate.parts.items()}
    return out


def unevenness_document(floor: BelievedFloor) -> dict[str, object]:
    """How uneven the floor is taken to be, and why: `measured_pm_mm` is null where too few boards tell."""
    return {
        "pm_mm": floor.pm_mm,
        "source": floor.source,
        "boards": floor.boards,
        "measured_pm_mm": floor.measured_pm_mm if math.isfinite(floor.measured_pm_mm) else None,
        "typed_pm_mm": floor.typed_pm_mm if floor.typed else None,
        "words": floor.words,
    }


def _unmeasured(judgement: Judgement) -> list[dict[str, object]]:
    return [
        {
            "name": name.replace("_rad", "_deg"),
            "unit": "deg" if name.endswith("_rad") else "mm",
            "not_measured": reason,
        }
        for name, reason in judgement.not_measured.items()
    ]
