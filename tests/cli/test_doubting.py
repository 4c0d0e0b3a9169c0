"""Several things wrong at once: each is told as what it is, and nothing besides."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from calib.doubts import survey_guesses
from cli.doubting import Inquiry, settled
from tests.support.drifting import all_drifting
from tests.support.network_world import lens_profile, ring_world, views_of
from vision.frames import Pose
from vision.network import adjust_network

LENS = {"cam": lens_profile(sigma=1.0)}
KICKED, FIRST, BY_MM = "b2", 8, np.array([5.0, 3.0, 0.0])


@pytest.fixture(scope="module")
def world():
    return ring_world(21, boards=8, photos=16)


@pytest.fixture(scope="module")
def kicked(world):
    """Views of a bay in which a board was kicked between two photos."""
    there = world.world_from_body[KICKED]
    place = Pose.from_rt("world", KICKED, there.rotation, there.translation_mm + BY_MM)
    later = type(world)(world.boards, world.camera, {**world.world_from_body, KICKED: place}, world.cam_from_world, world.scale)
    return [*views_of(world)[:FIRST], *views_of(later)[FIRST:]]


def looked_into(world, views):
    job = SimpleNamespace(floor=tuple(world.world_from_body), distances=(), wheel_boards=dict)

    def adjust(some, boards, start, robust, row_drift_px):
        return adjust_network(some, boards, LENS, start=start, robust=robust, row_drift_px=row_drift_px)

    return settled(views, world.boards, Inquiry(job, LENS, adjust, lambda some: survey_guesses(some, job)))


@pytest.mark.parametrize("sigma_px", [0.0, 4.0])
def test_a_kicked_board_is_told_alone_and_the_drift_of_the_photos_beside_it(world, kicked, sigma_px):
    found = looked_into(world, all_drifting(kicked, sigma_px, 5))
    assert [remark.partition(" by ")[0] for remark in found.remarks] == [
        f"floor board {KICKED} was moved",
        *(["the pictures drift from row to row"] if sigma_px else []),
    ]
    assert {body for body in found.network.bodies_seen if "@" in body} == {f"{KICKED}@earlier"}
    assert len(found.network.cam_from_survey) == len(kicked)  # no photo is left out
    assert found.network.state.row_drift_px == pytest.approx(sigma_px, rel=0.5)
