"""When was a lens zoomed? The moment after which undoing the zoom leaves the photos least at odds with each other.

The first-order test of `snooping.py` finds a zoom, but not its moment to the photo: poses, print scales and printed places bend
to explain a part of it, and sightings are left out. Undone and adjusted anew, candidates can be compared.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from vision.camera import Camera
from vision.network_report import Network
from vision.observations import BodySighting, View
from vision.snooping import snoop
from vision.suppositions import Zoomed

STRIDES = (4, 2, 1)
Adjust = Callable[[Sequence[View]], Network]
"""All views by plain least squares: what is left out would not be missed.

Raises NetworkError."""


def zoom_undone(views: Sequence[View], camera: Camera, zoomed: Zoomed, zoom: float) -> list[View]:
    """The views with what the later photos show drawn as before: a zoom draws larger about the principal point, distortion too.

    `zoom` is the relative change of the focal length.
    """
    centre, factor = np.array([camera.cx_px, camera.cy_px]), 1.0 / (1.0 + zoom)

    def smaller(seen: BodySighting) -> BodySighting:
        s = seen.sighting
        return replace(seen, sighting=replace(s, px=centre + (s.px - centre) * factor, cov_px=s.cov_px * factor**2))

    return [
        replace(v, seen=tuple(map(smaller, v.seen))) if v.lens == zoomed.lens and v.photo in zoomed.later else v for v in views
    ]


def zoom_placed(views: Sequence[View], camera: Camera, found: Zoomed, zoom: float, adjust: Adjust) -> tuple[Zoomed, float]:
    """The zoom with the moment moved to where it belongs, and its size as the photos then show it.

    Parameters
    ----------
    camera : Camera
        The lens before it was zoomed.
    found, zoom
        As the first-order test has them.

    Raises
    ------
    NetworkError
        The views cannot be adjusted at the moment found.
    """
    photos = [view.photo for view in views if view.lens == found.lens and view.seen]
    first = min(k for k, photo in enumerate(photos) if photo in found.later)
    at, size = first, zoom

    def from_photo(k: int) -> Zoomed:
        return Zoomed(found.lens, frozenset(photos[k:]))

    def misfit(size: float, k: int) -> float:
        """RMS residual, px, of all photos with the zoom undone."""
        rms = adjust(zoom_undone(views, camera, from_photo(k), size)).rms_px
        return float(np.sqrt(np.mean(np.square(list(rms.values())))))

    for _ in range(2):  # a size that fits the wrong moment is too small
        size = _size(views, camera, from_photo(at), size, adjust)
        at = _lowest(at, len(photos), partial(misfit, size))
    return from_photo(at), _size(views, camera, from_photo(at), size, adjust)


def _size(views: Sequence[View], camera: Camera, zoomed: Zoomed, zoom: float, adjust: Adjust) -> float:
    """The zoom with what is left of it once it is undone."""
    network = adjust(zoom_undone(views, camera, zoomed, zoom))
    if network.inside is None:
        raise ValueError("this network does not know what it was adjusted from")
    left = next(entry for entry in snoop(*network.inside, [zoomed]) if entry.what == zoomed)
    return (1.0 + zoom) * (1.0 + float(left.value[0])) - 1.0


def _lowest(at: int, count: int, misfit: Callable[[int], float]) -> int:
    """Downhill from a place between 1 and `count` − 1, in shorter and shorter strides."""
    known = {at: misfit(at)}

    def at_place(k: int) -> float:
        if k not in known:
            known[k] = misfit(k)
        return known[k]

    for stride in STRIDES:
        while True:
            near: Collection[int] = [k for k in (at - stride, at + stride) if 0 < k < count]
            best = min(near, key=at_place, default=at)
            if at_place(best) >= at_place(at):
                break
            at = best
    return at
