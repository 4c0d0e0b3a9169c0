"""What is noise and what is print: the network's residuals decide, and a later check keeps to it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support.network_world import lens_profile, misprinted, ring_world, small_boards, views_of
from vision.camera import Wobble
from vision.network import Network, adjust_network
from vision.network_io import read_state, write_state
from vision.noise_share import log_sigma0_of_corners
from vision.observations import View
from vision.sightings import Sighting

SAID_PX = 0.02
LENS = {"cam": lens_profile()}
WORLD = ring_world(51, photos=10, board_set=small_boards(6, print_mm=0.1))


def views(*, noise: float, excess: float, print_mm: float = 0.05, seed: int = 0) -> list[View]:
    """Corners that scatter `noise` times as far as stated; sightings that say `excess` of their variance."""
    world = misprinted(WORLD, print_mm, 3)
    seen = views_of(world, noise_px=noise * SAID_PX, said_px=SAID_PX, seed=seed)
    return [replace(v, seen=tuple(replace(s, sighting=replace(s.sighting, excess=excess)) for s in v.seen)) for v in seen]


def as_stated(sighting: Sighting) -> Sighting:
    return replace(sighting, cov_px=sighting.cov_px * sighting.excess, excess=1.0)


def adjusted(some: list[View]) -> Network:
    return adjust_network(some, WORLD.boards, LENS)


@pytest.mark.parametrize(("noise", "excess", "share"), [(2.0, 4.0, 1.0), (2.0, 16.0, 0.5), (1.5, 1.5**4, 0.5)])
def test_noise_beyond_the_stated_is_counted_as_far_as_it_is_there(noise, excess, share):
    """excess to the power share is the true variance factor, noise²."""
    network = adjusted(views(noise=noise, excess=excess))
    # one sample of some thousand corners, and the print's ± is a guess at theirs
    assert network.state.noise_share == pytest.approx(share, abs=0.08)
    assert network.sigma0 == pytest.approx(1.0, abs=0.04)
    assert network.state.variance_factor == pytest.approx(1.0, abs=0.08)


def test_print_errors_alone_are_no_noise():
    """Corners 0.05 mm beside their places scatter in every photo by more than stated; the same in all: no noise."""
    network = adjusted(views(noise=1.0, excess=4.0))
    assert network.state.noise_share == pytest.approx(0.0, abs=0.06)
    assert network.sigma0 == pytest.approx(1.0, abs=0.06)


def test_what_the_photos_do_not_allow_stays_in_sigma0():
    """Three times the stated noise, of which single photos allow twice: the rest is told and multiplies U."""
    network = adjusted(views(noise=3.0, excess=4.0))
    assert network.state.noise_share == 1.0
    # the printed places' own residuals, about one, are counted in sigma0 too
    assert 1.25 < network.sigma0 < 1.5


def test_sightings_without_excess_are_weighed_as_they_state():
    network = adjusted(views(noise=2.0, excess=1.0))
    assert network.state.noise_share == 0.0
    assert 1.6 < network.sigma0 < 2.0


def test_weights_differ_from_photo_to_photo():
    """Half the photos scatter three times as far, and say so: then poses scatter as little as if that had been stated."""
    some = views(noise=1.0, excess=1.0)
    far = views(noise=3.0, excess=9.0, seed=1)
    mixed = [b if k % 2 else a for k, (a, b) in enumerate(zip(some, far, strict=True))]
    stated = [replace(v, seen=tuple(replace(s, sighting=as_stated(s.sighting)) for s in v.seen)) for v in mixed]
    found, known = adjusted(mixed), adjusted(stated)
    assert found.state.noise_share == pytest.approx(1.0, abs=0.1)
    sigma, stated_sigma = (np.sqrt(np.diag(network.state.pose_set().cov)) for network in (found, known))
    np.testing.assert_allclose(sigma, stated_sigma, rtol=0.12)


def test_a_check_weighs_its_photos_as_the_survey_did(tmp_path):
    survey = adjusted(views(noise=2.0, excess=4.0))
    write_state(tmp_path / "state.npz", survey.state)
    kept = read_state(tmp_path / "state.npz")
    assert kept.noise_share == survey.state.noise_share
    later = [replace(v, photo=f"later-{v.photo}") for v in views(noise=2.0, excess=4.0, seed=9)[:4]]
    check = adjust_network(later, WORLD.boards, LENS, prior=kept)
    assert check.state.noise_share == kept.noise_share
    assert check.sigma0 == pytest.approx(1.0, abs=0.1)


def test_a_lens_that_may_wobble_does_not_make_noise_look_smaller():
    """What is known of the wobble has a redundancy of its own: 50 of some 1100 here, 2 % of the corners' σ₀."""
    unsteady = {"cam": lens_profile(wobble=Wobble(0.5, 5.0, 3.0))}
    gained = []
    for seed in range(2):
        some = views(noise=1.0, excess=1.0, seed=seed)
        still, free = (
            log_sigma0_of_corners(*adjust_network(some, WORLD.boards, lens, robust=False).inside) for lens in (LENS, unsteady)
        )
        gained.append(free - still)
    # two times, 50 unknowns that follow the noise: 3 x sqrt(2 x 50 / 2) of some 1100, halved by the root
    assert np.mean(gained) == pytest.approx(0.0, abs=0.010)
