"""Faults made on purpose: each named with board, photo or epoch and what to do, or bounded by U, or asked about.

What is expected of each is stated beforehand in `tests/support/faults.py`. On simulated corners here for every run; on rendered
photos, faults of picture files included, with `-m slow` (the table of all: `tests/benchmarks/faults.py`).
"""

from __future__ import annotations

import pytest

import vision.parallel
from cli.stations import settled_survey
from tests.support.fault_runs import Outcome, base_job, on_corners, on_photos
from tests.support.faults import BENT, BOUNDED, FAULTS, PICTURES, UNSEEN, Fault
from tests.support.simulated import scene, simulate

SEED = 1
BOUND = 1.5
"""Largest error over U: of some 40 figures of a sound bay the largest lies at 1.0 to 1.3 U."""
NONE = Fault("none", "", BOUNDED)
DOUBTS = ("was moved", "zoom or focus", "do not fit", "bent", "than its check bars", "contradict", "is not where")
SLOW = {
    ("wheel boards swapped left/right", "both axles"),
    ("print scale wrong on one board", "0.5 %, floor board"),
    ("board turned on its wheel", "0.2° about the axis"),
    ("wheel steered between rolls", "0.3°"),
    ("vehicle rolled during an epoch", "2 mm, each wheel seen at one time"),
    ("zoom or focus changed half-way", "1 %"),
}
"""Variants of faults that every run tests in another size."""


def name_of(fault: Fault) -> str:
    return f"{fault.name}, {fault.size}"


def cases(faults, slow=frozenset()):
    marks = {True: [pytest.mark.slow], False: []}
    return [pytest.param(f, id=name_of(f), marks=marks[(f.name, f.size) in slow]) for f in faults]


def assert_as_stated(fault: Fault, out: Outcome) -> None:
    told = "\n".join(out.messages)
    if fault.expected == BOUNDED:
        assert not out.refused, told
        assert not any(word in told for word in DOUBTS), told
        assert abs(out.worst[1]) < BOUND, f"{out.worst}\n{told}"
        return
    assert out.said(fault), f"not said: {fault.says!r} and {fault.advises!r}; but:\n{told}"
    assert out.refused == fault.refused, told
    if not out.refused and fault.expected != UNSEEN:
        # Named and cured: what is measured all the same is right.
        assert abs(out.worst[1]) < BOUND, f"{out.worst}\n{told}"


@pytest.fixture(scope="module")
def bay():
    return scene(SEED)


@pytest.fixture(scope="module")
def sound(bay, tmp_path_factory):
    """The survey of the bay without a fault: the same corners as in every fault of the check alone."""
    sim = simulate(tmp_path_factory.mktemp("sound") / "job", SEED, of=bay)
    return settled_survey(sim.desk, [view for view in sim.survey_views if view.seen])


def test_a_sound_bay_is_not_doubted(bay, sound, tmp_path):
    assert sound.remarks == ()
    assert_as_stated(NONE, on_corners(NONE, bay, tmp_path / "job", SEED))


@pytest.mark.parametrize("fault", cases(FAULTS, SLOW))
def test_on_simulated_corners(fault, bay, sound, tmp_path):
    assert_as_stated(fault, on_corners(fault, bay, tmp_path / "job", SEED, sound=sound, check=False))


@pytest.fixture(scope="session")
def rendered(tmp_path_factory):
    """A bay without faults, rendered and looked at once in a session: scene and job folder."""
    of, folder = scene(SEED, bends=False), tmp_path_factory.mktemp("rendered") / "base"
    base_job(of.demo, folder, SEED)
    return of, folder


@pytest.mark.slow
@pytest.mark.parametrize("fault", cases((NONE, *FAULTS, *BENT, *PICTURES)))
def test_on_rendered_photos(fault, rendered, tmp_path, monkeypatch):
    monkeypatch.setattr(vision.parallel, "LEAST_FOR_POOL", 6)
    of, base = rendered
    assert_as_stated(fault, on_photos(fault, of, base, tmp_path / "job", SEED))
