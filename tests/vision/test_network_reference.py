"""The network against COLMAP's bundle adjuster (`pycolmap`) on the same corners, as a rig (`tests/support/colmap_rig.py`)."""

from __future__ import annotations

import re

import numpy as np
import pytest

from tests.support.network_world import CAMERA, lens_profile, ring_world, views_of
from vision.frames import Pose
from vision.network import Network, adjust_network
from vision.unknowns import Hold

pytest.importorskip("pycolmap", reason="needs pycolmap (extra `reference`)")
pytestmark = pytest.mark.reference

from tests.support.colmap_rig import Reconstruction, rough_start  # noqa: E402 - needs pycolmap

ALL_HELD = Hold(lens=True, scale=True, bend=True)
DATUM = "b0"
NOISE_PX = 0.3


def assert_pose_close(ours: Pose, theirs: Pose, *, mm: float, deg: float) -> None:
    shift_mm = float(np.linalg.norm(ours.translation_mm - theirs.translation_mm))
    turn_deg = float(np.degrees((ours.transform.rotation.inv() * theirs.transform.rotation).magnitude()))
    assert shift_mm <= mm, f"{ours.source}: {shift_mm:.2e} mm"
    assert turn_deg <= deg, f"{ours.source}: {turn_deg:.2e} deg"


@pytest.fixture(scope="module", params=[1, 2])
def both(request) -> tuple[Network, Reconstruction, object]:
    world = ring_world(request.param)
    views = [view for view in views_of(world, noise_px=NOISE_PX, seed=request.param) if view.seen]
    # COLMAP starts on its own, some tenths of a degree and a centimetre off.
    start = rough_start(world.cam_from_world, world.world_from_body, DATUM, request.param)
    theirs = Reconstruction(views, world.boards, CAMERA, start, DATUM)
    summary = theirs.adjust()
    ours = adjust_network(views, world.boards, {"cam": lens_profile()}, datum=DATUM, hold=ALL_HELD, robust=False)
    return ours, theirs, summary


def test_boards_stand_where_colmap_puts_them(both):
    ours, theirs, _ = both
    assert len(ours.bodies_seen) == 8
    for body in ours.bodies_seen:
        assert_pose_close(ours.state.pose(body), theirs.survey_from_body(body), mm=1e-3, deg=1e-4)


def test_photos_were_taken_where_colmap_puts_them(both):
    ours, theirs, _ = both
    assert len(ours.cam_from_survey) == 14
    for photo, pose in ours.cam_from_survey.items():
        assert_pose_close(pose, theirs.cam_from_survey(photo), mm=1e-3, deg=1e-4)


def test_the_square_sum_is_colmap_s(both):
    ours, _, summary = both
    assert summary.num_residuals == 2 * ours.corners
    final = float(re.search(r"Final cost: ([\d.e+-]+)", summary.brief_report())[1])
    # Ceres halves the square sum; the corners' 0.3 px whitens ours.
    assert ours.chi_square * NOISE_PX**2 / 2 == pytest.approx(final, rel=1e-6)
