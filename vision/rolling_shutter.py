"""Rows read one after the other while the camera moved: the picture drifts from row to row (a rolling shutter's shear).

Where the exposure is long as well, the picture is smeared and says so itself (`smear.py`). With much light it is not: then only
the other photos tell, by boards high and low in the picture that lie where no place of the camera has them both.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from vision.frames import Array
from vision.observations import ROWS, BodySighting, View
from vision.suppositions import MOST_DRIFT_PX

COUNTS_FOR = 0.25
"""A photo whose drift was found and taken out: what was found took up some of what the photo knows."""


def steadied(views: Sequence[View], drift_px: Mapping[str, Array]) -> list[View]:
    """The views with the drift (2,), px over `ROWS`, of some photos taken out; these count for less.

    Photos that drift by more than `MOST_DRIFT_PX` are left out.
    """
    return [
        _steady(view, drift_px[view.photo]) if view.photo in drift_px else view
        for view in views
        if view.photo not in drift_px or np.abs(drift_px[view.photo]).max() <= MOST_DRIFT_PX
    ]


def _steady(view: View, drift: Array) -> View:
    middle = np.mean(np.concatenate([seen.sighting.px[:, 1] for seen in view.seen]))

    def shifted(seen: BodySighting) -> BodySighting:
        s = seen.sighting
        px = s.px - (s.px[:, 1:] - middle) / ROWS * drift
        return replace(seen, sighting=replace(s, px=px, cov_px=s.cov_px / COUNTS_FOR))

    return replace(view, seen=tuple(map(shifted, view.seen)))
