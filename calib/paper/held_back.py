"""Why a check says `undecided` although every figure it measured is inside its tolerance, and what to do about it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from calib.decision.verdict import Verdict, boards_unsettled

CAR_LIMITS = "the car is not shown to be within its limits"
"""How the remark about limits of a vehicle file begins."""


@dataclass(frozen=True, slots=True)
class Holdup:
    """What is not shown, in words, and the step that would show it."""

    words: str
    step: str


def all_inside(check: Mapping[str, Any]) -> bool:
    """Whether every judged figure that a check (`check/1`) measured conforms by itself, so that no move is needed."""
    judged = [
        row["verdict"] for row in check.get("figures", ()) if row.get("verdict", "not judged") != Verdict.NOT_JUDGED.value
    ]
    return bool(judged) and all(verdict == Verdict.CONFORMS.value for verdict in judged)


def holdups(check: Mapping[str, Any]) -> list[Holdup]:
    """What keeps a check with `all_inside` from `conforms`; empty when its document does not tell."""
    out = []
    car, floor = check.get("car", {}), check.get("floor", {})
    if not car.get("seen") and car.get("not_seen_reason") is None:
        out.append(
            Holdup("the car was not seen", "photograph a wheel board with floor boards as well, to show that the car stayed")
        )
    limits = [row for row in floor.get("limits", ()) if row["verdict"] != Verdict.CONFORMS.value]
    if limits and not floor.get("overruled"):
        out.append(
            Holdup("the floor is not shown to keep the sheet's limits", "find a better place for the target, or level this one")
        )
    if any(remark.startswith(CAR_LIMITS) for remark in check.get("remarks", ())):
        out.append(Holdup(CAR_LIMITS, "put the car right, or overrule the limit with a reason"))
    if boards_unsettled([row["agrees"] for row in check.get("second_boards", ())]):
        step = "measure their places on the target again, or teach them: bayfix stand teach"
        out.append(Holdup("the boards on the target contradict each other", step))
    missing = [str(row["name"]).rsplit("_", 1)[0] for row in check.get("figures", ()) if "not_measured" in row]
    if missing:
        out.append(Holdup(f"not measured: {', '.join(missing)}", f"see why it was not measured ({', '.join(missing)})"))
    return out
