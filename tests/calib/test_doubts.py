"""Which suppositions a job's photos raise, when one counts, and the words for it."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from calib.doubts import (
    Cure,
    Guess,
    check_guesses,
    doubt_about,
    in_wrong_folder,
    opened,
    parted,
    scale_advice,
    survey_guesses,
    without_moved,
)
from vision.boards import Board, BoardSet, PrintScale
from vision.frames import Pose
from vision.observations import BodySighting, View
from vision.poses import PoseSet
from vision.sightings import Sighting
from vision.suppositions import Found, Moved, Sheared, Typed, Zoomed

NAMES = ("floor-1", "floor-2", "wheel-rear-left", "wheel-rear-right", "stand-1", "stand-2")
JOB = SimpleNamespace(
    floor=("floor-1", "floor-2"),
    wheel_boards=lambda: {"rear_left": "wheel-rear-left", "rear_right": "wheel-rear-right"},
    distances=(),
)
STAND = SimpleNamespace(names=("stand-1", "stand-2"))
MEASURED = PrintScale(1.0, 1.0, 0.0007, 0.0002)
SURE, LARGE = -100.0, 400.0


@pytest.fixture(scope="module")
def boards():
    made = [Board(n, 7, 5, 36.0, 27.0, "DICT_APRILTAG_36h11", 17 * i, scale=MEASURED) for i, n in enumerate(NAMES)]
    return BoardSet(tuple(made))


def view(photo: str, *bodies: str) -> View:
    none = np.zeros((0, 2))
    seen = tuple(BodySighting(b, Sighting(b.split("@")[0], np.zeros(0, int), none, np.zeros((0, 2, 2)))) for b in bodies)
    return View(photo, "shop", seen)


def round_of(epoch: str) -> list[View]:
    return [
        view(f"{epoch}/1.jpg", "floor-1", f"wheel-rear-left@{epoch}"),
        view(f"{epoch}/2.jpg", "floor-1", "floor-2", f"wheel-rear-left@{epoch}", f"wheel-rear-right@{epoch}"),
        view(f"{epoch}/3.jpg", "floor-2", f"wheel-rear-right@{epoch}"),
    ]


def found(what, value, *, log_chance: float = SURE) -> Found:
    value = np.asarray(value, dtype=float)
    return Found(what, value, np.eye(len(value)) * 1e-8, LARGE, len(value), log_chance)


def doubt(boards, what, value, guess: Guess | None = None, job=JOB, **how):
    poses = PoseSet(
        tuple(Pose.identity("survey", body) for body in ("floor-1", "floor-2", "wheel-rear-left@rest")), np.zeros((18, 18))
    )
    return doubt_about([found(what, value, **how)], [guess] if guess else [], boards, poses, job, round_of("rest"))


def test_a_survey_supposes_moved_boards_a_moved_car_and_a_zoom():
    guesses = survey_guesses([*round_of("roll-1"), *round_of("rest")], JOB)
    floor = [(g.before, g.after) for g in guesses if isinstance(g.what, Moved) and "floor-1" in g.what.later]
    assert floor == [("roll-1/1.jpg", "roll-1/2.jpg"), ("roll-1/2.jpg", "rest/1.jpg"), ("rest/1.jpg", "rest/2.jpg")]
    car = [set(g.what.later) for g in guesses if isinstance(g.what, Moved) and "wheel-rear-left@rest" in g.what.later]
    assert car == [{"wheel-rear-left@rest"}]
    assert len([g for g in guesses if isinstance(g.what, Zoomed)]) == 5


def test_a_check_supposes_a_stand_that_moved_as_one():
    views = [view(f"check-1/{i}.jpg", "floor-1", "stand-1@check-1", "stand-2@check-1") for i in (1, 2)]
    guesses = check_guesses(views, JOB, {"the stand": STAND.names}, "check-1")
    stand = [g for g in guesses if isinstance(g.what, Moved) and "stand-1@check-1" in g.what.later]
    assert len(stand) == 1
    assert stand[0].what.together
    assert set(stand[0].what.later) == {"stand-1@check-1", "stand-2@check-1"}
    since = [g.what for g in guesses if not g.before]
    assert Zoomed("shop", frozenset({"check-1/1.jpg", "check-1/2.jpg"})) in since
    assert Moved({"floor-1": frozenset({"check-1/1.jpg", "check-1/2.jpg"})}) in since


def test_of_two_stands_each_may_have_moved_by_itself(boards):
    views = [view(f"check-1/{i}.jpg", "floor-1", "stand-1@check-1", "stand-2@check-1") for i in (1, 2)]
    guesses = check_guesses(views, JOB, {"the stand of a": ["stand-1"], "the stand of b": ["stand-2"]}, "check-1")
    stands = {g.carrier: set(g.what.later) for g in guesses if g.carrier}
    assert stands == {"the stand of a": {"stand-1@check-1"}, "the stand of b": {"stand-2@check-1"}}
    moved = Guess(Moved({"floor-2": frozenset({"check-1/2.jpg"})}, True), "check-1/1.jpg", "check-1/2.jpg", "the stand of b")
    elsewhere = SimpleNamespace(**vars(JOB) | {"floor": ()})
    words = doubt(boards, moved.what, [0, 0, 0, 3.0, 0, 0], moved, job=elsewhere).words
    assert words.startswith("the stand of b was moved by 3.0 mm")
    mat = doubt(boards, moved.what, [0, 0, 0, 3.0, 0, 0], replace(moved, carrier="the mat left"), job=elsewhere)
    assert (mat.words[:18], mat.hint[:22]) == ("the mat left was m", "let nobody step on it ")


MOVED = Guess(Moved({"floor-1": frozenset({"rest/1.jpg", "rest/2.jpg"})}), "roll-1/2.jpg", "rest/1.jpg")


def test_a_floor_board_that_moved_counts_as_two(boards):
    one = doubt(boards, MOVED.what, [0, 0, 0, 3.0, 0, 0], MOVED)
    assert one.words.startswith("floor board floor-1 was moved by 3.0 mm and 0.00° between roll-1/2.jpg and rest/1.jpg")
    assert (one.cure, one.stops) == (Cure.PART, False)
    bodies = [[s.body for s in v.seen if s.board == "floor-1"] for v in parted([*round_of("roll-1"), *round_of("rest")], one)]
    assert bodies == [["floor-1@earlier"], ["floor-1@earlier"], [], ["floor-1"], ["floor-1"], []]
    assert all(s.board != "floor-1" for v in without_moved(round_of("rest"), one) for s in v.seen)


@pytest.mark.parametrize(("value", "log_chance"), [([0, 0, 0, 0.8, 0, 0], SURE), ([0, 0, 0, 3.0, 0, 0], -5.0)])
def test_what_is_small_or_may_be_chance_is_not_told(boards, value, log_chance):
    assert doubt(boards, MOVED.what, value, MOVED, log_chance=log_chance) is None


def test_a_car_that_moved_stops_the_survey_and_asks_for_chocks(boards):
    guess = Guess(Moved({"wheel-rear-left@rest": frozenset({"rest/2.jpg"})}), "rest/1.jpg", "rest/2.jpg")
    one = doubt(boards, guess.what, [0, 0, 0, 2.0, 0, 0], guess)
    assert one.stops
    assert "moved by 2.0 mm and 0.00° during rest, between rest/1.jpg and rest/2.jpg: see wheel-rear-left" in one.words
    assert "set chocks and brake" in one.hint
    assert "take the folder rest out" in one.hint


def test_a_wrong_print_is_left_to_the_photos(boards):
    one = doubt(boards, Typed("own", "floor-2", ("own:floor-2:x", "own:floor-2:y")), [-0.006, -0.005])
    assert one.words.startswith("the photos show floor-2 0.6 % smaller than its check bars say")
    free = opened(boards, one)
    assert free["floor-2"].scale.own_pm > 10 * boards["floor-2"].scale.own_pm
    assert free["floor-1"] == boards["floor-1"]


def test_a_bend_is_told_by_its_size_even_when_it_may_be_chance(boards):
    bend = Typed("bend", "stand-1", tuple(f"bend:stand-1:{i}" for i in range(3)))
    # Amplitudes count at the face's rim.
    assert doubt(boards, bend, [0.9, 0.0, 0.0], log_chance=-3.0) is None
    one = doubt(boards, bend, [1.3, 0.0, 0.0], log_chance=-3.0)
    assert one.words.startswith("stand-1 is bent: it departs by 1.3 mm from a plane (flatness_pm_mm: 0.5)")
    assert opened(boards, one)["stand-1"].flatness_pm_mm > boards["stand-1"].flatness_pm_mm


def test_a_lens_far_from_its_profile_stops_and_a_near_one_is_told(boards):
    lens = Typed("lens", "shop", ("lens:shop:fx_px", "lens:shop:cx_px", "lens:shop:cy_px"))
    far, near = doubt(boards, lens, [-8.0, 3.0, 4.0]), doubt(boards, lens, [-1.0, 0.5, 0.0])
    assert far.stops
    assert (
        "(rest/1.jpg … rest/3.jpg) do not fit lens profile shop: they show a focal length -8.0 px and a middle 5.0 px"
        in far.words
    )
    assert not near.stops


def test_a_wrong_tape_or_run_stops(boards):
    wrong = Typed("scale", "1", ("scale:1:x", "scale:1:y"))
    one = doubt(boards, wrong, [0.005, 0.005], job=SimpleNamespace(**{**vars(JOB), "distances": ("a tape",)}))
    assert one.stops
    assert "print run 1 (floor-1 …) must be 0.5 % larger than their check bars say" in one.words


def test_without_a_tape_nothing_speaks_of_a_size_common_to_all_prints(boards):
    assert doubt(boards, Typed("scale", "1", ("scale:1:x", "scale:1:y")), [-3.8, -3.8]) is None


def test_without_a_tape_distance_one_is_asked_for(boards):
    (words,) = scale_advice(JOB, boards, ("floor-1", "floor-2"))
    assert "rest on the check bars alone" in words
    assert "[[distance]]" in words
    bare = BoardSet(tuple(replace(board, scale=PrintScale()) for board in boards))
    assert "no check bar is measured" in scale_advice(JOB, bare, ("floor-1", "floor-2"))[0]
    assert scale_advice(SimpleNamespace(floor=JOB.floor, distances=("a tape",)), boards, ("floor-1", "floor-2")) == []


def test_a_photo_in_the_wrong_folder_is_told_where_it_belongs():
    err = in_wrong_folder("roll-3/2.jpg", "wheel-rear-left@roll-3", "wheel-rear-left@roll-2")
    assert "the photo belongs to roll-2, not to roll-3" in err.what
    assert "photos/roll-2" in err.hint


@pytest.mark.parametrize(("drift", "becomes"), [([3.0, 0.0], "taken out, counts for less"), ([0.0, 7.0], "left out")])
def test_a_photo_that_drifts_is_told_with_what_becomes_of_it(boards, drift, becomes):
    one = doubt(boards, Sheared("rest/2.jpg"), drift)
    assert f"rest/2.jpg by {max(drift):.1f} px over 1000 rows ({becomes})" in one.words
    assert one.cure is Cure.STEADY
    assert list(one.drift_px) == ["rest/2.jpg"]
