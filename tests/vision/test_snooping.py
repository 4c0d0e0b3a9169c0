"""Suppositions against what a whole new adjustment says, and against the law of their statistic when nothing is wrong."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support.network_world import lens_profile, ring_world, small_boards, views_of
from vision.frames import Pose
from vision.network import Network, adjust_network
from vision.observations import BodySighting, View
from vision.snooping import snoop
from vision.suppositions import Found, Moved, Typed, Zoomed, breaks, face_departure_mm

PHOTOS = 24
LATER = frozenset(f"p{k:02d}.jpg" for k in range(12, PHOTOS))


@pytest.fixture(scope="module")
def world():
    return ring_world(41, boards=6, photos=PHOTOS)


def adjusted(world, views: list[View]) -> Network:
    return adjust_network(views, world.boards, {"cam": lens_profile(sigma=1.0)}, robust=False, datum="b0")


def asked(network: Network, *guesses: Moved | Zoomed) -> list[Found]:
    assert network.inside is not None
    return snoop(*network.inside, guesses)


def changed_later(world, *, seed: int = 1, **change) -> list[View]:
    """Photos of the world, the later ones of a changed world."""
    before, after = views_of(world, noise_px=0.1, seed=seed), views_of(replace(world, **change), noise_px=0.1, seed=seed)
    return [b if b.photo in LATER else a for a, b in zip(before, after, strict=True)]


def shifted(world, body: str, shift_mm: list[float], turn_rad: list[float]) -> dict[str, Pose]:
    mark = world.world_from_body[body].apply(world.boards[body].centre_mm)
    turn = Pose.from_rt("world", "world", turn_rad, [0.0, 0.0, 0.0])
    about = Pose.from_rt("world", "world", turn_rad, mark - turn.apply(mark) + np.array(shift_mm))
    return {**world.world_from_body, body: about @ world.world_from_body[body]}


def test_a_board_that_moved_is_found_first_with_its_shift(world):
    views = changed_later(world, world_from_body=shifted(world, "b2", [1.6, -1.2, 0.0], [0.0, 0.0, 0.003]))
    network = adjusted(world, views)
    guesses = [Moved({body: LATER}) for body in network.bodies_seen]
    best = asked(network, *guesses, Zoomed("cam", LATER))[0]
    assert isinstance(best.what, Moved)
    assert list(best.what.later) == ["b2"]
    mark = network.state.pose("b2").apply(world.boards["b2"].centre_mm)
    # The shift is known to some tenths of a millimetre here.
    assert best.shift_mm(mark) == pytest.approx(2.0, abs=0.5)
    assert best.turn_rad() == pytest.approx(0.003, abs=0.0015)


def test_the_drop_is_that_of_a_new_adjustment(world):
    views = changed_later(world, world_from_body=shifted(world, "b4", [0.3, 0.2, 0.1], [0.0, 0.0, 0.0]))
    network = adjusted(world, views)
    foretold = next(f for f in asked(network, Moved({"b4": LATER})) if isinstance(f.what, Moved))
    split = [
        replace(v, seen=tuple(replace(s, body="b4@later") if s.body == "b4" and v.photo in LATER else s for s in v.seen))
        for v in views
    ]
    assert foretold.drop == pytest.approx(network.chi_square - adjusted(world, split).chi_square, rel=0.02)
    assert foretold.freedom == 6


def test_the_drop_is_that_of_a_new_adjustment_where_prints_err_and_corners_are_hidden():
    """Corners that a sighting lacks stand in the arrays all the same, and must not stand for those it has."""
    world = ring_world(41, board_set=small_boards(6, print_mm=0.2), photos=PHOTOS)
    views = [
        replace(v, seen=tuple(part(s, 9 + 4 * k) for k, s in enumerate(v.seen)))
        for v in changed_later(world, world_from_body=shifted(world, "b4", [0.3, 0.2, 0.1], [0.0, 0.0, 0.0]))
    ]
    network = adjusted(world, views)
    foretold = next(f for f in asked(network, Moved({"b4": LATER})) if isinstance(f.what, Moved))
    split = [
        replace(v, seen=tuple(replace(s, body="b4@later") if s.body == "b4" and v.photo in LATER else s for s in v.seen))
        for v in views
    ]
    assert foretold.drop == pytest.approx(network.chi_square - adjusted(world, split).chi_square, rel=0.02)


def part(seen: BodySighting, count: int) -> BodySighting:
    """The first corners of a sighting."""
    s = seen.sighting
    return replace(seen, sighting=replace(s, corner_ids=s.corner_ids[:count], px=s.px[:count], cov_px=s.cov_px[:count]))


def test_a_wrong_scale_is_found_with_its_size(world):
    wrong = replace(world, scale={**world.scale, "b4": (1.005, 1.005)})
    best = asked(adjusted(world, views_of(wrong, noise_px=0.1, seed=2)))[0]
    assert isinstance(best.what, Typed)
    assert (best.what.kind, best.what.of) == ("own", "b4")
    assert best.value == pytest.approx([0.005, 0.005], abs=0.002)


def test_a_zoom_is_found_with_its_size(world):
    larger = world.camera.parameters
    larger[:2] *= 1.004
    network = adjusted(world, changed_later(world, camera=world.camera.with_parameters(larger)))
    best = asked(network, Zoomed("cam", LATER), *(Moved({body: LATER}) for body in network.bodies_seen))[0]
    assert isinstance(best.what, Zoomed)
    assert best.value[0] == pytest.approx(0.004, abs=0.0008)


def test_another_lens_is_found(world):
    other = world.camera.parameters
    other[:4] += [12.0, 12.0, 6.0, -5.0]
    network = adjusted(world, views_of(replace(world, camera=world.camera.with_parameters(other)), noise_px=0.1, seed=3))
    best = asked(network, Zoomed("cam", LATER))[0]
    assert isinstance(best.what, Typed)
    assert best.what.kind == "lens"
    assert best.what.names[0] == "lens:cam:fx_px"


def test_chances_are_even_when_nothing_is_wrong(world):
    chances = []
    for seed in range(8):
        network = adjusted(world, views_of(world, noise_px=0.1, seed=100 + seed))
        guesses = [Moved({body: LATER}) for body in network.bodies_seen if body != "b0"]
        chances += [np.exp(f.log_chance) for f in asked(network, *guesses) if isinstance(f.what, Moved)]
    # 40 even chances: the mean scatters by 0.29 / sqrt(40) = 0.05, the share below 0.1 by 0.05.
    assert np.mean(chances) == pytest.approx(0.5, abs=0.15)
    assert np.mean(np.array(chances) < 0.1) < 0.25
    assert min(chances) > 1e-4


def test_what_moves_together_takes_six_unknowns(world):
    network = adjusted(world, views_of(world, noise_px=0.1, seed=4))
    later = {"b1": LATER, "b2": LATER}
    apart, together = (next(f for f in asked(network, m) if f.what is m) for m in (Moved(later), Moved(later, together=True)))
    assert (apart.freedom, together.freedom) == (12, 6)
    assert together.drop <= apart.drop + 1e-6


def test_a_guess_about_what_no_photo_shows_is_passed_over(world):
    network = adjusted(world, views_of(world, noise_px=0.1, seed=4))
    assert all(isinstance(f.what, Typed) for f in asked(network, Moved({"b9": LATER}), Zoomed("other", LATER)))


def test_breaks_are_told_once_each():
    seen = [("1", {"a"}), ("2", {"b"}), ("3", {"a", "b"}), ("4", {"c"}), ("5", {"b"})]
    assert [(b.before, b.after, set(b.later)) for b in breaks(["a"], seen)] == [("1", "3", {"a"})]
    both = breaks(["a", "b"], seen)
    assert [(b.before, b.after) for b in both] == [("1", "2"), ("2", "3"), ("3", "5")]
    assert both[1].later == {"a": frozenset({"3"}), "b": frozenset({"3", "5"})}


def test_a_bent_face_departs_most_at_its_rim():
    departure, sigma = face_departure_mm(np.array([1.0, 0.0, 0.0]), np.diag([0.01, 0.0, 0.0]))
    assert departure == pytest.approx(1.0)
    assert sigma == pytest.approx(0.1)
    departure, sigma = face_departure_mm(np.array([1.0, -2.0, 0.5]), np.eye(3) * 0.01)
    assert departure == pytest.approx(1.0 + 2.0 + 0.5)
    assert sigma == pytest.approx(0.1 * np.sqrt(3.0))
