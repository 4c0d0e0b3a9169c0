"""The floor against the limits of a sheet, as JSON and as the first thing a technician reads."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from calib.decision.floor_limits import FLATNESS, FloorRow
from calib.decision.verdict import Verdict
from calib.geometry.unevenness import BelievedFloor
from calib.paper.figures import unevenness_document
from calib.paper.vehicle import Overruled
from cli.table import number

HEADING = "THE FLOOR IS NOT SHOWN TO KEEP WHAT THE SHEET ASKS OF IT"
ADVICE = "find a better place, or level this one, before a target is placed"
WAYS = {
    "floor_pitch": ("falls away ahead", "rises ahead"),
    "floor_roll": ("higher on the car's left", "higher on the car's right"),
}


def floor_document(rows: Sequence[FloorRow], overruled: Overruled | None, uneven: BelievedFloor) -> dict[str, Any]:
    """Limits of the floor with what was measured, who overruled them, and how uneven the floor is taken to be."""
    return {
        "limits": [_row(row) for row in rows],
        "overruled": {"reason": overruled.reason, "by": overruled.by} if overruled else None,
        "unevenness": unevenness_document(uneven),
    }


def _row(row: FloorRow) -> dict[str, Any]:
    angle = row.name.endswith("_rad")
    factor = math.degrees(1.0) if angle else 1.0
    out: dict[str, Any] = {
        "name": row.name.replace("_rad", "_deg"),
        "unit": "deg" if angle else "mm",
        "most": factor * row.most,
    }
    if row.measured is None or row.U is None:
        return out | {"not_measured": row.reason, "verdict": row.verdict.value}
    out |= {"measured": factor * row.measured, "U": factor * row.U, "probability_conforms": row.probability}
    return out | {"verdict": row.verdict.value} | ({"board": row.where} if row.where else {})


def first_words(floor: dict[str, Any]) -> list[str]:
    """What is wrong with the floor, then an empty line; nothing when it is shown to keep its limits or has none."""
    rows = [row for row in floor["limits"] if row["verdict"] != Verdict.CONFORMS.value]
    if not rows:
        return []
    said = [f"  {_words(row)}" for row in rows]
    overruled = floor["overruled"]
    if overruled:
        return [f"the floor does not keep the sheet's limits; overruled by {overruled['by']}: {overruled['reason']}", *said, ""]
    where = "with a reason and a name under [floor_overruled] in job.toml"
    return [HEADING, *said, f"{ADVICE}; or overrule it {where}", ""]


def _words(row: dict[str, Any]) -> str:
    label = row["name"].rsplit("_", 1)[0].replace("_", " ")
    if "not_measured" in row:
        return f"{label}: {row['not_measured']}"
    digits, unit = (2, "°") if row["unit"] == "deg" else (1, " mm")
    value, u, most = row["measured"], row["U"], row["most"]
    if row["name"] == FLATNESS:
        way = f"{'above' if value > 0 else 'below'} the floor's plane at {row['board']}"
    else:
        way = WAYS[row["name"].removesuffix("_deg")][0 if value > 0 else 1]
    amount = f"{number(abs(value), digits)}{unit} (U {u:.{digits}f}{unit})"
    return f"{label}: {amount}, {way}; at most {most:.{digits}f}{unit}: {row['verdict']}"
