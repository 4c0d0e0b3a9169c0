"""Bodies that moved since a survey are named, those that stayed are not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.support.network_world import World, lens_profile, ring_world, views_of
from vision.frames import Pose
from vision.moved import find_moved
from vision.network import Network, NetworkState, adjust_network
from vision.observations import View
from vision.poses import pose_change


def surveyed(seed: int) -> tuple[World, Network]:
    world = ring_world(seed, photos=30)
    return world, adjust_network(views_of(world, noise_px=0.1, seed=seed), world.boards, {"cam": lens_profile(sigma=0.3)})


def later(world: World, shifts_mm: dict[str, list[float]], photos: int, seed: int) -> list[View]:
    bodies = dict(world.world_from_body)
    for body, shift in shifts_mm.items():
        step = Pose.from_rt("world", "world", [0.0, 0.0, 0.0], shift)
        bodies[body] = step @ bodies[body]
    fresh = ring_world(seed + 50, photos=photos)
    return views_of(replace(world, world_from_body=bodies, cam_from_world=fresh.cam_from_world), noise_px=0.1, seed=seed)


def search(world: World, survey: Network, views: Sequence[View]):  # type: ignore[no-untyped-def]
    def again(views: Sequence[View], prior: NetworkState, **how: Any) -> Network:
        return adjust_network(views, world.boards, {"cam": lens_profile(sigma=0.3)}, prior=prior, **how)

    return find_moved(views, list(world.world_from_body), world.boards, survey.state, again)


@pytest.mark.parametrize("seed", [21, 22])
def test_nothing_is_named_when_nothing_moved(seed: int) -> None:
    world, survey = surveyed(seed)
    assert search(world, survey, later(world, {}, 4, seed)).moved == ()


def test_one_board_moved_by_5_mm_is_named_with_its_shift() -> None:
    world, survey = surveyed(23)
    found = search(world, survey, later(world, {"b3": [4.0, -3.0, 0.0]}, 4, 23))
    assert [m.body for m in found.moved] == ["b3"]
    assert found.moved[0].shift_mm == pytest.approx(5.0, abs=1.5)
    # The network that is left does not lean on it: a board that stayed is where it was.
    gap = found.network.state.pose("b2").translation_mm - survey.state.pose("b2").translation_mm
    assert np.linalg.norm(gap) < 1.0


def test_two_boards_moved_are_both_named() -> None:
    world, survey = surveyed(24)
    found = search(world, survey, later(world, {"b1": [0.0, 8.0, 0.0], "b6": [-7.0, 0.0, 2.0]}, 4, 24))
    assert {m.body for m in found.moved} == {"b1", "b6"}


def test_change_of_a_pose_carries_its_uncertainty() -> None:
    world, survey = surveyed(25)
    found = search(world, survey, later(world, {"b3": [6.0, 0.0, 0.0]}, 14, 25))
    change = pose_change(found.network.poses, "b3", "b3@now", world.boards["b3"].centre_mm)
    truth = world.world_from_body[survey.state.datum].inverse().transform.rotation.apply([6.0, 0.0, 0.0])
    gap = change.value[3:] - truth
    cov = change.cov[3:, 3:]
    assert gap @ np.linalg.solve(cov, gap) < 16.3  # chi-square of 3 at 99.9 %
    assert np.sqrt(np.diag(cov)).max() < 1.5
