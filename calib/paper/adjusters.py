"""What a stand is moved by: castors, slides, spindles and screws, in the shop's words, as a stand file lists them.

Nothing is measured by them: they turn a move of the target into what a hand does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from calib.paper.entries import Filled
from vision.toml_io import EntryError, FileModel

Motion = Literal["turn", "distance", "lateral", "height", "tip", "tilt"]
WAYS: Mapping[Motion, tuple[str, str]] = {
    "turn": ("counter_clockwise", "clockwise"),
    "distance": ("away", "towards"),
    "lateral": ("left", "right"),
    "height": ("up", "down"),
    "tip": ("away", "towards"),
    "tilt": ("left_up", "left_down"),
}
"""The two ways of each motion: turned as seen from above, from the car, to the car's left, the target's top, its left side."""
ANGULAR: tuple[Motion, ...] = ("turn", "tip", "tilt")
Offset = Annotated[float, Field(ge=-5000.0, le=5000.0)]
Positive = Annotated[float, Field(gt=0.0, le=5000.0)]


@dataclass(frozen=True, slots=True)
class Adjuster:
    """A part of the stand that a hand moves.

    Attributes
    ----------
    name : str
        In the shop's words.
    makes : tuple of str
        Motions of the target it makes.
    place_mm : (float, float) or None
        Right and behind, from the target's centre, as seen facing the target: for a turn.
    arm_mm : float or None
        Its distance from the axis that the target turns, tips or tilts about.
    mm_per_turn, mm_per_mark : float or None
        How far one turn, or one mark of its scale, takes it.
    ways : mapping of str to str
        What the hand does for each way of a motion (`WAYS`); empty where that is plain.
    """

    name: str
    makes: tuple[Motion, ...]
    place_mm: tuple[float, float] | None = None
    arm_mm: float | None = None
    mm_per_turn: float | None = None
    mm_per_mark: float | None = None
    ways: Mapping[str, str] = field(default_factory=dict)


class AdjusterEntry(FileModel):
    """An `[[adjuster]]` of a stand file."""

    name: Filled
    makes: Annotated[list[Motion], Field(min_length=1)]
    right_mm: Offset | None = None
    behind_mm: Offset | None = None
    arm_mm: Positive | None = None
    mm_per_turn: Positive | None = None
    mm_per_mark: Positive | None = None
    ways: dict[str, Filled] = {}

    @model_validator(mode="after")
    def _lever(self) -> Self:
        if (self.right_mm is None) != (self.behind_mm is None):
            raise ValueError("right_mm and behind_mm belong together: write both or neither")
        if self.right_mm is not None and "turn" not in self.makes:
            raise ValueError("right_mm and behind_mm serve a turn only, and it makes none: strike them, or add it to makes")
        if self.right_mm is not None and self.arm_mm is not None:
            raise ValueError("arm_mm and right_mm, behind_mm say the same twice: keep one")
        if self.arm_mm is not None and not set(self.makes) & set(ANGULAR):
            raise ValueError(f"arm_mm serves {', '.join(ANGULAR)}, and it makes none of them: strike it")
        return self

    @model_validator(mode="after")
    def _scale(self) -> Self:
        if self.mm_per_turn is not None and self.mm_per_mark is not None:
            raise ValueError("mm_per_turn and mm_per_mark: keep the one the hand goes by")
        scaled = self.mm_per_turn is not None or self.mm_per_mark is not None
        if scaled and self.arm_mm is None and self.right_mm is None and set(self.makes) <= set(ANGULAR):
            raise ValueError("mm_per_turn and mm_per_mark need arm_mm: without it nobody knows how many mm an angle is")
        return self

    @model_validator(mode="after")
    def _both_ways(self) -> Self:
        known = {way for motion in self.makes for way in WAYS[motion]}
        wrong = sorted(self.ways.keys() - known)
        if wrong:
            raise ValueError(f"ways.{wrong[0]} is no way of what it makes: those are {', '.join(sorted(known))}")
        for motion in self.makes:
            given = [way for way in WAYS[motion] if way in self.ways]
            if len(given) == 1:
                raise ValueError(f"ways has {given[0]} alone: write {' and '.join(WAYS[motion])}")
            if given and self.ways[given[0]] == self.ways[given[1]]:
                raise EntryError(f"says {self.ways[given[0]]!r} for {given[0]} and for {given[1]}", "ways")
        return self

    def adjuster(self) -> Adjuster:
        place = None if self.right_mm is None or self.behind_mm is None else (self.right_mm, self.behind_mm)
        makes = tuple(dict.fromkeys(self.makes))
        return Adjuster(self.name, makes, place, self.arm_mm, self.mm_per_turn, self.mm_per_mark, dict(self.ways))
