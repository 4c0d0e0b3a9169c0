"""Corners printed beside their places: the network knows how far they may be, and what that does to everything else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support.network_world import World, lens_profile, misprinted, ring_world, small_boards, views_of
from vision.network import Network, adjust_network
from vision.observations import BodySighting, Distance, View
from vision.snooping import snoop
from vision.suppositions import Typed
from vision.unknowns import Hold

SIGMA_MM = 0.05
NOISE_PX = 0.02
"""As the last look states of near boards: 0.05 mm are some 0.03 px here."""


def printed(seed: int, *, boards: int = 6, photos: int = 10, print_seed: int = 1) -> World:
    world = ring_world(seed, photos=photos, board_set=small_boards(boards, print_mm=2.0 * SIGMA_MM))
    return misprinted(world, SIGMA_MM, print_seed)


def adjusted(world: World, *, seed: int = 0, hold: Hold | None = None, datum: str | None = None) -> Network:
    views = views_of(world, noise_px=NOISE_PX, seed=seed)
    return adjust_network(views, world.boards, {"cam": lens_profile()}, hold=hold, robust=False, datum=datum)


def test_print_errors_show_in_the_fit_unless_they_are_reckoned_with() -> None:
    world = printed(41)
    aware, blind = adjusted(world), adjusted(world, hold=Hold(printed=True))
    assert aware.sigma0_band[0] < aware.sigma0 < aware.sigma0_band[1]
    assert blind.sigma0 > blind.sigma0_band[1] + 0.2


def test_printed_places_are_found_where_they_are() -> None:
    """Up to what looks like the board's own pose: a shift and a turn in its plane, and its scale."""
    world = printed(42)
    network = adjusted(world)
    names = network.state.names
    place = np.array([[names.index(f"print:b2:{corner}:{axis}") for axis in "xy"] for corner in range(24)])
    xy = world.boards["b2"].corners_mm()[:, :2]
    x, y = (xy - xy.mean(axis=0)).T
    zero, one = np.zeros(24), np.ones(24)
    like_pose = np.array([np.r_[one, zero], np.r_[zero, one], np.r_[-y, x], np.r_[x, zero], np.r_[zero, y]]).T
    inside = np.eye(48) - like_pose @ np.linalg.pinv(like_pose)
    order = place.T.ravel()
    gap = inside @ (network.state.value[order] - world.printed_mm["b2"].T.ravel())
    cov = inside @ network.state.cov[np.ix_(order, order)] @ inside.T
    # 43 directions are left; the mean of their squares scatters by sqrt(2 / 43).
    assert float(gap @ np.linalg.pinv(cov, rcond=1e-9) @ gap) / 43 == pytest.approx(1.0, abs=3 * np.sqrt(2 / 43))
    assert np.sqrt(np.diag(cov).mean()) < 0.6 * SIGMA_MM


def test_stated_covariance_is_the_scatter_over_prints() -> None:
    """Every run prints its boards anew: an error per sighting instead would average down over the photos."""
    squares = []
    for run in range(16):
        world = printed(43, boards=4, photos=8, print_seed=100 + run)
        network = adjusted(world, seed=run, datum="b0")
        datum, bodies, error = world.world_from_body["b0"], ["b1", "b2", "b3"], []
        for body in bodies:
            gap = network.state.pose(body).transform * (datum.inverse() @ world.world_from_body[body]).transform.inv()
            error += [*gap.rotation.as_rotvec(), *gap.translation]
        white = np.linalg.solve(
            np.linalg.cholesky(network.poses.cov_of(bodies) / network.state.variance_factor), np.array(error)
        )
        squares.append(white**2)
    assert np.mean(squares) == pytest.approx(1.0, abs=3.3 * np.sqrt(2.0 / np.size(squares)))


def test_more_photos_do_not_average_a_print_away() -> None:
    """Of twice the photos from the same places, corners' share falls to a half and the print's share stays as it is."""
    once, twice = (printed(44, photos=n) for n in (10, 10))
    views = views_of(once, noise_px=NOISE_PX, seed=1)
    again = [replace(view, photo=f"again-{view.photo}") for view in views_of(twice, noise_px=NOISE_PX, seed=2)]
    lens = {"cam": lens_profile()}
    one = adjust_network(views, once.boards, lens, robust=False, datum="b0").poses.of(["b3"])
    two = adjust_network([*views, *again], once.boards, lens, robust=False, datum="b0").poses.of(["b3"])
    shrunk = {s: np.sqrt(np.diag(two.parts[s])[3:] / np.diag(one.parts[s])[3:]) for s in ("corners", "print")}
    assert shrunk["corners"].max() < 0.85
    assert shrunk["print"].min() > 0.9


def test_parts_add_up_with_the_print_among_them() -> None:
    poses = adjusted(printed(45)).poses
    assert set(poses.parts) == {"corners", "scale", "flatness", "print"}
    np.testing.assert_allclose(sum(poses.parts.values()), poses.cov, atol=1e-9 * np.abs(poses.cov).max())
    assert np.diag(poses.parts["print"]).max() > 0.05 * np.diag(poses.cov).max()


def test_a_board_keeps_its_print_from_epoch_to_epoch() -> None:
    """Two bodies of one board, before and after it was moved, share their corners' printed places."""
    world = printed(46)
    views = views_of(world, noise_px=NOISE_PX)

    def in_epoch(seen: BodySighting, late: bool) -> BodySighting:
        return replace(seen, body=f"{seen.body}@{'late' if late else 'early'}") if seen.body == "b1" else seen

    parted = [View(v.photo, v.lens, tuple(in_epoch(s, k % 2 == 1) for s in v.seen)) for k, v in enumerate(views)]
    network = adjust_network(parted, world.boards, {"cam": lens_profile()}, robust=False, datum="b0")
    assert {"b1@early", "b1@late"} <= set(network.bodies_seen)
    assert sum(name.startswith("print:b1:") for name in network.state.names) == 48
    assert network.sigma0_band[0] < network.sigma0 < network.sigma0_band[1]


def test_a_wrong_scale_is_still_told_apart_from_print_errors() -> None:
    world = printed(47, boards=8, photos=14)
    world.scale["b3"] = (1.004, 1.004)
    marks = [world.world_from_body[b].apply(world.boards[b].centre_mm) for b in ("b0", "b6")]
    tape = Distance("b0", "b6", float(np.linalg.norm(marks[0] - marks[1])), 1.0)
    views = views_of(world, noise_px=NOISE_PX)
    network = adjust_network(views, world.boards, {"cam": lens_profile()}, robust=False, distances=[tape])
    assert network.inside is not None
    found = snoop(*network.inside, [])
    assert isinstance(found[0].what, Typed)
    assert (found[0].what.kind, found[0].what.of) == ("own", "b3")
    np.testing.assert_allclose(found[0].value, 0.004, atol=4 * np.sqrt(np.diag(found[0].cov)).max())
    assert all(entry.what.kind != "print" for entry in found if isinstance(entry.what, Typed))
