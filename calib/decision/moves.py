"""The moves that mend a placement, in a technician's words: what to shift, turn, raise and tip, and by how much."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from calib.decision.adjusting import Use, in_brackets, use_documents, uses
from calib.decision.verdict import COVERAGE, Rule, Verdict, conformance_probability, verdict_of
from calib.geometry.placement import ANGLES, Placement, from_euler
from calib.geometry.stand import pivot_in_target_mm
from calib.paper.sheet import Sheet
from calib.paper.stand import Pivot, Stand
from vision.frames import Array

ORDER = ("yaw_rad", "distance_mm", "lateral_mm", "height_mm", "pitch_rad", "roll_rad")
"""As a technician works: turn the stand, shift it, then raise, tip and tilt the target on it."""
SHIFT = "move the stand "
LEAVE = "leave the stand where it is: no error is larger than its U"


@dataclass(frozen=True, slots=True)
class Move:
    """One move of the stand or the target.

    Attributes
    ----------
    figure : str
        The figure of the sheet it mends ("lateral_mm", "yaw_rad", …).
    amount : float
        Signed change in the line frame, mm or rad: + is forward, to the car's left, up, counter-clockwise from above, top
        towards the car's front, car's left side up.
    words : str
        With its size, for a technician.
    uses : tuple of Use
        Castors, slides and screws that make it, where the stand file lists them; they stand in brackets in the words.
    """

    figure: str
    amount: float
    words: str
    uses: tuple[Use, ...] = ()


@dataclass(frozen=True, slots=True)
class Expected:
    """A figure as it should be found after the moves, by this measurement: its error, and what would be said of it.

    A person moves no stand exactly: what the moves themselves miss is not in it, the next check shows that.
    """

    figure: str
    error: float
    probability: float | None
    verdict: Verdict


def moves(placement: Placement, sheet: Sheet, pivot: Pivot | None = None) -> tuple[Move, ...]:
    """Moves that bring every given figure to its required value; those smaller than the figure's U are not asked for.

    The turn is made about `pivot` where the stand has one, about the upright line through the target's centre otherwise, and
    the shifts are sized so that the turn and the shifts together end at zero, in whichever order they are made.

    Notes
    -----
    A turn about the pivot by −yaw error carries the centre P along; the shift is what is left:
    shift = −error − (Rz(−yaw error) − 1)(P − pivot), with all vectors in the line frame.
    """
    error = dict(zip(placement.error.names, map(float, placement.error.value), strict=True))
    turn_rad = -error["yaw_rad"] if _asked("yaw_rad", error.get("yaw_rad", 0.0), placement) else 0.0
    swing = _swing_mm(turn_rad, placement, sheet, pivot)
    asked = {name: -error[name] for name in ORDER if name in error}
    for name, part in zip(("distance_mm", "lateral_mm"), swing, strict=True):
        if name in asked:
            asked[name] -= float(part)
    return tuple(Move(name, a, _words(name, a, sheet, pivot)) for name, a in asked.items() if _asked(name, a, placement))


def moves_of(placement: Placement, sheet: Sheet, stand: Stand) -> tuple[Move, ...]:
    """As `moves`, with what the stand is moved by."""
    out = []
    for move in moves(placement, sheet, stand.pivot):
        made = uses(move.figure, move.amount, placement, sheet, stand)
        out.append(replace(move, words=move.words + in_brackets(made, angle=move.figure.endswith("_rad")), uses=made))
    return tuple(out)


def in_words(asked: tuple[Move, ...]) -> str:
    """All moves as one instruction."""
    words = [move.words for move in asked]
    said = [
        word.removeprefix(SHIFT) if i and words[i - 1].startswith(SHIFT) and word.startswith(SHIFT) else word
        for i, word in enumerate(words)
    ]
    return ", ".join(said) if said else LEAVE


def expected(
    placement: Placement, sheet: Sheet, asked: tuple[Move, ...], pivot: Pivot | None = None, rule: Rule = Rule.PROBABILITY
) -> tuple[Expected, ...]:
    """Every given figure after the moves: what is moved ends at zero, and a turn about the pivot shifts the target."""
    amount = {move.figure: move.amount for move in asked}
    swing = dict(zip(ORDER[1:3], _swing_mm(amount.get("yaw_rad", 0.0), placement, sheet, pivot), strict=True))
    out = []
    for name, error, u in zip(placement.error.names, placement.error.value, _sigmas(placement), strict=True):
        left = 0.0 if name in amount else float(error + swing.get(name, 0.0))
        one = sheet[name]
        probability = conformance_probability(left, u, one.lower, one.upper) if one.judged else None
        out.append(Expected(name, left, probability, verdict_of(left, u, one.lower, one.upper, rule)))
    return tuple(out)


def _sigmas(placement: Placement) -> list[float]:
    return [placement.error.sigma(name) for name in placement.error.names]


def expected_documents(found: tuple[Expected, ...], sheet: Sheet) -> list[dict[str, object]]:
    """Machine-readable: figure, error left (as printed in `figures`), conformance probability, verdict."""
    rows: list[dict[str, object]] = []
    for one in found:
        angle = one.figure.endswith("_rad")
        error = math.degrees(one.error) if angle else one.error
        rows.append(
            {
                "name": one.figure.replace("_rad", "_deg"),
                "unit": "deg" if angle else "mm",
                "error": error * sheet.printed_sign(one.figure),
                "probability_conforms": one.probability,
                "verdict": one.verdict.value,
            }
        )
    return rows


def documents(asked: tuple[Move, ...], pivot: Pivot | None = None) -> list[dict[str, object]]:
    """Machine-readable moves: figure, amount in mm or deg, the axis of a turn, words."""
    return [_document(move, pivot) for move in asked]


def _document(move: Move, pivot: Pivot | None) -> dict[str, object]:
    angle = move.figure.endswith("_rad")
    out: dict[str, object] = {
        "name": move.figure.replace("_rad", "_deg"),
        "unit": "deg" if angle else "mm",
        "amount": math.degrees(move.amount) if angle else move.amount,
        "words": move.words,
    }
    if move.figure == "yaw_rad":
        out["about"] = "target centre" if pivot is None else "pivot"
    if move.uses:
        out["adjusters"] = use_documents(move.uses)
    return out


def _asked(name: str, amount: float, placement: Placement) -> bool:
    return name in placement.error.names and abs(amount) > COVERAGE * placement.error.sigma(name)


def _swing_mm(turn_rad: float, placement: Placement, sheet: Sheet, pivot: Pivot | None) -> Array:
    """Shift of the target's centre, (x, y) of the line frame, by turning the stand about its pivot."""
    if pivot is None or turn_rad == 0.0:
        return np.zeros(2)
    angles = (float(placement.measured.value[placement.measured.index(name)]) for name in ANGLES)
    line_from_target = from_euler(*angles)
    centre_from_pivot = -(line_from_target @ pivot_in_target_mm(pivot, sheet.side))
    turned = from_euler(turn_rad, 0.0, 0.0) @ centre_from_pivot
    return np.asarray((turned - centre_from_pivot)[:2], dtype=float)


def _words(name: str, amount: float, sheet: Sheet, pivot: Pivot | None) -> str:
    """Size and direction; `amount` in the signs of `Move`."""
    plus = amount > 0
    away = plus == (sheet.side == "ahead")
    size = f"{math.degrees(abs(amount)):.2f}°" if name.endswith("_rad") else f"{abs(amount):.1f} mm"
    if name == "distance_mm":
        return f"{SHIFT}{size} {'away from' if away else 'towards'} the car"
    if name == "lateral_mm":
        return f"{SHIFT}{size} towards the car's {'left' if plus else 'right'} (driver looking forward)"
    if name == "height_mm":
        return f"{'raise' if plus else 'lower'} the target {size}"
    if name == "yaw_rad":
        about = "on its pivot" if pivot is not None else "about the middle of the target"
        return f"turn it {size} {'counter-clockwise' if plus else 'clockwise'} seen from above, {about}"
    if name == "pitch_rad":
        return f"tip the top of the target {size} {'away from' if away else 'towards'} the car"
    side = "up" if plus else "down"
    return f"tilt the target {size}: its side on the car's left {side} (driver looking forward)"
