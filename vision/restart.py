"""A network's start from an earlier adjustment: what is known stands where it stood, new photos are placed around it."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import numpy as np

from vision.boards import Board, BoardSet
from vision.camera import Camera
from vision.frames import Pose
from vision.network_start import NotTiedError, Start, find_start
from vision.observations import View
from vision.sightings import Sighting

NEAR_PX = 20.0
"""A known board whose corners lie farther from where its photo shows them is not where it stood, or never was."""


def continued(
    known: Start,
    views: Sequence[View],
    boards: BoardSet,
    cameras: Mapping[str, Camera],
    left_out: Collection[tuple[str, str]] = (),
) -> Start | None:
    """A start for these views from an earlier one that knows most of their photos.

    Parameters
    ----------
    left_out : collection of (photo, board)
        Sightings that did not agree then: they need not now.

    Returns
    -------
    Start or None
        None where it does not reach: known photos do not show their boards where these stood, or show others; or new photos
        are not tied to what is known.
    """
    views = [view for view in views if view.seen]
    new = [view for view in views if view.photo not in known.photos]
    if not all(_still_there(known, view, boards, cameras[view.lens], left_out) for view in views if view.photo in known.photos):
        return None
    try:
        placed = find_start(new, boards, cameras, "", known.bodies) if new else Start({}, {}, ())
    except NotTiedError:
        return None
    bodies = {**placed.bodies, **known.bodies}
    if any(seen.body not in bodies for view in views for seen in view.seen):
        return None
    return Start({**known.photos, **placed.photos}, bodies, placed.unusable)


def _still_there(known: Start, view: View, boards: BoardSet, camera: Camera, left_out: Collection[tuple[str, str]]) -> bool:
    cam_from_survey = known.photos[view.photo]
    return all(
        _gap_px(cam_from_survey @ known.bodies[seen.body], boards[seen.board], seen.sighting, camera) < NEAR_PX
        for seen in view.seen
        if seen.body in known.bodies and (view.photo, seen.board) not in left_out
    )


def _gap_px(cam_from_body: Pose, board: Board, sighting: Sighting, camera: Camera) -> float:
    """Median distance of the sighting's corners from where the board would show them."""
    in_cam = cam_from_body.apply(board.corners_mm()[sighting.corner_ids])
    if (in_cam[:, 2] < 1.0).any():
        return float("inf")
    return float(np.median(np.linalg.norm(camera.project(in_cam) - sighting.px, axis=1)))
