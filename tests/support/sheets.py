"""Placement sheets built in memory: tolerances in mm and degrees."""

from __future__ import annotations

import math

from calib.paper.sheet import FIGURES, Provenance, Required, Sheet

TOLERANCES = {"distance_mm": 5.0, "lateral_mm": 5.0, "height_mm": 5.0, "yaw_rad": 0.3, "pitch_rad": 0.5, "roll_rad": 0.5}
VALUES = {"distance_mm": 1500.0, "lateral_mm": 0.0, "height_mm": 1200.0}


def sheet(
    *, line="thrust", side="ahead", origin="front-axle", names=FIGURES, tolerances=TOLERANCES, **values_deg: float
) -> Sheet:
    """Sheet with values given by short name (`distance=…` in mm and signed, `yaw=…` in degrees)."""
    required = []
    for name in names:
        factor = math.radians(1.0) if name.endswith("_rad") else 1.0
        value = values_deg.get(name.rsplit("_", 1)[0], VALUES.get(name, 0.0)) * factor
        limit = tolerances.get(name, math.inf) * factor
        required.append(Required(name, value, -limit, limit))
    return Sheet("panel", origin, line, side, tuple(required), Provenance("document", "typist"))
