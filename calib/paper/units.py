"""Lengths and angles as documents give them, into millimetres and degrees by exact definitions.

The international inch is 25.4 mm exactly (international yard and pound agreement of 1959); a degree has sixty minutes.
"""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

Kind = Literal["mm", "deg"]
"""What a figure is in the house: a length in mm, or an angle in degrees."""
FACTORS: dict[Kind, dict[str, Fraction]] = {
    "mm": {"mm": Fraction(1), "cm": Fraction(10), "m": Fraction(1000), "in": Fraction(254, 10)},
    "deg": {"deg": Fraction(1), "min": Fraction(1, 60)},
}
SHOWN: dict[Kind, str] = {"mm": '"2600 mm", "260 cm", "2.6 m" or "102 3/8 in"', "deg": '"0.5 deg", "30 min" or "0 deg 30 min"'}
MOST = 1e9
EXACT = 1e-6
"""Rounding of unit conversions, minutes of arc or hundredths of a degree."""
_NUMBER = r"(?P<number>\d{1,9}(?:\.\d{1,9})?|\.\d{1,9})"
_PLAIN = re.compile(rf"\s*(?P<sign>[+-]?)\s*{_NUMBER}\s*(?P<unit>[a-z]+)\s*")
_DEGREES_MINUTES = re.compile(rf"\s*(?P<sign>[+-]?)\s*(?P<whole>\d{{1,3}})\s*deg\s*{_NUMBER}\s*min\s*")
_INCHES = re.compile(r"\s*(?P<sign>[+-]?)\s*(?:(?P<whole>\d{1,6})\s+)?(?P<top>\d{1,2})/(?P<bottom>2|4|8|16|32|64)\s*in\s*")


@dataclass(frozen=True, slots=True)
class Amount:
    """A number with the unit that was typed with it, "" when none was."""

    number: Fraction
    unit: str = ""

    def in_house(self, kind: Kind, unit: str = "") -> float:
        """In mm or degrees; `unit` counts for a number without one.

        Raises
        ------
        ValueError
            In words: no unit, one that is not known, or one of another kind.
        """
        name = self.unit or unit
        if not name:
            raise ValueError(f'has no unit: write unit = "{kind}" beside it, or a text such as {SHOWN[kind]}')
        return float(self.number * factor(kind, name))


def factor(kind: Kind, unit: str) -> Fraction:
    """What one of a unit is in mm or degrees.

    Raises
    ------
    ValueError
        No such unit for this kind of figure.
    """
    if unit not in FACTORS[kind]:
        known = ", ".join(FACTORS[kind])
        what = "a length" if kind == "mm" else "an angle"
        raise ValueError(f"unknown unit {unit!r}: {what} is given in {known}")
    return FACTORS[kind][unit]


def amount(typed: object, kind: Kind) -> Amount:
    """A number, or a text that holds its unit.

    Raises
    ------
    ValueError
        In words: neither.
    """
    if isinstance(typed, bool) or not isinstance(typed, int | float | str):
        raise ValueError(f"should be a number, or a text with its unit such as {SHOWN[kind]}, not {_brief(typed)}")
    if isinstance(typed, str):
        return _of_text(typed, kind)
    if typed != typed or typed in (float("inf"), float("-inf")):
        raise ValueError(f"should be a finite number, not {typed}")
    if abs(typed) > MOST:
        raise ValueError("is larger than any length or angle")
    return Amount(Fraction(typed) if isinstance(typed, int) else Fraction(repr(typed)))


def minutes_beside(deg: float) -> str:
    """ " (20 min)" for 0.3333 deg: whole minutes of arc that decimals of a degree cannot say; "" for others."""
    minutes, hundredths = 60.0 * deg, 100.0 * deg
    if abs(minutes - round(minutes)) > EXACT or abs(hundredths - round(hundredths)) < EXACT:
        return ""
    return f" ({round(minutes)} min)"


def _of_text(text: str, kind: Kind) -> Amount:
    if found := _PLAIN.fullmatch(text):
        return Amount(_signed(found, Fraction(found["number"])), found["unit"])
    if kind == "deg" and (found := _DEGREES_MINUTES.fullmatch(text)):
        minutes = Fraction(found["number"])
        if minutes >= 60:
            raise ValueError(f"{text!r} has sixty minutes or more: a full sixty are a degree")
        return Amount(_signed(found, int(found["whole"]) + minutes / 60), "deg")
    if kind == "mm" and (found := _INCHES.fullmatch(text)):
        part = Fraction(int(found["top"]), int(found["bottom"]))
        if part >= 1:
            raise ValueError(f"{text!r} has a fraction of one inch or more: write it as whole inches and a rest")
        return Amount(_signed(found, int(found["whole"] or 0) + part), "in")
    raise ValueError(f"{_brief(text)} is not understood: a number, or a text with its unit such as {SHOWN[kind]}")


def _signed(found: re.Match[str], size: Fraction) -> Fraction:
    return -size if found["sign"] == "-" else size


def _brief(typed: object) -> str:
    if isinstance(typed, bool):
        return str(typed).lower()
    text = typed.isoformat() if isinstance(typed, datetime.date | datetime.time) else repr(typed)
    return text if len(text) <= 40 else f"{text[:40]}…"
