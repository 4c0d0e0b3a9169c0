"""Which single error would go unnoticed: against errors really made, and against the law of the test statistic."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2, ncx2

from tests.support.network_world import lens_profile, ring_world, views_of
from vision.network import Network, adjust_network
from vision.network_state import difference
from vision.observations import Distance, View
from vision.reliability import ALPHA, POWER, SingleError, Suspect, hidden, noncentrality, single_errors, with_probes

PHOTO, BODY = "p03.jpg", "b2"


def tape_of(world, a: str, b: str, error_mm: float = 0.0) -> Distance:
    marks = [world.world_from_body[body].apply(world.boards[body].centre_mm) for body in (a, b)]
    return Distance(a, b, float(np.linalg.norm(marks[0] - marks[1])) + error_mm, 1.0)


def adjusted(world, views: list[View], *, tape_error_mm: float = 0.0) -> Network:
    tape = tape_of(world, "b0", "b5", tape_error_mm)
    return adjust_network(views, world.boards, {"cam": lens_profile(sigma=1.0)}, distances=[tape], robust=False, datum="b0")


def error_of(network: Network, kind: str, what: str, suspects: tuple[Suspect, ...] = ()) -> SingleError:
    return next(d for d in single_errors(network, suspects) if d.kind == kind and d.what == what)


def with_shift(views: list[View], photos: set[str], body: str, shift_px: np.ndarray) -> list[View]:
    def shifted(view: View) -> View:
        if view.photo not in photos:
            return view
        seen = [replace(s, sighting=replace(s.sighting, px=s.sighting.px + shift_px * (s.body == body))) for s in view.seen]
        return replace(view, seen=tuple(seen))

    return [shifted(view) for view in views]


@pytest.fixture(scope="module")
def world():
    return ring_world(31, boards=6, photos=10)


def moved_by(one: Network, other: Network) -> np.ndarray:
    assert one.state.names == other.state.names
    return difference(one.state.names, other.state.value, one.state.value)


def assert_as_foretold(
    clean: Network, wrong: Network, one: SingleError, size: float, suspects: tuple[Suspect, ...] = ()
) -> None:
    """The results moved within what a hidden error of this size may do, along the direction foretold, and T is as foretold."""
    step = moved_by(clean, wrong)
    # How the error of smallest size in this direction moves the results lies in the effect's column space.
    part = np.linalg.lstsq(one.effect, step, rcond=None)[0]
    sigma = np.sqrt(np.diag(clean.state.cov))
    np.testing.assert_allclose(one.effect @ part, step, atol=0.02 * size * sigma.max() + 1e-9)
    # On the ellipsoid b'Nb = λ₀ the columns carry unit coordinates: T is λ₀ times their square.
    foretold = float(part @ part) * noncentrality(len(part)) / chi2.isf(ALPHA, len(part))
    told = error_of(wrong, one.kind, one.what, suspects)
    assert told.statistic * wrong.state.variance_factor == pytest.approx(foretold, rel=0.03)


def test_the_power_of_the_test_is_the_named_one() -> None:
    for dof in (1, 2, 3):
        assert ncx2.sf(chi2.isf(ALPHA, dof), dof, noncentrality(dof)) == pytest.approx(POWER)
    # Baarda's nomogram: 4.13 for a false alarm of 0.1 % and a power of 80 % (Baarda 1968; Ghilani, "Adjustment
    # Computations", from memory).
    assert np.sqrt(ncx2_at(0.001)) == pytest.approx(4.13, abs=0.01)


def ncx2_at(alpha: float) -> float:
    from scipy.optimize import brentq

    return float(brentq(lambda v: ncx2.sf(chi2.isf(alpha, 1), 1, v) - 0.80, 1, 60))


def test_a_sighting_read_beside_itself_moves_the_results_as_foretold(world) -> None:
    exact = views_of(world, noise_px=0.0, said_px=0.1)
    clean = adjusted(world, exact)
    one = error_of(clean, "sighting", f"{BODY} in {PHOTO}")
    wrong = adjusted(world, with_shift(exact, {PHOTO}, BODY, np.array([0.15, -0.10])))
    assert_as_foretold(clean, wrong, one, 1.0)
    # 24 corners of 0.1 px know their common place to 0.02 px, but the photo's own pose takes most of the shift up.
    alone_px = 0.1 / np.sqrt(24) * np.sqrt(noncentrality(2))
    assert one.smallest == pytest.approx(alone_px / np.sqrt(one.share), rel=0.1)
    assert 1e-3 < one.share < 0.1


def test_a_wrong_tape_moves_the_results_as_foretold(world) -> None:
    exact = views_of(world, noise_px=0.0, said_px=0.1)
    clean = adjusted(world, exact)
    one = error_of(clean, "tape", "b0 to b5")
    wrong = adjusted(world, exact, tape_error_mm=-0.4)
    assert_as_foretold(clean, wrong, one, 1.0)
    assert one.smallest > 2.0  # ±1 mm is 0.5 mm at k = 1, and the typed scale alone checks it


def test_a_board_that_moved_shows_between_the_photos_before_and_after(world) -> None:
    after = frozenset(sorted(world.cam_from_world)[5:])
    suspect = Suspect("b2 before the second round", "b2", after)
    exact = views_of(world, noise_px=0.0, said_px=0.1)
    clean = adjusted(world, exact)
    one = error_of(clean, "moved", suspect.label, (suspect,))
    shifted = replace(world, world_from_body={**world.world_from_body, "b2": _shifted(world.world_from_body["b2"])})
    late = {view.photo: view for view in views_of(shifted, noise_px=0.0, said_px=0.1)}
    wrong = adjusted(world, [late[v.photo] if v.photo in after else v for v in exact])
    assert_as_foretold(clean, wrong, one, 1.0, (suspect,))
    assert 0.5 < one.smallest < 5.0


def _shifted(pose):
    return pose.perturbed([0, 0, 0, 0.6, 0.5, 0.0])


def test_statistics_of_a_sound_network_follow_their_law(world) -> None:
    """T of every sighting is χ² of two: pooled over runs the mean is two; 1 % lie beyond the 99 % point."""
    values = []
    for seed in range(20):
        network = adjusted(world, views_of(world, noise_px=0.1, seed=seed))
        factor = network.state.variance_factor
        values += [d.statistic * factor * chi2.isf(ALPHA, 2) for d in single_errors(network) if d.kind == "sighting"]
    n = len(values)
    assert n > 700
    # Sightings of one photo share residuals, so allow four of the standard errors that independent ones had.
    assert np.mean(values) == pytest.approx(2.0, abs=4 * 2.0 / np.sqrt(n))
    assert np.mean(np.array(values) > chi2.isf(0.01, 2)) == pytest.approx(0.01, abs=4 * np.sqrt(0.01 / n))


def test_what_nothing_checks_is_said_to_be_unobservable() -> None:
    world = ring_world(32, boards=6, photos=10)
    views = views_of(world, noise_px=0.0, said_px=0.1)
    free = adjust_network(views, world.boards, {"cam": lens_profile(sigma=1.0)}, robust=False)
    taped = adjusted(world, views)
    alone, checked = (error_of(n, "scale", "boards of print run 1") for n in (free, taped))
    # Print scale of all boards without a tape: photographs look the same, only smaller.
    assert alone.share < 1e-6
    assert alone.smallest > 10.0 or np.isinf(alone.smallest)
    assert checked.share > 1e-3
    assert checked.smallest < 1.0


def test_a_hidden_error_is_carried_to_any_function_of_the_poses(world) -> None:
    network = adjusted(world, views_of(world, noise_px=0.0, said_px=0.1))
    picked = [d for d in single_errors(network) if d.kind in ("sighting", "tape")][:5]
    poses = with_probes(network.state, picked).pose_set()
    height = poses.propagate(["height"], lambda state: np.array([state["b3"].translation_mm[2]]))
    rows = [network.state.names.index(f"pose:b3:{c}") for c in ("rx", "ry", "tz")]
    x, y = network.state.pose("b3").translation_mm[:2]
    gradient = np.array([y, -x, 1.0])
    for told, one in zip(hidden(height, "height", picked), picked, strict=True):
        assert told == pytest.approx(np.linalg.norm(gradient @ one.effect[rows]), rel=1e-4)


def test_a_network_that_was_read_from_a_file_cannot_be_asked(world) -> None:
    network = adjusted(world, views_of(world, noise_px=0.1))
    with pytest.raises(ValueError, match="does not know what it was adjusted from"):
        single_errors(replace(network, inside=None))
