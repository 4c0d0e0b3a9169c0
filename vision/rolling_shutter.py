"""Rows read one after the other while the camera moved: the picture drifts from row to row (a rolling shutter's shear).

Where the exposure is long as well, the picture is smeared and says so itself (`smear.py`). With much light it is not: then only
the other photos tell, by boards high and low in the picture that lie where no place of the camera has them both.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

import numpy as np

from vision.frames import Array
from vision.observations import BodySighting, View

ROWS = 1000.0
"""A drift is told in px over so many rows."""
COUNTS_FOR = 0.25
"""A photo whose drift was found and taken out: what was found took up some of what the photo knows."""
MOST_PX = 5.0
"""A photo that drifts by more is left out: its rows did not drift evenly."""


def steadied(views: Sequence[View], drift_px: Mapping[str, Array]) -> list[View]:
    """The views with the drift (2,), px over `ROWS`, of some photos taken out; these count for less.

    Photos that drift by more than `MOST_PX` are left out.
    """
    return [
        _steady(view, drift_px[view.photo]) if view.photo in drift_px else view
        for view in views
        if view.photo not in drift_px or np.abs(drift_px[view.photo]).max() <= MOST_PX
    ]


def row_shares(rows_px: Array) -> Array:
    """Share of `ROWS` by which rows lie below the middle of those given."""
    return np.asarray((rows_px - np.mean(rows_px)) / ROWS)


def _steady(view: View, drift: Array) -> View:
    share = row_shares(np.concatenate([seen.sighting.px[:, 1] for seen in view.seen]))
    return replace(view, seen=tuple(_shifted(view.seen, share, drift)))


def _shifted(seen: Collection[BodySighting], share: Array, drift: Array) -> list[BodySighting]:
    out, first = [], 0
    for one in seen:
        s = one.sighting
        last = first + len(s.px)
        px, cov = s.px - share[first:last, None] * drift, s.cov_px / COUNTS_FOR
        out.append(replace(one, sighting=replace(s, px=px, cov_px=cov)))
        first = last
    return out
