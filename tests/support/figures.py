"""Measured figures of the whole chain beside the bay's truth, in degrees and mm, by one set of names."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from calib.pipeline import Car, CheckOutcome
from vision.frames import Estimate

PLACEMENT = ("distance_mm", "lateral_mm", "height_mm", "yaw_deg", "pitch_deg", "roll_deg")
REAR_AND_THRUST = ("thrust_angle_deg", "rear_toe_left_deg", "rear_toe_right_deg", "rear_total_toe_deg")


@dataclass(frozen=True)
class Measured:
    """One figure with its standard uncertainty (k = 1)."""

    value: float
    u: float


Figures = dict[str, Measured]


def of_car(car: Car) -> Figures:
    """The alignment table."""
    return {f"{f.name}_{f.unit}": Measured(f.value, f.u / 2.0) for f in car.figures.figures}


def of_check(outcome: CheckOutcome) -> Figures:
    """The six figures of a placement as measured; the distance is negative behind the car."""
    return of_estimate(outcome.placement.measured)


def of_estimate(estimate: Estimate) -> Figures:
    out = {}
    for name in estimate.names:
        factor = math.degrees(1.0) if name.endswith("_rad") else 1.0
        value, u = float(estimate.value[estimate.index(name)]), estimate.sigma(name)
        out[name.replace("_rad", "_deg")] = Measured(factor * value, factor * u)
    return out


def true_by_name(truth: Mapping[str, float]) -> dict[str, float]:
    """The bay's truth by the names of the alignment table.

    `truth` has all toes to the centreline; the table has the front wheels' to the thrust line besides: with ψ the yaws,
    toe_L = −(ψ_L − ψ_thrust) = −(ψ_L − ψ_centre) + thrust angle, and on the right the other way round.
    """
    out = dict(truth)
    for side, sign in (("left", 1.0), ("right", -1.0)):
        out[f"front_toe_{side}_to_thrust_deg"] = truth[f"front_toe_{side}_deg"] + sign * truth["thrust_angle_deg"]
    mean_deg = (truth["front_toe_right_deg"] - truth["front_toe_left_deg"]) / 2.0
    out["front_direction_to_thrust_deg"] = mean_deg - truth["thrust_angle_deg"]
    for axle in ("front", "rear"):
        out[f"track_{axle}_mm"] = math.hypot(truth[f"{axle}_track_mm"], truth[f"{axle}_setback_mm"])
        out[f"setback_{axle}_mm"] = truth[f"{axle}_setback_mm"]
        for side in ("left", "right"):
            out[f"camber_{axle}_{side}_deg"] = truth[f"{axle}_{side}_camber_deg"]
    half = (truth["front_setback_mm"] - truth["rear_setback_mm"]) / 2.0
    out["wheelbase_left_mm"], out["wheelbase_right_mm"] = truth["wheelbase_mm"] + half, truth["wheelbase_mm"] - half
    out["wheelbase_difference_mm"] = 2.0 * half
    return out


def errors(figures: Figures, truth: Mapping[str, float], names: Iterable[str] | None = None) -> dict[str, float]:
    """Measured − true of the named figures; of all that have a truth by default."""
    known = true_by_name(truth)
    return {name: figures[name].value - known[name] for name in (names or [n for n in figures if n in known])}


def normalised(figures: Figures, truth: Mapping[str, float], names: Iterable[str] | None = None) -> dict[str, float]:
    """Errors over their standard uncertainty."""
    return {name: error / figures[name].u for name, error in errors(figures, truth, names).items()}


def mean_square(values: Iterable[float]) -> float:
    return float(np.mean(np.square(list(values))))


def assert_same(a: Figures, b: Figures, *, mm: float, deg: float, u_share: float) -> None:
    """Two measurements of the same figures: values within mm or degrees, standard uncertainties within a share."""
    assert set(a) == set(b), set(a) ^ set(b)
    for name, one in a.items():
        gap, allowed = abs(one.value - b[name].value), deg if name.endswith("deg") else mm
        assert gap <= allowed, f"{name}: {one.value:.6f} and {b[name].value:.6f} differ by {gap:.2e} (allowed {allowed})"
        _assert_u(name, one, b[name], u_share)


def assert_close_in_u(a: Figures, b: Figures, *, parts: float, u_share: float, sign: Mapping[str, float] | None = None) -> None:
    """Two measurements of the same figures within `parts` of their u, `b` times `sign` (default +1)."""
    assert set(a) == set(b), set(a) ^ set(b)
    for name, one in a.items():
        other = (sign or {}).get(name, 1.0) * b[name].value
        gap = abs(one.value - other) / one.u
        assert gap <= parts, f"{name}: {one.value:.6f} and {other:.6f} differ by {gap:.4f} u (allowed {parts})"
        _assert_u(name, one, b[name], u_share)


def _assert_u(name: str, one: Measured, two: Measured, share: float) -> None:
    assert abs(one.u - two.u) <= share * one.u, f"{name}: u {one.u:.6f} and {two.u:.6f} (allowed {share:.1%})"
