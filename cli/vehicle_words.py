"""The whole car as JSON, as words and as a plan: floor, wheels, lines, whole car, tyres; limits and who overruled them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from calib.alignment import Alignment
from calib.decision.budget import printed_factor, printed_name
from calib.decision.limits import LimitRow
from calib.decision.verdict import Rule, Verdict
from calib.geometry.tyres import toe_mm
from calib.paper.drawing import Drawing
from calib.paper.figures import shares
from calib.paper.floor_picture import floor_picture
from calib.paper.survey_plan import Marked, survey_plan
from calib.paper.vehicle import Vehicle
from cli.floor_limits import FloorJudged
from cli.floor_words import first_words, floor_document
from cli.kept_survey import Survey, program
from cli.table import number, table

SCHEMA = "vehicle-result/1"
UNLIMITED = "no limits given"
GROUPS = (
    ("floor", ("floor_",)),
    ("wheels", ("rear_toe", "rear_total", "front_toe", "front_total", "camber")),
    ("lines", ("thrust", "front_direction", "setback", "travel")),
    ("whole car", ("wheelbase", "track", "diagonal")),
    ("tyres", ("rolling",)),
)
"""In the order in which the figures come about; names by their beginnings."""
CAUTION = (
    "A measurement of the car as it stands, tyres, load and ride height as they are, nothing more: the vehicle maker's limits "
    "and the qualified technician decide. It is no wheel alignment and does not clear a vehicle for the road."
)
ALL_GROUPS = tuple(group for group, _ in GROUPS)
SIDES = "left and right are the car's (driver looking forward); + is toe-in, and camber with the top outward"
NOTES = {"travel_to_thrust_rad": "way of the rear axle's middle while rolling, against the thrust line, + to the car's left"}
FOR_PROGRAMS = ("thrust_direction_deg",)
"""Told in the floor's frame: of no use to a person."""


def vehicle_document(
    found: Alignment, vehicle: Vehicle | None, survey: Survey, rule: Rule, floor: FloorJudged
) -> dict[str, Any]:
    """The whole car (`vehicle-result/1`); `floor` are the limits the sheet sets to it."""
    limits = {row.name: row for row in found.limits}
    rows = []
    for estimate in found.estimates:
        for name in estimate.names:
            label = name.rsplit("_", 1)[0]
            if group := _group(label):
                rows.append(_row(found, name, group, limits.get(label), vehicle))
    order = [group for group, _ in GROUPS]
    rows.sort(key=lambda row: order.index(row["group"]))
    missing = [_missing(name, reason, limits) for name, reason in found.missing.items() if _group(name)]
    boards = found.floor
    sources: dict[str, dict[str, float]] = {}
    for estimate in found.estimates:
        sources |= {name: row for name, row in shares(estimate).items() if _group(name.rsplit("_", 1)[0])}
    return {
        "schema": SCHEMA,
        "vehicle": vehicle.name if vehicle else None,
        "figures": [*rows, *missing],
        "floor": [
            {
                "board": name,
                "x_mm": float(boards.place_mm[i, 0]),
                "y_mm": float(boards.place_mm[i, 1]),
                "height_mm": float(boards.heights.value[i]),
                "U": 2.0 * math.sqrt(float(boards.heights.cov[i, i])),
            }
            for i, name in enumerate(boards.boards)
        ],
        "floor_limits": floor_document(floor.rows, floor.overruled, found.car.uneven) | {"unread": floor.unread},
        "sources": sources,
        "verdict": _verdict(found, floor),
        "rule": rule.value,
        "overruled": [
            {"name": row.name, "reason": row.overruled.reason, "by": row.overruled.by} for row in found.limits if row.overruled
        ],
        "remarks": list(found.car.remarks),
        "survey": {"id": survey.id, "date": survey.date},
        "program": program(),
        "caution": CAUTION,
    }


def _group(label: str) -> str:
    return next((group for group, starts in GROUPS if label.startswith(starts)), "")


def _row(found: Alignment, name: str, group: str, limit: LimitRow | None, vehicle: Vehicle | None) -> dict[str, Any]:
    estimate = next(e for e in found.estimates if name in e.names)
    factor = printed_factor(name)
    value, u = float(estimate.value[estimate.index(name)]), 2.0 * estimate.sigma(name)
    notes = {f"{f.name}_{'rad' if f.unit == 'deg' else 'mm'}": f.note for f in found.car.figures.figures}
    row: dict[str, Any] = {
        "name": printed_name(name),
        "unit": printed_name(name).rsplit("_", 1)[1],
        "group": group,
        "measured": factor * value,
        "U": factor * u,
        "note": notes.get(name, NOTES.get(name, "")),
    }
    if "toe" in name and vehicle and vehicle.toe_diameter_mm:
        row["at_diameter_mm"] = vehicle.toe_diameter_mm
        row["toe_mm"] = toe_mm(value, vehicle.toe_diameter_mm)
    return row | (_limit(limit, factor) if limit else {})


def _limit(row: LimitRow, factor: float) -> dict[str, Any]:
    return {
        "least": factor * row.limit.least if math.isfinite(row.limit.least) else None,
        "most": factor * row.limit.most if math.isfinite(row.limit.most) else None,
        "probability_conforms": row.probability,
        "verdict": row.verdict.value,
        "overruled": row.overruled is not None,
    }


def _missing(name: str, reason: str, limits: dict[str, LimitRow]) -> dict[str, Any]:
    row: dict[str, Any] = {"name": name, "group": _group(name), "not_measured": reason}
    return row | (_limit(limits[name], 1.0) if name in limits else {})


def _verdict(found: Alignment, floor: FloorJudged) -> str:
    if not found.limits and not floor.rows:
        return UNLIMITED
    verdicts = {row.verdict for row in found.blocking} | {row.verdict for row in floor.blocking}
    worst = next((v for v in (Verdict.DOES_NOT_CONFORM, Verdict.UNDECIDED) if v in verdicts), Verdict.CONFORMS)
    return str(worst.value)


def drawings_of(found: Alignment, document: dict[str, Any]) -> dict[str, Drawing]:
    """Pictures by the name of their files: the floor, and the survey plan where the centreline to draw it to is known."""
    name = f"{document['vehicle'] or 'the car'}, {str(document['survey']['date'])[:10]}"
    floor = floor_picture(found.car.poses, found.floor, found.car.uneven, f"Floor under {name}")
    out = {"vehicle-floor": floor}
    figures = {row["name"]: Marked(row["measured"], row["U"]) for row in document["figures"] if "measured" in row}
    if "thrust_angle_deg" in figures:
        out["vehicle-plan"] = survey_plan(found.car.poses, found.floor, figures, f"Survey plan of {name}")
    return out


def in_words(document: dict[str, Any], groups: Sequence[str] = ALL_GROUPS) -> str:
    """What a technician reads: the verdict on the car first, then the table in the order of the work, or some groups of it."""
    lines = first_words(document["floor_limits"])
    if document["verdict"] != UNLIMITED:
        lines += [str(document["verdict"]).upper(), _why(document), ""]
    lines += [
        f"the car in epoch rest, from survey {document['survey']['id']} of {document['survey']['date']}",
        f"({SIDES})",
        "",
    ]
    rows = []
    for group in groups:
        mine = [row for row in document["figures"] if row["group"] == group and "measured" in row]
        mine = [row for row in mine if row["name"] not in FOR_PROGRAMS]
        rows += [[group if i == 0 else "", *_cells(row)] for i, row in enumerate(mine)]
    head = ["", "figure", "measured", "U (k = 2)", "", "as minutes or mm", "limits", "verdict"]
    lines.append(table(head, rows, (2, 3)))
    lines += [f"{_called(row)}: {row['not_measured']}" for row in document["figures"] if "not_measured" in row]
    lines.append(document["floor_limits"]["unevenness"]["words"])
    lines += [f"note: {document['floor_limits']['unread']}"] if document["floor_limits"]["unread"] else []
    lines += [f"overruled: {_plain(o['name'])}, by {o['by']}: {o['reason']}" for o in document["overruled"]]
    lines += [f"note: {remark}" for remark in document["remarks"]]
    lines += ["", document["caution"]]
    return "\n".join(lines)


def _why(document: dict[str, Any]) -> str:
    limited = [row for row in document["figures"] if "verdict" in row]
    ground = document["floor_limits"]
    bad = [_called(row) for row in ground["limits"] if row["verdict"] != Verdict.CONFORMS.value and not ground["overruled"]]
    bad += [_called(row) for row in limited if row["verdict"] != Verdict.CONFORMS.value and not row["overruled"]]
    if bad:
        return f"not shown to be inside the limits: {', '.join(bad)}; put the car right before a target is placed"
    apart = ", those overruled apart" if document["overruled"] else ""
    return f"every limited figure is inside its limits{apart}"


def _cells(row: dict[str, Any]) -> list[str]:
    digits = 3 if row["unit"] == "deg" else 2 if "difference" in row["name"] or "minus" in row["name"] else 1
    return [
        _called(row),
        number(row["measured"], digits),
        f"{row['U']:.{digits}f}",
        "%" if row["unit"] == "percent" else str(row["unit"]),
        _otherwise(row),
        _limits(row, digits),
        row.get("verdict", "") + (" (overruled)" if row.get("overruled") else ""),
    ]


def _otherwise(row: dict[str, Any]) -> str:
    """Toe and thrust angle in minutes of arc, toe also as a length at the stated diameter."""
    if row["unit"] != "deg":
        return ""
    words = f"{number(60.0 * row['measured'], 1)}'"
    if "toe_mm" in row:
        words += f", {number(row['toe_mm'], 2)} mm at {row['at_diameter_mm']:.1f} mm"
    return words


def _limits(row: dict[str, Any], digits: int) -> str:
    if "verdict" not in row:
        return ""
    least, most = row["least"], row["most"]
    low = "" if least is None else number(least, digits)
    high = "" if most is None else number(most, digits)
    return f"{low} … {high}"


def _called(row: dict[str, Any]) -> str:
    name = str(row["name"])
    return _plain(name if "not_measured" in row else name.rsplit("_", 1)[0])


def _plain(name: str) -> str:
    return name.replace("_", " ")
