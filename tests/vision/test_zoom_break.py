"""The moment of a zoom: photos before it by one camera, later ones by the same with a longer focal length."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support.network_world import CAMERA, lens_profile, ring_world, views_of
from vision.network import adjust_network
from vision.suppositions import Zoomed
from vision.zoom_break import zoom_placed, zoom_undone

ZOOM, FIRST = 0.006, 6


@pytest.fixture(scope="module")
def world():
    return ring_world(7, boards=5, photos=10)


@pytest.fixture(scope="module")
def views(world):
    longer = replace(world, camera=replace(CAMERA, fx_px=CAMERA.fx_px * (1 + ZOOM), fy_px=CAMERA.fy_px * (1 + ZOOM)))
    return [*views_of(world)[:FIRST], *views_of(longer)[FIRST:]]


@pytest.fixture(scope="module")
def exact(world):
    longer = replace(world, camera=replace(CAMERA, fx_px=CAMERA.fx_px * (1 + ZOOM), fy_px=CAMERA.fy_px * (1 + ZOOM)))
    return views_of(world, noise_px=0.0), views_of(longer, noise_px=0.0)


def later(views, first):
    return Zoomed("cam", frozenset(view.photo for view in views[first:]))


def test_a_zoom_is_placed_to_the_photo_and_its_size_is_found(world, views):
    def adjust(some):
        return adjust_network(some, world.boards, {"cam": lens_profile(sigma=1.0)}, robust=False)

    placed, zoom = zoom_placed(views, CAMERA, later(views, FIRST - 3), 0.6 * ZOOM, adjust)
    assert placed == later(views, FIRST)
    assert zoom == pytest.approx(ZOOM, rel=0.05)


def test_an_undone_zoom_draws_as_the_first_lens_does(exact):
    plain, longer = exact
    for undone, before in zip(zoom_undone(longer, CAMERA, later(longer, 0), ZOOM), plain, strict=True):
        first = {seen.body: seen.sighting for seen in before.seen}
        for seen in undone.seen:
            there = first[seen.body]
            _, mine, its = np.intersect1d(seen.sighting.corner_ids, there.corner_ids, return_indices=True)
            assert len(mine) > 5
            assert seen.sighting.px[mine] == pytest.approx(there.px[its], abs=1e-6)
