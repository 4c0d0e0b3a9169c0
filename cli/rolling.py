"""The roll fit's by-products for results and screens: how far each wheel turned, rolling radii, the car's motion."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from calib.pipeline import Car


def rolling_document(car: Car) -> dict[str, Any]:
    """Figures of the roll fit: `{name, unit, measured, U}` rows, σ̂₀, and per wheel the turns from each epoch to `rest`."""
    from calib.geometry.wheel_path import way_in_words

    rolling = car.fit.rolling
    rows = []
    for i, name in enumerate(rolling.names):
        label, _, suffix = name.rpartition("_")
        factor = math.degrees(1.0) if suffix == "rad" else 1.0
        u = 2.0 * math.sqrt(float(rolling.cov[i, i]))
        unit = "deg" if suffix == "rad" else suffix
        rows.append({"name": f"{label}_{unit}", "unit": unit, "measured": factor * float(rolling.value[i]), "U": factor * u})
    return {
        "sigma0": car.fit.sigma0,
        "redundancy": car.fit.redundancy,
        "mode": str(car.fit.mode),
        "rolled": _rolled(rows),
        "way": way_in_words(rolling),
        "figures": rows,
    }


def _rolled(rows: list[dict[str, Any]]) -> dict[str, str]:
    """Degrees, and the farthest also as wheel turns and, of a wheel that rolled, as metres."""
    out: dict[str, list[str]] = {}
    angles: dict[str, list[float]] = {}
    radius = {row["name"][7:-3]: row["measured"] for row in rows if row["name"].startswith("radius:")}
    for row in rows:
        if row["name"].startswith("roll:"):
            wheel, _, epoch = row["name"].removeprefix("roll:").rpartition("_")[0].partition("@")
            out.setdefault(wheel, []).append(f"{abs(row['measured']):.0f}° from {epoch}")
            angles.setdefault(wheel, []).append(abs(row["measured"]))
    return {wheel: f"{', '.join(parts)} ({_far(max(angles[wheel]), radius.get(wheel))})" for wheel, parts in out.items()}


def _far(angle_deg: float, radius_mm: float | None) -> str:
    turns = f"{angle_deg / 360.0:.2f} of a turn"
    return turns if radius_mm is None else f"{turns}, {math.radians(angle_deg) * radius_mm / 1000.0:.2f} m"
