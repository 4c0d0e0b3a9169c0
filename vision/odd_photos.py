"""Photos that are not what they should be: mirror images, the same picture saved again, bodies where another round has them."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from vision.boards import BoardSet
from vision.camera import LensProfile
from vision.detect import sightings_in
from vision.gather import SeenPhoto
from vision.network import Network
from vision.observations import BodySighting, View
from vision.photos import read_photo
from vision.sightings import PhotoSightings

COPY = 0.6
"""RMS difference of the corners of two photos over what their noise makes of it (1 on average): below, it is one picture."""
SAME_PLACE_PX = 4.0
LEAST_SHARED = 12
ROUGH_PX = (0.1, 0.6, 2.0)
"""Corners 0.45, 2.7 and 9 px off are then still kept: prints 0.5 % too large, boards that moved by some 3 and 10 mm."""
SHOWN_THERE_PX = 8.0
"""A board whose corners lie so near a predicted place is that body: noise is far below, other rounds are hundreds away."""


def is_mirrored(seen: SeenPhoto, boards: BoardSet, profile: LensProfile) -> bool:
    """Whether a photo in which no board was found shows some in the mirror."""
    photo = read_photo(seen.path, name=seen.name)
    flipped = replace(photo, gray=np.ascontiguousarray(photo.gray[:, ::-1]))
    return bool(sightings_in(flipped, boards, profile.camera).found)


def same_views(photos: Sequence[PhotoSightings]) -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:
    """Pairs of photos with the same content saved again, and pairs taken from one place (earlier photo, later photo).

    Noise is drawn anew for every picture: corners of two pictures from one tripod differ by what their covariances say, those
    of one picture saved twice by much less.
    """
    copies, places = [], []
    for i, one in enumerate(photos):
        for other in photos[i + 1 :]:
            gap, ratio = _difference(one, other)
            if ratio < COPY:
                copies.append((one.photo, other.photo))
            elif gap < SAME_PLACE_PX:
                places.append((one.photo, other.photo))
    return copies, places


def _difference(one: PhotoSightings, other: PhotoSightings) -> tuple[float, float]:
    """Largest corner difference, px, and its RMS over the corners' noise; infinite when they do not show the same boards."""
    none = float("inf"), float("inf")
    mine, theirs = ({s.board: s for s in photo.found} for photo in (one, other))
    if not mine or mine.keys() != theirs.keys():
        return none
    gaps, squares = [], []
    for board, a in mine.items():
        b = theirs[board]
        _, at_a, at_b = np.intersect1d(a.corner_ids, b.corner_ids, return_indices=True)
        gap = a.px[at_a] - b.px[at_b]
        if len(gap) and np.abs(gap).max() > SAME_PLACE_PX:
            return none
        gaps.append(gap)
        squares.append(np.einsum("ni,nij,nj->n", gap, np.linalg.inv(a.cov_px[at_a] + b.cov_px[at_b]), gap) / 2.0)
    gap, square = np.concatenate(gaps), np.concatenate(squares)
    if len(square) < LEAST_SHARED:
        return none
    return float(np.abs(gap).max()), float(np.sqrt(square.mean()))


def rougher(views: Sequence[View]) -> Iterator[list[View]]:
    """The views taken for rougher, more and more: a network then keeps sightings that contradict it, and its peace."""
    return (blurred(views, sigma_px) for sigma_px in ROUGH_PX)


def blurred(views: Sequence[View], sigma_px: float) -> list[View]:
    """The views with noise added to the stated covariances of their corners."""

    def rougher(seen: BodySighting) -> BodySighting:
        return replace(seen, sighting=replace(seen.sighting, cov_px=seen.sighting.cov_px + np.eye(2) * sigma_px**2))

    return [replace(view, seen=tuple(rougher(seen) for seen in view.seen)) for view in views]


def restored(network: Network, views: Sequence[View], back: Collection[tuple[str, str]]) -> list[View]:
    """The views as the network used them, without corners it left out, and with the sightings `back` (photo, body) whole."""

    def part(photo: str, seen: BodySighting) -> BodySighting | None:
        kept = network.kept.get((photo, seen.body))
        if kept is None or not kept.any():
            return seen if (photo, seen.body) in back else None
        s = seen.sighting
        return replace(seen, sighting=replace(s, corner_ids=s.corner_ids[kept], px=s.px[kept], cov_px=s.cov_px[kept]))

    out = [replace(v, seen=tuple(s for s in (part(v.photo, one) for one in v.seen) if s is not None)) for v in views]
    return [view for view in out if view.seen]


def shown_at(
    network: Network, view: View, seen: BodySighting, bodies: Sequence[str], boards: BoardSet, lenses: Mapping[str, LensProfile]
) -> list[str]:
    """Which of these bodies (of the same board) stand where this photo shows the board."""
    if view.photo not in network.cam_from_survey:
        return []
    lens = lenses[view.lens]
    camera = network.state.camera(lens.name, lens.camera)
    corners = boards[seen.board].corners_mm()[seen.sighting.corner_ids]
    out = []
    for body in bodies:
        in_cam = (network.cam_from_survey[view.photo] @ network.state.pose(body)).apply(corners)
        if (in_cam[:, 2] > 1.0).all():
            gap = np.linalg.norm(camera.project(in_cam) - seen.sighting.px, axis=1)
            if float(np.median(gap)) < SHOWN_THERE_PX:
                out.append(body)
    return out
