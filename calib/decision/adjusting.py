"""Which castor, slide, spindle or screw makes a move of the target, and how far it goes: in mm, turns or marks."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.geometry.placement import Placement, from_euler
from calib.geometry.stand import target_from_seen
from calib.paper.adjusters import WAYS, Adjuster, Motion
from calib.paper.sheet import Sheet
from calib.paper.stand import Pivot, Stand
from vision.frames import Array

MOTIONS: dict[str, Motion] = {
    "yaw_rad": "turn",
    "distance_mm": "distance",
    "lateral_mm": "lateral",
    "height_mm": "height",
    "pitch_rad": "tip",
    "roll_rad": "tilt",
}
STAYS_MM = 0.05
"""An adjuster that would go less stays: it is what the target turns about."""
OBLIQUE = 0.9


@dataclass(frozen=True, slots=True)
class Use:
    """How one adjuster makes a move; what the stand file does not say is None or empty."""

    adjuster: str
    mm: float | None
    turns: float | None
    marks: float | None
    way: str


def uses(figure: str, amount: float, placement: Placement, sheet: Sheet, stand: Stand) -> tuple[Use, ...]:
    """Every adjuster that makes this move; `figure` and `amount` in the signs of `calib.decision.moves.Move`."""
    motion = MOTIONS[figure]
    made = (_use(one, motion, amount, placement, sheet, stand.pivot) for one in stand.adjusters if motion in one.makes)
    return tuple(use for use in made if use.mm is None or use.mm >= STAYS_MM)


def in_brackets(some: Sequence[Use], *, angle: bool) -> str:
    """For the end of a move's words: "" without adjusters, else " [left castor: 3.7 mm away from the car; …]".

    Parameters
    ----------
    angle : bool
        The move is a turn, tip or tilt; the millimetres of any other stand in its own words.
    """
    return f" [{'; '.join(_words(use, angle) for use in some)}]" if some else ""


def use_documents(some: Sequence[Use]) -> list[dict[str, object]]:
    return [{"adjuster": u.adjuster, "mm": u.mm, "turns": u.turns, "marks": u.marks, "way": u.way or None} for u in some]


def _use(one: Adjuster, motion: Motion, amount: float, placement: Placement, sheet: Sheet, pivot: Pivot | None) -> Use:
    plus = amount > 0
    if motion in ("distance", "tip") and sheet.side == "behind":
        plus = not plus
    way = one.ways.get(WAYS[motion][0 if plus else 1], "")
    mm = abs(amount) if motion in ("distance", "lateral", "height") else None
    if motion == "turn" and one.place_mm is not None:
        travel = _travel_mm(one.place_mm, amount, placement, sheet, pivot)
        mm, way = float(np.linalg.norm(travel)), way or direction(travel, sheet)
    elif mm is None and one.arm_mm is not None:
        mm = 2.0 * one.arm_mm * math.sin(abs(amount) / 2.0)
    use = Use(one.name, mm, None, None, way)
    if mm is None:
        return use
    turns = None if one.mm_per_turn is None else mm / one.mm_per_turn
    return replace(use, turns=turns, marks=None if one.mm_per_mark is None else mm / one.mm_per_mark)


def _travel_mm(
    place_mm: tuple[float, float], turn_rad: float, placement: Placement, sheet: Sheet, pivot: Pivot | None
) -> Array:
    """How a turn carries a place on the stand, (x, y) of the line frame."""
    about = (0.0, 0.0) if pivot is None else (pivot.right_mm, pivot.behind_mm)
    lever = target_from_seen(sheet.side).apply([place_mm[0] - about[0], 0.0, place_mm[1] - about[1]])
    lever = from_euler(float(placement.measured.value[placement.measured.index("yaw_rad")]), 0.0, 0.0) @ lever
    return np.asarray((from_euler(turn_rad, 0.0, 0.0) @ lever - lever)[:2], dtype=float)


def direction(travel: Array, sheet: Sheet) -> str:
    """Which way a horizontal travel (2,) of the line frame goes, as told beside the car."""
    x, y = travel
    # Castors of a target at 45° go half way between: both are told by the car's length then, not one by each.
    if abs(x) >= OBLIQUE * abs(y):
        return f"{'away from' if (x > 0) == (sheet.side == 'ahead') else 'towards'} the car"
    return f"towards the car's {'left' if y > 0 else 'right'}"


def _words(use: Use, angle: bool) -> str:
    if use.turns is not None:
        size = f"{_short(use.turns)} turns"
    elif use.marks is not None:
        size = f"{_short(use.marks)} marks"
    else:
        size = f"{use.mm:.1f} mm" if angle and use.mm is not None else ""
    said = " ".join(part for part in (size, use.way) if part)
    also = f" ({use.mm:.1f} mm)" if angle and use.mm is not None and (use.turns or use.marks) else ""
    return f"{use.adjuster}: {said}{also}" if said else use.adjuster


def _short(value: float) -> str:
    return f"{value:.1f}" if value >= 1.0 else f"{value:.2f}"
