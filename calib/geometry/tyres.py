"""Tyres: the size on the sidewall, and what the car rolled on, with left/right and front/rear compared."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.geometry.lines import WHEELS
from vision.frames import Array, Estimate

_SIZE = re.compile(r"(?:LT|P)?\s*(\d{3})\s*/\s*(\d{2,3})\s*(?:ZR|R|-|D|B)\s*(\d{2}(?:\.5)?)\b.*", re.IGNORECASE)
ROLLS = (0.93, 1.0)
"""Rolling circumference over π times the nominal diameter; 0.97 to 0.98 is usual (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class TyreSize:
    """A size as moulded on the sidewall: section width mm, aspect ratio %, rim diameter inch."""

    text: str
    width_mm: float
    aspect_percent: float
    rim_inch: float

    @property
    def diameter_mm(self) -> float:
        """Nominal overall diameter (ISO 4000-1): 25.4 mm per inch of rim, plus twice the section height."""
        return 25.4 * self.rim_inch + 2.0 * self.width_mm * self.aspect_percent / 100.0


def tyre_size(text: str) -> TyreSize:
    """Read "205/55R16", also with a load index and speed symbol behind it.

    Raises
    ------
    ValueError
        No size, or one that no car's tyre has; says which part.
    """
    found = _SIZE.fullmatch(text.strip())
    if not found:
        raise ValueError(f"{text!r} is no tyre size: write it as on the sidewall, for example 205/55R16")
    width, aspect, rim = (float(part) for part in found.groups())
    for value, low, high, what in (
        (width, 115, 405, "section width in mm"),
        (aspect, 20, 100, "aspect ratio in %"),
        (rim, 10, 26, "rim diameter in inch"),
    ):
        if not low <= value <= high:
            raise ValueError(f"{text!r}: {what} is {value:g}, a car's tyre has {low} to {high}")
    return TyreSize(text.strip(), width, aspect, rim)


def tyre_figures(rolling: Estimate, sizes: dict[str, TyreSize] | None = None) -> Estimate:
    """Rolling diameters and their differences from the roll fit; with sizes also their share of the nominal diameter.

    Parameters
    ----------
    rolling : Estimate
        With "radius:<wheel>_mm" of the wheels that rolled (`WheelFit.rolling`).
    sizes : dict of wheel to TyreSize, optional

    Returns
    -------
    Estimate
        "rolling_diameter_front_left_mm" …, "rolling_diameter_difference_front_mm" (left minus right) and "…_rear_mm",
        "rolling_diameter_front_minus_rear_mm" (means of the axles), "rolling_share_front_left_percent" … of the nominal.
    """
    wheels = [wheel for wheel in WHEELS if f"radius:{wheel}_mm" in rolling.names]
    radii = rolling.of([f"radius:{wheel}_mm" for wheel in wheels])
    rows: dict[str, Array] = {f"rolling_diameter_{wheel}_mm": _row(wheels, {wheel: 2.0}) for wheel in wheels}
    for axle in ("front", "rear"):
        pair = (f"{axle}_left", f"{axle}_right")
        if set(pair) <= set(wheels):
            rows[f"rolling_diameter_difference_{axle}_mm"] = _row(wheels, {pair[0]: 2.0, pair[1]: -2.0})
    if set(WHEELS) <= set(wheels):
        means = {wheel: 1.0 if wheel.startswith("front") else -1.0 for wheel in WHEELS}
        rows["rolling_diameter_front_minus_rear_mm"] = _row(wheels, means)
    for wheel in wheels:
        if sizes and wheel in sizes:
            rows[f"rolling_share_{wheel}_percent"] = _row(wheels, {wheel: 200.0 / sizes[wheel].diameter_mm})
    jac = np.array(list(rows.values())).reshape(len(rows), len(wheels))
    return radii.through(tuple(rows), jac @ radii.value, jac)


def _row(wheels: Sequence[str], weights: dict[str, float]) -> Array:
    return np.array([weights.get(wheel, 0.0) for wheel in wheels])


def toe_mm(toe_rad: float, diameter_mm: float) -> float:
    """Toe of one wheel as a length: how much nearer together a diameter's front end is than its rear end, D sin(toe)."""
    return diameter_mm * math.sin(toe_rad)
