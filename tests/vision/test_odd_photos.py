"""Pictures saved twice are told from two pictures of one place, and both from pictures of different places."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support.network_world import lens_profile, ring_world, views_of
from vision.network import adjust_network
from vision.observations import View
from vision.odd_photos import blurred, same_views, shown_at
from vision.sightings import PhotoSightings

NOISE_PX = 0.1


@pytest.fixture(scope="module")
def world():
    return ring_world(51, boards=6, photos=12)


def pictures(world, seed: int) -> list[PhotoSightings]:
    views = [view for view in views_of(world, noise_px=NOISE_PX, seed=seed) if view.seen]
    return [PhotoSightings(view.photo, 1920, 1080, tuple(s.sighting for s in view.seen)) for view in views]


def again(photo: PhotoSightings, name: str, noise_px: float, seed: int) -> PhotoSightings:
    """The photo once more under another name, its corners with further noise."""
    rng = np.random.default_rng(seed)
    found = tuple(replace(s, px=s.px + rng.normal(0.0, noise_px, s.px.shape)) for s in photo.found)
    return replace(photo, photo=name, found=found)


def test_photos_from_different_places_are_no_pair(world):
    assert same_views(pictures(world, 1)) == ([], [])


def test_a_picture_saved_again_is_a_copy(world):
    photos = pictures(world, 1)
    # An editor's compression moves corners by a fifth of their noise.
    copies, places = same_views([*photos, again(photos[0], "copy.jpg", 0.2 * NOISE_PX, 7)])
    assert copies == [(photos[0].photo, "copy.jpg")]
    assert places == []


def test_two_pictures_from_a_tripod_are_two(world):
    one, two = pictures(world, 1)[0], pictures(world, 2)[0]
    copies, places = same_views([one, replace(two, photo="second.jpg")])
    assert copies == []
    assert places == [(one.photo, "second.jpg")]


def test_a_picture_that_shows_one_board_more_is_no_copy(world):
    one = next(photo for photo in pictures(world, 1) if len(photo.found) > 2)
    assert same_views([one, replace(one, photo="second.jpg", found=one.found[1:])]) == ([], [])


def as_bodies(views: list[View], later: set[str]) -> list[View]:
    """Board b2 is one body in the later photos and another in the rest."""

    def named(view: View) -> View:
        body = "b2@late" if view.photo in later else "b2@early"
        return replace(view, seen=tuple(replace(s, body=body) if s.body == "b2" else s for s in view.seen))

    return [named(view) for view in views]


def test_a_board_is_recognised_where_another_round_has_it(world):
    views = views_of(world, noise_px=NOISE_PX, seed=3)
    showing = [view.photo for view in views if any(s.body == "b2" for s in view.seen)]
    views = as_bodies(views, set(showing[len(showing) // 2 :]))
    network = adjust_network(views, world.boards, {"cam": lens_profile()}, datum="b0")
    view = next(v for v in views if any(s.body == "b2@late" for s in v.seen))
    seen = next(s for s in view.seen if s.body == "b2@late")
    lenses = {"cam": lens_profile()}
    # It did not move: this photo shows it where the early ones have it. Another board's body is elsewhere.
    assert shown_at(network, view, seen, ["b2@early", "b4"], world.boards, lenses) == ["b2@early"]


def test_blurred_views_keep_their_corners_and_lose_their_weight(world):
    view = next(v for v in views_of(world, noise_px=NOISE_PX, seed=1) if v.seen)
    rough = blurred([view], 1.0)[0]
    np.testing.assert_array_equal(rough.seen[0].sighting.px, view.seen[0].sighting.px)
    np.testing.assert_allclose(rough.seen[0].sighting.cov_px[0], np.eye(2) * (NOISE_PX**2 + 1.0))
