"""A check as JSON and as words: figures, verdict, what to move, what was seen of the car, and what to mind."""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from typing import Any

from calib.bodies import board_of
from calib.decision.mat_moves import mat_expected
from calib.decision.moves import documents, expected, expected_documents
from calib.decision.moves import in_words as moves_in_words
from calib.decision.verdict import Verdict
from calib.paper.check_inputs import CheckInput, input_documents
from calib.paper.figures import figure_documents, remarks, shares
from calib.paper.held_back import all_inside, holdups
from calib.paper.sheet import FIGURES, Sheet
from calib.paper.sheet_document import state_document
from calib.paper.stand import Pivot
from calib.pipeline import CheckOutcome
from cli.check import DISCLAIMER, NOT_SHOWN, CheckRun
from cli.floor_words import first_words, floor_document
from cli.kept_survey import Survey, program
from cli.sheet_words import CLEARANCES, PLUS, SIDES, figure_label, line_in_words, place_in_words
from cli.stations import Desk
from cli.table import number, table

SCHEMA = "check/1"
LEAVE_MAT = "leave the mat where it is: no error is larger than its U"


def check_document(
    run: CheckRun,
    sheet: Sheet,
    survey: Survey,
    desk: Desk,
    car_not_seen: str | None,
    accepted: Sequence[str],
    inputs: Sequence[CheckInput],
) -> dict[str, Any]:
    """The result of a check (`check/1`)."""
    pivot = desk.stand.pivot if desk.stand else None
    outcome = run.outcome
    return {
        "schema": SCHEMA,
        "epoch": run.epoch,
        "date": datetime.datetime.now().astimezone().isoformat(timespec="seconds"),
        "program": program(),
        "placement": sheet.name,
        "target": sheet.target,
        "origin": sheet.origin,
        "line": sheet.line if isinstance(sheet.line, str) else list(sheet.line),
        "side": sheet.side,
        "height_from": sheet.height_from,
        "sheet_state": state_document(sheet.confirmation),
        "accepted": list(accepted),
        "floor": floor_document(outcome.floor, desk.job.floor_overruled, outcome.uneven),
        "figures": figure_documents(outcome.judgement, sheet),
        "moves": documents(outcome.moves, pivot),
        "expected": _expected_documents(outcome, sheet, pivot),
        "moves_in_words": moves_in_words(outcome.moves) if outcome.moves or sheet.kind != "mat" else LEAVE_MAT,
        "verdict": outcome.judgement.verdict.value,
        "rule": outcome.judgement.rule.value,
        "sources": shares(outcome.placement.measured),
        "survey": {"id": survey.id, "date": survey.date},
        "photos": list(run.photos),
        "inputs": input_documents(inputs),
        "car": {
            "seen": [
                {
                    "board": wheel.board,
                    "shift_mm": wheel.shift_mm,
                    "U_shift_mm": wheel.u_shift_mm,
                    "turn_deg": math.degrees(wheel.turn_rad),
                    "moved": bool(wheel.moved),
                }
                for wheel in run.stayed
            ],
            "not_seen_reason": car_not_seen,
        },
        "moved_since_survey": [
            {"board": board_of(m.body), "shift_mm": m.shift_mm, "turn_deg": math.degrees(m.turn_rad)} for m in run.moved
        ],
        "second_boards": [{"board": gap.board, "agrees": gap.agrees, "words": gap.words} for gap in outcome.gaps],
        "sigma0": run.network.sigma0,
        "redundancy": run.network.redundancy,
        "rejected": [{"photo": r.photo, "board": board_of(r.body), "reason": r.reason} for r in run.network.rejected],
        "remarks": [
            *run.remarks,
            *remarks(outcome.judgement, sheet),
            *(gap.words for gap in outcome.gaps if not gap.agrees),
            *(
                f"not measured, see to it: {least:g} mm free {CLEARANCES[room]}"
                for room, least in sheet.clearance.given.items()
            ),
        ],
        "caution": DISCLAIMER,
    }


def _expected_documents(outcome: CheckOutcome, sheet: Sheet, pivot: Pivot | None) -> list[dict[str, object]]:
    rule = outcome.judgement.rule
    if sheet.kind == "mat":
        return expected_documents(mat_expected(outcome.placement, sheet, outcome.moves, rule), sheet)
    return expected_documents(expected(outcome.placement, sheet, outcome.moves, pivot, rule), sheet)


def in_words(document: dict[str, Any]) -> str:
    """What a technician reads: a floor that is out of limits, else the verdict first, then the move, then the figures."""
    return "\n".join([*first_words(document["floor"]), *measured_words(document), *seen_words(document)])


def measured_words(document: dict[str, Any]) -> list[str]:
    """Verdict, what to move, and the figures of one target."""
    lines = [
        document["verdict"].upper(),
        why(document),
        *_moves(document),
        "",
        f"{_called(document)}, {_where(document)}; measured from the {place_in_words(document['origin'])}, along the "
        f"{line_in_words(document['line'])}",
        *(["height above the plane the wheels stand on, as the sheet gives it"] if document["height_from"] == "wheels" else []),
        f"({'; '.join([SIDES, *_signs(document)])})",
        "",
        _figures(document),
    ]
    return lines + [f"{row['name']}: {row['not_measured']}" for row in document["figures"] if "not_measured" in row]


def seen_words(document: dict[str, Any]) -> list[str]:
    """What was seen of the car, the sheet's state, what to mind, the photos."""
    lines: list[str] = []
    seen = [row for row in document["car"]["seen"] if not row["moved"]]
    if seen:
        worst = max(seen, key=lambda wheel: wheel["shift_mm"])
        lines += [
            "",
            f"car: stayed since rest ({worst['board']} within {worst['shift_mm']:.1f} mm, U {worst['U_shift_mm']:.1f} mm)",
        ]
    elif document["car"]["not_seen_reason"]:
        lines += ["", f"{NOT_SHOWN}; accepted because: {document['car']['not_seen_reason']}"]
    lines += ["", f"sheet: {document['sheet_state']['words']}"]
    lines += [f"accepted on the sheet: {question}" for question in document["accepted"]]
    lines += [f"note: {remark}" for remark in document["remarks"]]
    survey = document["survey"]
    photos = "1 photo" if len(document["photos"]) == 1 else f"{len(document['photos'])} photos"
    lines += ["", f"{photos} on survey {survey['id']} of {survey['date']}; rule: {document['rule']}"]
    lines.append(document["caution"])
    return lines


def why(document: dict[str, Any]) -> str:
    """One line that says which figures decided."""
    rows = [row for row in document["figures"] if "measured" in row]

    def called(verdict: Verdict) -> list[dict[str, Any]]:
        return [row for row in rows if row["verdict"] == verdict.value]

    out, open_ = called(Verdict.DOES_NOT_CONFORM), called(Verdict.UNDECIDED)
    if document["verdict"] == Verdict.DOES_NOT_CONFORM.value:
        return f"outside the tolerance: {', '.join(_label(row) for row in out)}"
    if document["verdict"] == Verdict.CONFORMS.value:
        return "every judged figure is inside its tolerance"
    if open_:
        chances = ", ".join(f"{_label(row)} with {100 * row['probability_conforms']:.0f} %" for row in open_)
        return f"not sure enough to be inside the tolerance: {chances} (95 % are needed)"
    reasons = "; ".join(one.words for one in holdups(document)) or "see the notes below"
    return f"every measured figure is inside its tolerance, but {reasons}"


def _label(row: dict[str, Any]) -> str:
    return figure_label(str(row["name"]))


def _moves(document: dict[str, Any]) -> list[str]:
    if not document["moves"]:
        return [document["moves_in_words"]]
    heading = "to bring it onto the sheet's values:"
    if document["verdict"] == Verdict.CONFORMS.value or all_inside(document):
        heading = "no move is needed; to bring it still closer to the sheet's values:"
    return [heading, *(f"  {i}. {m['words']}" for i, m in enumerate(document["moves"], start=1)), _after(document)]


def _after(document: dict[str, Any]) -> str:
    """What the next check should find, if the moves are made well."""
    rows = [row for row in document["expected"] if row["probability_conforms"] is not None]
    if not rows:
        return "after that nothing is judged"
    open_ = [row for row in rows if row["verdict"] != Verdict.CONFORMS.value]
    if open_:
        chances = ", ".join(f"{_label(row)} with {100 * row['probability_conforms']:.0f} %" for row in open_)
        return f"after that, with this U, still not sure: {chances}; more photos, from nearer, tell more"
    worst = min(rows, key=lambda row: row["probability_conforms"])
    least = f"{_label(worst)} least surely, with {100 * worst['probability_conforms']:.0f} %"
    return f"after that every figure should be inside ({least})"


def _where(document: dict[str, Any]) -> str:
    if _is_mat(document):
        return "on the floor"
    return "ahead of the car" if document["side"] == "ahead" else "behind the car"


def _signs(document: dict[str, Any]) -> list[str]:
    """What + means for the figures there are."""
    if _is_mat(document):
        return ["ahead + towards the car's front", f"left {PLUS['lateral']}"]
    forward = "away from" if document["side"] == "ahead" else "towards"  # the car's forward direction
    signs = {"pitch": f"+ leans the top {forward} the car", "roll": PLUS["roll"], "yaw": PLUS["yaw"]}
    labels = {_label(row) for row in document["figures"]}
    return [f"{label} {sign}" for label, sign in signs.items() if label in labels]


def _is_mat(document: dict[str, Any]) -> bool:
    """The figures are places of marks."""
    return not {_label(row) for row in document["figures"]} & {figure_label(name) for name in FIGURES}


def _called(document: dict[str, Any]) -> str:
    return f"{document['placement']}: {document['target']}" if document["placement"] else str(document["target"])


def _figures(document: dict[str, Any]) -> str:
    rows = []
    for row in document["figures"]:
        if "not_measured" in row:
            continue
        digits = 2 if row["unit"] == "deg" else 1
        judged = row["verdict"] != Verdict.NOT_JUDGED.value
        rows.append(
            [
                _label(row),
                number(row["measured"], digits),
                _number(row["required"], digits),
                _number(row["error"], digits, sign=True),
                f"{row['U']:.{digits}f}",
                _limits(row, digits) if judged else "",
                row["unit"],
                f"{100 * row['probability_conforms']:.1f} %" if judged else "",
                row["verdict"],
            ]
        )
    head = ["figure", "measured", "required", "error", "U (k = 2)", "tolerance", "", "probability inside", "verdict"]
    return table(head, rows, (1, 2, 3, 4, 5, 7))


def _number(value: float | None, digits: int, *, sign: bool = False) -> str:
    return "" if value is None else number(value, digits, sign=sign)


def _limits(row: dict[str, Any], digits: int) -> str:
    lower, upper = row["lower"], row["upper"]
    if lower is not None and upper is not None and abs(lower + upper) < 1e-9:
        return f"±{upper:.{digits}f}"
    return f"{'' if lower is None else f'{lower:+.{digits}f}'} … {'' if upper is None else f'{upper:+.{digits}f}'}"
