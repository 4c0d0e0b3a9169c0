"""Where a target is and what + means, above the figures of a check."""

import pytest

from cli.check_words import measured_words


def document(figures, side="ahead"):
    rows = [{"name": name, "not_measured": "needs stand-offs"} for name in figures]
    return {
        "verdict": "conforms",
        "figures": rows,
        "moves": [],
        "moves_in_words": "leave it",
        "placement": "one",
        "target": "a target",
        "side": side,
        "origin": "front-axle",
        "line": "thrust",
        "height_from": "floor",
    }


@pytest.mark.parametrize(("side", "where", "top"), [("ahead", "ahead of", "away from"), ("behind", "behind", "towards")])
def test_a_positive_pitch_leans_the_top_in_the_cars_forward_direction_on_either_side(side, where, top):
    words = measured_words(document(["distance_mm", "pitch_deg"], side))
    assert words[4:6] == [
        f"one: a target, {where} the car; measured from the front axle, along the thrust line",
        f"(left and right are the car's, driver looking forward; pitch + leans the top {top} the car)",
    ]


def test_only_signs_of_figures_that_are_there_are_told():
    words = measured_words(document(["distance_mm", "lateral_mm"]))
    assert words[5] == "(left and right are the car's, driver looking forward)"


def test_a_mat_lies_on_the_floor_and_has_other_signs():
    words = measured_words(document(["a_ahead_mm", "a_left_mm"]))
    assert words[4:6] == [
        "one: a target, on the floor; measured from the front axle, along the thrust line",
        "(left and right are the car's, driver looking forward; ahead + towards the car's front; left + to the car's left)",
    ]
