"""Why a check is undecided although all its figures are inside, and the step that a job's status makes of it."""

import pytest

from calib.paper.held_back import CAR_LIMITS, all_inside, holdups
from calib.paper.job_state import PlacementState
from calib.paper.next_step import Facts, steps

SEEN = {"seen": [{"board": "wheel-front-left"}], "not_seen_reason": None}


def check(**other):
    inside = {"name": "distance_mm", "measured": 1500.0, "verdict": "conforms"}
    base = {
        "verdict": "undecided",
        "epoch": "check-1",
        "date": "2026-01-31T10:00:00",
        "figures": [inside, {"name": "roll_deg", "measured": 0.1, "verdict": "not judged"}],
        "car": SEEN,
        "floor": {"limits": [], "overruled": None},
        "remarks": [],
        "moves_in_words": "move the stand 1.0 mm away from the car",
    }
    return base | other


LIMIT = {"name": "floor_flatness_mm", "verdict": "undecided"}


@pytest.mark.parametrize(
    ("other", "words"),
    [
        ({}, []),
        ({"car": {"seen": [], "not_seen_reason": None}}, ["the car was not seen"]),
        ({"car": {"seen": [], "not_seen_reason": "brake on"}}, []),
        ({"floor": {"limits": [LIMIT], "overruled": None}}, ["the floor is not shown to keep the sheet's limits"]),
        ({"floor": {"limits": [LIMIT], "overruled": {"reason": "old slab", "by": "A. B."}}}, []),
        ({"remarks": [f"{CAR_LIMITS} (thrust angle): put it right first"]}, [CAR_LIMITS]),
        ({"figures": [{"name": "yaw_deg", "unit": "deg", "not_measured": "no line"}]}, ["not measured: yaw"]),
        ({"second_boards": [{"agrees": True}, {"agrees": False}]}, []),
        ({"second_boards": [{"agrees": False}]}, ["the boards on the target contradict each other"]),
    ],
)
def test_what_is_not_shown_is_named(other, words):
    assert [one.words for one in holdups(check(**other))] == words


def test_a_figure_that_is_not_sure_or_none_at_all_is_not_inside():
    assert all_inside(check())
    assert not all_inside(check(figures=[{"name": "distance_mm", "measured": 1500.0, "verdict": "undecided"}]))
    assert not all_inside(check(figures=[{"name": "roll_deg", "measured": 0.1, "verdict": "not judged"}]))
    assert not all_inside(check(figures=[]))


def step_after(document):
    state = PlacementState("", "panel", 1, document, None)
    facts = Facts(
        "job", {"questions": [], "open": 0}, "", True, "sheet.toml", {"rest": 9, "check-1": 6}, "", "", "none", (state,)
    )
    return steps(facts)[-1].step


def test_the_status_asks_for_what_is_missing_and_for_no_move():
    step = step_after(check(car={"seen": [], "not_seen_reason": None}))
    assert step.startswith("no move is needed, but photograph a wheel board")
    assert "job/photos/check-2" in step
    assert "move the stand" not in step
    outside = [{"name": "distance_mm", "measured": 1500.0, "verdict": "does not conform"}]
    assert step_after(check(figures=outside, verdict="does not conform")).startswith("move the stand 1.0 mm")
