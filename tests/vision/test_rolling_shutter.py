"""A photo whose rows were read while the camera moved: found by the other photos, taken out, and counted for less."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2

from tests.support.drifting import drifting
from tests.support.network_world import lens_profile, ring_world, views_of
from vision.network import adjust_network
from vision.rolling_shutter import steadied
from vision.snooping import snoop
from vision.suppositions import Sheared

PHOTO, DRIFT = 4, np.array([12.0, -8.0])


@pytest.fixture(scope="module")
def world():
    return ring_world(11, boards=6, photos=10)


def with_drift(views, photo, drift):
    return [drifting(view, drift) if k == photo else view for k, view in enumerate(views)]


def sheared(world, views):
    network = adjust_network(views, world.boards, {"cam": lens_profile()}, robust=False)
    found = snoop(*network.inside, [Sheared(view.photo) for view in views])
    return network, [entry for entry in found if isinstance(entry.what, Sheared)]


def test_the_photo_that_drifts_is_found_with_its_drift(world):
    views = with_drift(views_of(world), PHOTO, DRIFT)
    _, found = sheared(world, views)
    worst = found[0]
    assert worst.what.photo == views[PHOTO].photo
    assert worst.log_chance < -40.0
    assert worst.drop > 2.0 * found[1].drop
    gap = worst.value - DRIFT
    assert gap @ np.linalg.solve(worst.cov, gap) < 16.0


def test_photos_of_a_still_camera_do_not_drift(world):
    _, found = sheared(world, views_of(world))
    low, high = chi2.ppf([0.001, 0.999], 2 * len(found))
    assert low < sum(entry.drop for entry in found) < high


def test_with_the_drift_taken_out_the_photo_fits_and_counts_for_less(world):
    views = with_drift(views_of(world), PHOTO, 0.4 * DRIFT)
    photo = views[PHOTO].photo
    steady = steadied(views, {photo: 0.4 * DRIFT})
    before, after = views_of(world)[PHOTO].seen[0].sighting, steady[PHOTO].seen[0].sighting
    shift = after.px - before.px
    assert shift == pytest.approx(np.broadcast_to(shift[0], shift.shape), abs=0.1)
    assert after.cov_px == pytest.approx(4.0 * before.cov_px)
    _, found = sheared(world, steady)
    assert all(entry.log_chance > -8.0 for entry in found)


def test_a_photo_that_drifts_beyond_measure_is_left_out(world):
    views = views_of(world)
    left = steadied(views, {views[PHOTO].photo: np.array([0.0, 7.0])})
    assert [view.photo for view in left] == [view.photo for k, view in enumerate(views) if k != PHOTO]
