"""Which castor, slide or screw makes a move, against hand-worked levers."""

from __future__ import annotations

import math

import numpy as np
import pytest

from calib.decision.adjusting import direction
from calib.decision.moves import documents, moves, moves_of
from calib.paper.adjusters import Adjuster
from calib.paper.stand import Pivot, Stand, StandBoard
from tests.calib.decision.test_moves import NOMINAL, measure, paper_for, turned

BOARDS = (StandBoard("stand-1", 0.0, 0.0, 0.0),)
LEFT = Adjuster("left castor", ("turn",), (-400.0, 150.0))
RIGHT = Adjuster("right castor", ("turn",), (400.0, 150.0))


def asked(*adjusters, side="ahead", offset_mm=(0.0, 0.0, 0.0), pivot=None, variance=1e-10, **angles):
    paper = paper_for(side)
    found = measure(paper, NOMINAL[side] + offset_mm, turned(**angles), variance)
    return {move.figure: move for move in moves_of(found, paper, Stand(BOARDS, pivot, adjusters=adjusters))}


def test_castors_beside_the_target_go_opposite_ways():
    """Half a degree clockwise from above: 400 mm to the car's left goes away from the car by 400 · sin 0.5° = 3.5 mm."""
    move = asked(LEFT, RIGHT, yaw=0.5)["yaw_rad"]
    assert "[left castor: 3.7 mm away from the car; right castor: 3.7 mm towards the car]" in move.words
    chord = 2.0 * math.hypot(400.0, 150.0) * math.sin(math.radians(0.25))
    assert [use.mm for use in move.uses] == pytest.approx([chord, chord], rel=1e-6)


def test_behind_the_car_the_same_castors_are_on_its_other_side():
    """Who faces a target behind the car has the car's right to the left, and clockwise carries that side away from the car.

    Left castor: 400 mm to the car's right, so at y = -400; a turn by -0.5° carries it by θ·y: 3.5 mm backward.
    """
    move = asked(LEFT, RIGHT, side="behind", yaw=0.5)["yaw_rad"]
    assert "[left castor: 3.7 mm away from the car; right castor: 3.7 mm towards the car]" in move.words


@pytest.mark.parametrize("degrees", [44.0, 45.0, 46.0])
def test_castors_of_a_target_at_45_degrees_are_told_by_the_same_words(degrees):
    way = np.array([math.cos(math.radians(degrees)), -math.sin(math.radians(degrees))])
    assert [direction(sign * way, paper_for("behind")) for sign in (1.0, -1.0)] == ["towards the car", "away from the car"]


def test_the_castor_on_the_pivot_stays():
    move = asked(LEFT, RIGHT, pivot=Pivot(400.0, 150.0), yaw=0.5)["yaw_rad"]
    assert [use.adjuster for use in move.uses] == ["left castor"]
    assert move.uses[0].mm == pytest.approx(2.0 * 800.0 * math.sin(math.radians(0.25)))
    assert move.words.endswith("[left castor: 7.0 mm away from the car]")


@pytest.mark.parametrize(
    ("adjuster", "offset_mm", "angles", "figure", "words"),
    [
        (Adjuster("cross slide", ("lateral",)), (0, -3, 0), {}, "lateral_mm", "[cross slide]"),
        (Adjuster("spindle", ("height",), mm_per_turn=4.0), (0, 0, -10), {}, "height_mm", "[spindle: 2.5 turns]"),
        (
            Adjuster("spindle", ("height",), mm_per_turn=4.0, ways={"up": "clockwise", "down": "back"}),
            *((0, 0, 2), {}, "height_mm", "[spindle: 0.50 turns back]"),
        ),
        (Adjuster("rail", ("distance",), mm_per_mark=5.0), (8, 0, 0), {}, "distance_mm", "[rail: 1.6 marks]"),
        (
            Adjuster("screw", ("tip",), arm_mm=300.0, ways={"away": "in", "towards": "out"}),
            *((0, 0, 0), {"pitch": 0.4}, "pitch_rad", "[screw: 2.1 mm out]"),
        ),
        (Adjuster("screw", ("tilt",), arm_mm=700.0), (0, 0, 0), {"roll": 0.2}, "roll_rad", "[screw: 2.4 mm]"),
        (
            Adjuster("screw", ("tip",), arm_mm=300.0, mm_per_turn=1.0),
            *((0, 0, 0), {"pitch": 0.4}, "pitch_rad", "[screw: 2.1 turns (2.1 mm)]"),
        ),
        (Adjuster("knob", ("turn",)), (0, 0, 0), {"yaw": 0.3}, "yaw_rad", "[knob]"),
        (
            Adjuster("knob", ("turn",), ways={"clockwise": "right", "counter_clockwise": "left"}),
            *((0, 0, 0), {"yaw": 0.3}, "yaw_rad", "[knob: right]"),
        ),
    ],
)
def test_words_of_each_kind(adjuster, offset_mm, angles, figure, words):
    found = asked(adjuster, offset_mm=offset_mm, **angles)
    assert found[figure].words.endswith(" " + words)
    assert all("[" not in move.words for name, move in found.items() if name != figure)


def test_away_behind_the_car_is_backward():
    adjuster = Adjuster("rail", ("distance",), ways={"away": "out", "towards": "in"})
    assert "[rail: out]" in asked(adjuster, side="behind", offset_mm=(8, 0, 0))["distance_mm"].words


def test_a_move_smaller_than_its_u_is_not_asked_of_anybody():
    assert "height_mm" not in asked(Adjuster("spindle", ("height",), mm_per_turn=0.01), offset_mm=(0, 0, 1.9), variance=1.0)


def test_without_adjusters_words_and_documents_are_as_they_were():
    paper = paper_for("ahead")
    found = measure(paper, NOMINAL["ahead"] + np.array([8.0, 3.0, 1.0]), turned(yaw=0.3), 1e-10)
    plain, empty = moves(found, paper), moves_of(found, paper, Stand(BOARDS))
    assert plain == empty
    assert not any("adjusters" in row for row in documents(empty))


def test_documents_say_what_is_in_the_words():
    spindle = Adjuster("spindle", ("height",), mm_per_turn=4.0)
    move = asked(spindle, offset_mm=(0, 0, 10))["height_mm"]
    (row,) = documents((move,))
    assert row["adjusters"] == [
        {"adjuster": "spindle", "mm": pytest.approx(10.0), "turns": pytest.approx(2.5), "marks": None, "way": None}
    ]
