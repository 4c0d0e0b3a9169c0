"""Where an earlier adjustment reaches for other photos, and where it does not."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.support.network_world import CAMERA, ring_world, views_of
from vision.frames import Pose
from vision.network_start import Start
from vision.restart import continued


@pytest.fixture(scope="module")
def world():
    return ring_world(5, boards=6, photos=8)


@pytest.fixture(scope="module")
def views(world):
    return views_of(world, noise_px=0.1)


def start_of_truth(world, photos: set[str], bodies: set[str]) -> Start:
    """The world's own poses, its datum being `b0`."""
    survey_from_world = Pose("survey", "world", world.world_from_body["b0"].inverse().transform)
    world_from_survey = survey_from_world.inverse()
    known = {name: survey_from_world @ pose for name, pose in world.world_from_body.items() if name in bodies}
    cams = {name: world.cam_from_world[name] @ world_from_survey for name in photos}
    return Start(cams, known, ())


def test_a_new_photo_is_placed_around_what_is_known(world, views):
    known = {view.photo for view in views} - {"p03.jpg"}
    true = start_of_truth(world, {view.photo for view in views}, set(world.world_from_body))
    start = continued(start_of_truth(world, known, set(true.bodies)), views, world.boards, {"cam": CAMERA})
    off = start.photos["p03.jpg"] @ true.photos["p03.jpg"].inverse()
    # 0.1 px at 3 m is 0.2 mm across and some 2 mm along the view
    assert off.transform.rotation.magnitude() < 2e-3
    assert start.photos["p01.jpg"] is not None
    assert set(start.photos) == set(true.photos)


def test_a_new_photo_brings_a_new_body(world, views):
    """`b5` is known from the new photo alone."""
    old = [replace(view, seen=tuple(s for s in view.seen if s.body != "b5")) for view in views[:-1]]
    bodies = set(world.world_from_body) - {"b5"}
    start = continued(start_of_truth(world, {v.photo for v in old}, bodies), [*old, views[-1]], world.boards, {"cam": CAMERA})
    assert ("b5" in start.bodies) == ("b5" in {s.body for s in views[-1].seen})
    assert "b5" in start.bodies


def test_a_known_photo_that_shows_an_unplaced_body_needs_a_new_start(world, views):
    known = start_of_truth(world, {view.photo for view in views}, set(world.world_from_body) - {"b5"})
    assert continued(known, views, world.boards, {"cam": CAMERA}) is None


def test_a_board_that_is_not_where_it_stood_needs_a_new_start_unless_it_was_left_out(world, views):
    known = start_of_truth(world, {view.photo for view in views}, set(world.world_from_body))
    aside = Pose("survey", "b4", known.bodies["b4"].transform)
    wrong = replace(known, bodies={**known.bodies, "b4": aside.perturbed([0, 0, 0, 60.0, 0, 0])})
    assert continued(wrong, views, world.boards, {"cam": CAMERA}) is None
    excused = {(view.photo, "b4") for view in views}
    assert continued(wrong, views, world.boards, {"cam": CAMERA}, excused) is not None


def test_a_new_photo_that_shows_nothing_known_needs_a_new_start(world, views):
    only = [replace(views[0], photo="new.jpg", seen=tuple(s for s in views[0].seen if s.body == "b0"))]
    known = start_of_truth(world, {view.photo for view in views}, set(world.world_from_body) - {"b0"})
    old = [replace(view, seen=tuple(s for s in view.seen if s.body != "b0")) for view in views]
    assert only[0].seen
    assert continued(known, [*old, *only], world.boards, {"cam": CAMERA}) is None
