"""Alignment figures of the car as it stands in `rest`: toe, camber, thrust direction and angle, axle midpoints, base and track.

Definitions and signs: DEVELOPERS.md, "Conventions" (after ISO 8855:2011): toe-in positive, camber positive when the top leans
outward, thrust angle positive to the left. Toe and camber refer to the floor's up, not to the body.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.geometry import lines
from calib.geometry.lines import FLOOR, FRONT, REAR, WHEELS, Poses, axle_body
from vision.frames import Array, Estimate, Pose
from vision.poses import PoseSet

COVERAGE = 2.0
TO_CENTRELINE = "to the centreline"
TO_THRUST = "to the thrust line"


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured figure in the unit a person reads: `unit` is "deg" or "mm", `u` the expanded uncertainty (k = 2)."""

    name: str
    unit: str
    value: float
    u: float
    note: str


@dataclass(frozen=True, slots=True)
class NotMeasured:
    """A figure that cannot be had, and why."""

    name: str
    unit: str
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class VehicleFigures:
    """The alignment table.

    Attributes
    ----------
    estimate : Estimate
        All measured figures, joint, rad and mm; names carry the unit ("rear_total_toe_rad").
    figures : tuple of Figure
        The same for people, in the same order.
    missing : tuple of NotMeasured
    """

    estimate: Estimate
    figures: tuple[Figure, ...]
    missing: tuple[NotMeasured, ...]

    def __getitem__(self, name: str) -> Figure:
        for figure in self.figures:
            if figure.name == name:
                return figure
        raise KeyError(f"{name!r} was not measured")

    def without(self, sources: Collection[str]) -> VehicleFigures:
        """The same table as if the named sources of uncertainty had no error: shows their share."""
        estimate = self.estimate.without(sources)
        named = zip(self.figures, estimate.names, strict=True)
        figures = tuple(replace(f, u=COVERAGE * estimate.sigma(name) * _factor(f.unit)) for f, name in named)
        return VehicleFigures(estimate, figures, self.missing)


@dataclass(frozen=True, slots=True)
class _Recipe:
    """How a figure is made: from which spin axes, whether their reference points must be known, and how it is called."""

    name: str
    unit: str
    axles: tuple[str, ...]
    pointed: bool
    function: Callable[[Poses], float]
    note: str = ""


def vehicle_figures(poses: PoseSet, reference_known: Collection[str] = ()) -> VehicleFigures:
    """All figures the spin axes give.

    Parameters
    ----------
    poses : PoseSet
        "floor" and "axle:…" bodies; both rear axles at least.
    reference_known : collection of str
        Wheels whose stand-off has been applied. Without it for all four there is no centreline: toes are then given to the
        thrust line (a rear one is half the total toe) and say so in their note.
    """
    present = [wheel for wheel in WHEELS if axle_body(wheel) in poses]
    lines.need_axles(poses, REAR, "thrust direction")
    bodies = [FLOOR, *(axle_body(wheel) for wheel in present)]
    centred = set(WHEELS) <= set(present) & set(reference_known)
    done, missing = [], []
    for recipe in _recipes(centred):
        reason = _why_not(recipe, present, reference_known)
        if reason:
            missing.append(NotMeasured(recipe.name, recipe.unit, reason))
        else:
            done.append(recipe)

    def values(state: PoseSet) -> Array:
        by_body: dict[str, Pose] = {pose.source: pose for pose in state.poses}
        return np.array([recipe.function(by_body) for recipe in done])

    suffix = {"deg": "rad", "mm": "mm"}
    estimate = poses.of(bodies).propagate([f"{r.name}_{suffix[r.unit]}" for r in done], values)
    figures = tuple(_figure(recipe, estimate, i) for i, recipe in enumerate(done))
    return VehicleFigures(estimate, figures, tuple(missing))


def value_of(name: str, reference_known: Collection[str]) -> Callable[[Poses], float]:
    """The function of the poses behind a figure, by its name in `VehicleFigures.estimate` ("rear_total_toe_rad").

    Raises
    ------
    KeyError
    """
    for recipe in _recipes(set(WHEELS) <= set(reference_known)):
        if name == f"{recipe.name}_{'rad' if recipe.unit == 'deg' else 'mm'}":
            return recipe.function
    raise KeyError(name)


def _figure(recipe: _Recipe, estimate: Estimate, i: int) -> Figure:
    factor = _factor(recipe.unit)
    u = COVERAGE * math.sqrt(estimate.cov[i, i])
    return Figure(recipe.name, recipe.unit, factor * float(estimate.value[i]), factor * u, recipe.note)


def _factor(unit: str) -> float:
    return math.degrees(1.0) if unit == "deg" else 1.0


def _why_not(recipe: _Recipe, present: Collection[str], reference_known: Collection[str]) -> str:
    unseen = [wheel for wheel in recipe.axles if wheel not in present]
    if unseen:
        return f"not measured: no spin axis of the {_words(unseen)} wheel"
    unknown = [wheel for wheel in recipe.axles if recipe.pointed and wheel not in reference_known]
    if unknown:
        return f"not measured: stand-off missing ({_words(unknown)})"
    return ""


def _recipes(centred: bool) -> list[_Recipe]:
    out = _toes(centred)
    out += [_Recipe(f"camber_{wheel}", "deg", (wheel,), False, _camber(wheel)) for wheel in WHEELS]
    four = REAR + FRONT
    out += [
        _Recipe("thrust_angle", "deg", four, True, _thrust_angle, "from the centreline, + to the car's left"),
        _Recipe("centreline_direction", "deg", four, True, _centreline_yaw, "yaw in the floor frame"),
    ]
    for label, pair, middle in (("rear", REAR, lines.rear_mid_mm), ("front", FRONT, lines.front_mid_mm)):
        for k, axis in enumerate("xyz"):
            note = f"{'R' if label == 'rear' else 'F'}, in the floor frame"
            out.append(_Recipe(f"{label}_midpoint_{axis}", "mm", pair, True, _coordinate(middle, k), note))
        out.append(_Recipe(f"track_{label}", "mm", pair, True, _gap(*pair)))
    for side in ("left", "right"):
        out.append(_Recipe(f"wheelbase_{side}", "mm", four, True, _base(side), "along the centreline"))
    out += [
        _Recipe("diagonal_front_left_rear_right", "mm", ("front_left", "rear_right"), True, _gap("front_left", "rear_right")),
        _Recipe("diagonal_front_right_rear_left", "mm", ("front_right", "rear_left"), True, _gap("front_right", "rear_left")),
        _Recipe("diagonal_difference", "mm", four, True, _diagonals, "front left to rear right minus front right to rear left"),
        _Recipe("wheelbase_difference", "mm", four, True, _bases, "left minus right, along the centreline"),
        _Recipe("setback_front", "mm", four, True, _setback(FRONT), "+ left wheel further forward, along the centreline"),
        _Recipe("setback_rear", "mm", four, True, _setback(REAR), "+ left wheel further forward, along the centreline"),
    ]
    return out


def _toes(centred: bool) -> list[_Recipe]:
    line: Callable[[Poses], Array] = lines.centreline_direction if centred else lines.thrust_direction
    note = f"toe-in +, {TO_CENTRELINE if centred else TO_THRUST}"

    def toe(axle: str, wheel: str) -> _Recipe:
        axles = WHEELS if centred else tuple(dict.fromkeys((*REAR, wheel)))
        side = wheel.removeprefix(f"{axle}_")
        return _Recipe(f"{axle}_toe_{side}", "deg", axles, centred, _toe(wheel, line), note)

    def to_thrust(wheel: str) -> _Recipe:
        side = wheel.removeprefix("front_")
        function = _toe(wheel, lines.thrust_direction)
        return _Recipe(f"front_toe_{side}_to_thrust", "deg", (*REAR, wheel), False, function, f"toe-in +, {TO_THRUST}")

    four = (*REAR, *FRONT)
    ahead = f"mean of both front wheels, {TO_THRUST}, + to the car's left"
    return [
        *(toe("rear", wheel) for wheel in REAR),
        _Recipe("rear_total_toe", "deg", REAR, False, _total_toe(REAR), "toe-in +"),
        _Recipe("thrust_direction", "deg", REAR, False, _thrust_yaw, "yaw in the floor frame"),
        *(toe("front", wheel) for wheel in FRONT),
        _Recipe("front_total_toe", "deg", four, False, _total_toe(FRONT), "toe-in +"),
        *(to_thrust(wheel) for wheel in FRONT),
        _Recipe("front_direction_to_thrust", "deg", four, False, _steered, ahead),
    ]


def _steered(poses: Poses) -> float:
    yaws = lines.forward_yaws(poses, FRONT, lines.thrust_direction(poses))
    return sum(yaws.values()) / len(yaws)


def _toe(wheel: str, reference: Callable[[Poses], Array]) -> Callable[[Poses], float]:
    """ISO 8855: toe = −(ψ − ψ_ref) on the left, ψ − ψ_ref on the right."""
    sign = -1.0 if wheel.endswith("left") else 1.0
    return lambda poses: sign * lines.forward_yaws(poses, (wheel,), reference(poses))[wheel]


def _total_toe(pair: Sequence[str]) -> Callable[[Poses], float]:
    def total(poses: Poses) -> float:
        yaws = lines.forward_yaws(poses, pair)
        return yaws[pair[1]] - yaws[pair[0]]

    return total


def _camber(wheel: str) -> Callable[[Poses], float]:
    def camber(poses: Poses) -> float:
        return math.asin(float(np.clip(-lines.spin_axis(poses, wheel) @ lines.up(poses), -1.0, 1.0)))

    return camber


def _thrust_yaw(poses: Poses) -> float:
    return _yaw_on_floor(poses, lines.thrust_direction(poses))


def _centreline_yaw(poses: Poses) -> float:
    return _yaw_on_floor(poses, lines.centreline_direction(poses))


def _yaw_on_floor(poses: Poses, direction: Array) -> float:
    in_floor = poses[FLOOR].rotation.T @ direction
    return math.atan2(in_floor[1], in_floor[0])


def _thrust_angle(poses: Poses) -> float:
    axes = lines.along(lines.centreline_direction(poses), lines.up(poses))
    in_line = lines.thrust_direction(poses) @ axes
    return math.atan2(in_line[1], in_line[0])


def _coordinate(middle: Callable[[Poses], Array], k: int) -> Callable[[Poses], float]:
    return lambda poses: float(poses[FLOOR].inverse().apply(middle(poses))[k])


def _gap(a: str, b: str) -> Callable[[Poses], float]:
    """Distance of two reference points as seen from above."""

    def gap(poses: Poses) -> float:
        between = lines.reference_point_mm(poses, a) - lines.reference_point_mm(poses, b)
        return float(np.linalg.norm(between - lines.up(poses) * (between @ lines.up(poses))))

    return gap


def _base(side: str) -> Callable[[Poses], float]:
    def base(poses: Poses) -> float:
        gap = lines.reference_point_mm(poses, f"front_{side}") - lines.reference_point_mm(poses, f"rear_{side}")
        return float(gap @ lines.centreline_direction(poses))

    return base


def _diagonals(poses: Poses) -> float:
    return _gap("front_left", "rear_right")(poses) - _gap("front_right", "rear_left")(poses)


def _bases(poses: Poses) -> float:
    return _base("left")(poses) - _base("right")(poses)


def _setback(pair: Sequence[str]) -> Callable[[Poses], float]:
    def setback(poses: Poses) -> float:
        gap = lines.reference_point_mm(poses, pair[0]) - lines.reference_point_mm(poses, pair[1])
        return float(gap @ lines.centreline_direction(poses))

    return setback


def _words(wheels: Sequence[str]) -> str:
    return ", ".join(wheel.replace("_", " ") for wheel in wheels)
