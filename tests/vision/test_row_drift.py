"""One σ for the drift of all photos: found where they drift, zero where they do not, and handed on to later photos."""

from __future__ import annotations

import numpy as np
import pytest

from tests.support.drifting import all_drifting
from tests.support.network_world import lens_profile, ring_world, views_of
from vision.network import adjust_network
from vision.network_io import read_state, write_state
from vision.row_drift import likeliest_px, may_drift, settled_drift

SIGMA_PX = 6.0
LENS = {"cam": lens_profile()}


@pytest.fixture(scope="module")
def world():
    return ring_world(21, boards=7, photos=14)


@pytest.fixture(scope="module")
def views(world):
    return all_drifting(views_of(world), SIGMA_PX, 5)


@pytest.fixture(scope="module")
def allowed(world, views):
    return before_and_after(world, views)


def before_and_after(world, views):
    def adjust(px):
        return adjust_network(views, world.boards, LENS, robust=False, row_drift_px=px)

    network = adjust(0.0)
    return network, settled_drift(adjust)


def test_a_still_camera_is_not_said_to_drift(world):
    for seed in range(4):
        assert before_and_after(world, views_of(world, seed=seed))[1] is None


def test_the_drift_of_photos_that_drift_is_found(allowed):
    before, after = allowed
    assert may_drift(before)
    # 28 drifts: their σ is good to 13 %, and a little less as each is seen by a few boards only
    assert after.state.row_drift_px == pytest.approx(SIGMA_PX, rel=0.45)
    assert after.sigma0 < before.sigma0


def test_the_likeliest_drift_of_photos_that_know_theirs_unequally_is_true_on_the_mean():
    """Drifts as surveys measure them: by a common error, and some photos far worse than others."""
    rng, runs, true = np.random.default_rng(3), 300, 0.8
    own = np.geomspace(0.2, 3.0, 60)
    cov = np.diag(own**2) + 0.1
    found = [likeliest_px(rng.normal(0.0, true, 60) + rng.multivariate_normal(np.zeros(60), cov), cov) for _ in range(runs)]
    # 30 of them know their drift better than it is large: σ is good to some 20 %, its mean to 3 x 1.2 %
    assert np.mean(found) == pytest.approx(true, rel=0.04)


def test_with_the_drift_allowed_boards_err_as_stated(world, allowed):
    """Places of the boards against the truth, in both networks: without the drift they are more wrong than they say."""

    def square(network):
        base = world.world_from_body[network.state.datum]
        out = []
        for body in network.poses.bodies:
            if body != network.state.datum:
                true = base.inverse() @ world.world_from_body[body]
                gap = network.state.pose(body).translation_mm - true.translation_mm
                cov = network.poses.of([body]).cov[3:, 3:]
                out.append(float(gap @ np.linalg.solve(cov, gap)) / 3.0)
        return float(np.mean(out))

    before, after = allowed
    assert square(after) < 2.5
    assert square(before) > 1.5 * square(after)


def test_later_photos_may_drift_as_much(world, views, allowed, tmp_path):
    _, survey = allowed
    write_state(tmp_path / "state.npz", survey.state)
    kept = read_state(tmp_path / "state.npz")
    assert kept.row_drift_px == survey.state.row_drift_px
    check = adjust_network(views[:3], world.boards, LENS, prior=kept, robust=False)
    assert check.state.row_drift_px == kept.row_drift_px
    assert np.abs(check.inside[1].values.wobble[:, 3:]).max() > 0.1
