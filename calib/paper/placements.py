"""What a placement sheet says, read and normalised: mm and radians, signs of the line frame.

`calib.paper.sheet` reads the file.
"""

from __future__ import annotations

import datetime
import math
import re
from dataclasses import dataclass
from typing import Literal

FIGURES = ("distance_mm", "lateral_mm", "height_mm", "yaw_rad", "pitch_rad", "roll_rad")
ORIGIN_WHEELS: dict[str, tuple[str, ...]] = {
    "front-axle": ("front_left", "front_right"),
    "rear-axle": ("rear_left", "rear_right"),
    "front-left": ("front_left",),
    "front-right": ("front_right",),
    "rear-left": ("rear_left",),
    "rear-right": ("rear_right",),
}
POINT = "point:"
"""A touched point as origin: "point:bumper"."""
BOARD = "board:"
"""A floor mark as origin: the centre mark of a floor board, "board:floor-13"."""
POINT_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]*")
Side = Literal["ahead", "behind"]
HeightFrom = Literal["floor", "wheels"]
TargetKind = Literal["panel", "reflector", "mat"]
LineName = Literal["thrust", "centreline"]
Line = LineName | tuple[str, str]
Place = tuple[tuple[str, float], ...]
"""Bodies whose origins, so weighted, have the place as their mean."""


@dataclass(frozen=True, slots=True)
class Required:
    """One value a sheet asks for.

    Attributes
    ----------
    name : str
        One of `FIGURES`, or "MARK_ahead_mm", "MARK_left_mm" of a mat; its suffix is the unit of the other three.
    value : float
        Sign of the line frame: a distance behind the car is negative.
    lower, upper : float
        Limits of the *error*, measured − required, same sign; −inf and inf where the sheet sets none.
    """

    name: str
    value: float
    lower: float = -math.inf
    upper: float = math.inf

    @property
    def judged(self) -> bool:
        """Whether the sheet sets a limit."""
        return math.isfinite(self.lower) or math.isfinite(self.upper)


@dataclass(frozen=True, slots=True)
class Provenance:
    """Where the numbers come from, who typed them and who compared them with the document ("" when nobody did)."""

    document: str
    typed_by: str
    edition: str = ""
    date_read: datetime.date | None = None
    checked_by: str = ""


@dataclass(frozen=True, slots=True)
class FloorLimits:
    """What the floor must keep for this placement; inf where the sheet sets no limit.

    Attributes
    ----------
    pitch_rad, roll_rad : float
        Most slope of the floor between car and target against the plane the car's wheels stand on, along the line and across
        it, either way.
    flatness_mm : float
        Most that the floor there departs from its mean plane, up or down.
    """

    pitch_rad: float = math.inf
    roll_rad: float = math.inf
    flatness_mm: float = math.inf

    @property
    def given(self) -> dict[str, float]:
        """The limits that are set, by name."""
        limits = {"pitch_rad": self.pitch_rad, "roll_rad": self.roll_rad, "flatness_mm": self.flatness_mm}
        return {name: most for name, most in limits.items() if math.isfinite(most)}


@dataclass(frozen=True, slots=True)
class Clearance:
    """Free room the document asks for; 0 where it asks for none.

    Attributes
    ----------
    sides_mm : float
        Beside the target, to its left and right, from its edges.
    beyond_mm : float
        Beyond the target, away from the car.
    between_mm : float
        To each side of the straight way from the origin to the target.
    floor_mm : float
        Under the target, from the floor to its lower edge.
    """

    sides_mm: float = 0.0
    beyond_mm: float = 0.0
    between_mm: float = 0.0
    floor_mm: float = 0.0

    @property
    def given(self) -> dict[str, float]:
        """What is asked for, by name."""
        rooms = {
            "sides_mm": self.sides_mm,
            "beyond_mm": self.beyond_mm,
            "between_mm": self.between_mm,
            "floor_mm": self.floor_mm,
        }
        return {name: least for name, least in rooms.items() if least > 0.0}


@dataclass(frozen=True, slots=True)
class TargetSize:
    """Outer size of the target, for drawings and room."""

    width_mm: float
    height_mm: float
    depth_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Mark:
    """A marked point of a mat; its required place is in `Sheet.required` as "NAME_ahead_mm" and "NAME_left_mm".

    `at` is where it is measured: "point:NAME", touched there.
    """

    name: str
    at: str

    @property
    def names(self) -> tuple[str, str]:
        return f"{self.name}_ahead_mm", f"{self.name}_left_mm"


@dataclass(frozen=True, slots=True)
class Middle:
    """A point between others, resolved to touched points and boards with their weights."""

    name: str
    place: Place


@dataclass(frozen=True, slots=True)
class Confirmation:
    """Whether a second person compared the sheet's numbers with the document.

    Attributes
    ----------
    state : str
        "confirmed", or "draft": nobody did, or the sheet was changed since.
    words : str
        For people.
    by : str
    date : datetime.date or None
    accepted : tuple of str
        Suspicious numbers that person was asked about and accepted.
    """

    state: Literal["draft", "confirmed"]
    words: str
    by: str = ""
    date: datetime.date | None = None
    accepted: tuple[str, ...] = ()


UNCONFIRMED = Confirmation("draft", "draft: no second person has compared these numbers with the document")


@dataclass(frozen=True, slots=True)
class Sheet:
    """One required target position.

    Attributes
    ----------
    target : str
        What stands there, in the document's words.
    origin : str
        Where the distance starts: an axle or a wheel ("front-axle", "rear-left", ...), a touched point or one between touched
        points ("point:bumper"), or the centre mark of a floor board ("board:floor-13").
    line : str or pair of str
        "thrust", "centreline", or the two places it runs through, towards the car's front.
    side : str
        "ahead" of the car or "behind" it.
    required : tuple of Required
        The values the sheet gives, in the order of `FIGURES`; at least one. Of a mat: two for each mark.
    provenance : Provenance
    height_from : str
        The height is above the "floor" under the target, or above the plane the "wheels" stand on.
    floor_limits : FloorLimits
    name : str
        "" on a sheet with one nameless placement.
    kind : str
        A "panel" facing the car, a "reflector", or a "mat" on the floor.
    target_boards : tuple of str
        Boards the target is known by; none when the sheet names none.
    size : TargetSize or None
    clearance : Clearance
    marks : tuple of Mark
        Of a mat.
    together_with : str
        Name of the placement that stands at the same time; "" for none.
    middles : tuple of Middle
        Points of the sheet that are defined by others.
    confirmation : Confirmation
    """

    target: str
    origin: str
    line: Line
    side: Side
    required: tuple[Required, ...]
    provenance: Provenance
    height_from: HeightFrom = "floor"
    floor_limits: FloorLimits = FloorLimits()
    name: str = ""
    kind: TargetKind = "panel"
    target_boards: tuple[str, ...] = ()
    size: TargetSize | None = None
    clearance: Clearance = Clearance()
    marks: tuple[Mark, ...] = ()
    together_with: str = ""
    middles: tuple[Middle, ...] = ()
    confirmation: Confirmation = UNCONFIRMED

    @property
    def origin_wheels(self) -> tuple[str, ...]:
        """Wheels whose reference points have the origin as their mean; none when it is another point."""
        return ORIGIN_WHEELS.get(self.origin, ())

    @property
    def origin_place(self) -> Place:
        """Where the origin is when it is no axle or wheel."""
        return () if self.origin_wheels else self.place(self.origin)

    @property
    def line_places(self) -> tuple[Place, ...]:
        """The two places the line runs through; none when it is a line of the car."""
        return () if isinstance(self.line, str) else (self.place(self.line[0]), self.place(self.line[1]))

    @property
    def used_places(self) -> tuple[str, ...]:
        """Bodies of all touched points and floor marks this placement is made of."""
        places = (self.origin_place, *self.line_places, *(self.place(mark.at) for mark in self.marks))
        return tuple(dict.fromkeys(body for place in places for body, _ in place))

    @property
    def touched_points(self) -> tuple[str, ...]:
        """Names of the touched points among them."""
        return tuple(body.removeprefix(POINT) for body in self.used_places if body.startswith(POINT))

    def place(self, name: str) -> Place:
        """Where a named place is, by the bodies it is the mean of."""
        known = {f"{POINT}{middle.name}": middle.place for middle in self.middles}
        return known.get(name, ((name, 1.0),))

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(required.name for required in self.required)

    def __contains__(self, name: object) -> bool:
        return name in self.names

    def __getitem__(self, name: str) -> Required:
        for required in self.required:
            if required.name == name:
                return required
        raise KeyError(f"the sheet gives no {name}")

    def printed_sign(self, name: str) -> float:
        """−1 for the distance of a target behind the car, which people read positive with the word "behind"; else 1."""
        return -1.0 if name == "distance_mm" and self.side == "behind" else 1.0


@dataclass(frozen=True, slots=True)
class PlacementSheet:
    """Placements in the order of the work, and who confirmed them."""

    placements: tuple[Sheet, ...]
    confirmation: Confirmation

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(sheet.name for sheet in self.placements)

    def __getitem__(self, name: str) -> Sheet:
        for sheet in self.placements:
            if sheet.name == name:
                return sheet
        raise KeyError(f"the sheet has no placement {name}")

    def together(self, name: str) -> tuple[Sheet, ...]:
        """The placement and those that stand at the same time, in the sheet's order."""
        group: set[str] = set()
        found = {name}
        while found - group:
            group |= found
            found = {self[one].together_with or one for one in group}
            found |= {sheet.name for sheet in self.placements if sheet.together_with in group}
        return tuple(sheet for sheet in self.placements if sheet.name in group)
