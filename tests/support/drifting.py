"""Photos whose rows were read while the camera moved: corners shifted by their row."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from vision.observations import ROWS, BodySighting, View

MIDDLE_ROW = 539.5


def drifting(view: View, drift_px: Sequence[float] | np.ndarray) -> View:
    """The view of a photo of 1080 rows, drifting by (x, y) px over 1000 rows about its middle."""

    def moved(seen: BodySighting) -> BodySighting:
        s = seen.sighting
        return replace(seen, sighting=replace(s, px=s.px + (s.px[:, 1:] - MIDDLE_ROW) / ROWS * np.asarray(drift_px)))

    return replace(view, seen=tuple(map(moved, view.seen)))


def all_drifting(views: Sequence[View], sigma_px: float, seed: int) -> list[View]:
    """Every photo by its own normal drift."""
    rng = np.random.default_rng(seed)
    return [drifting(view, rng.normal(0.0, sigma_px, 2)) for view in views]
