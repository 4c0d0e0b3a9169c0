"""Moves: their words against hand-worked errors, and that carrying them out ends at zero."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from calib.decision.moves import LEAVE, documents, expected, expected_documents, in_words, moves
from calib.decision.verdict import Verdict
from calib.geometry.placement import errors_of, figures_of, placement
from calib.paper.sheet import FIGURES
from calib.paper.stand import Pivot
from tests.support.car import as_set, car
from tests.support.sheets import sheet
from vision.frames import Pose

EXACT = 1e-14
"""Covariance so small that every move is asked for."""
NOMINAL = {"ahead": np.array([4200.0, 0.0, 1200.0]), "behind": np.array([-1500.0, 0.0, 1200.0])}


def paper_for(side, **values):
    distance = 1500.0 if side == "ahead" else -1500.0
    return sheet(side=side, origin="front-axle" if side == "ahead" else "rear-axle", distance=distance, **values)


def turned(yaw=0.0, pitch=0.0, roll=0.0):
    return Rotation.from_euler("ZYX", [yaw, pitch, roll], degrees=True).as_matrix()


def measure(paper, centre_mm, rotation, variance=EXACT, toe_deg=0.0):
    poses = car({"rear_left": toe_deg, "rear_right": toe_deg})
    poses["target"] = Pose.from_rt("survey", "target", rotation, centre_mm)
    return placement(as_set(poses, np.eye(6 * len(poses)) * variance), paper)


def measure_places(paper, centre_mm, sigma_mm):
    """As `measure` for a target set square, places uncertain and directions all but known."""
    poses = car() | {"target": Pose.from_rt("survey", "target", np.eye(3), centre_mm)}
    return placement(as_set(poses, np.diag(np.tile([1e-14] * 3 + [sigma_mm**2] * 3, len(poses)))), paper)


@pytest.mark.parametrize(
    ("side", "offset_mm", "angles", "words"),
    [
        ("ahead", (0, -12.4, 0), {}, "move the stand 12.4 mm towards the car's left (driver looking forward)"),
        ("ahead", (0, 3, 0), {}, "move the stand 3.0 mm towards the car's right (driver looking forward)"),
        ("ahead", (-8, 0, 0), {}, "move the stand 8.0 mm away from the car"),
        ("ahead", (8, 0, 0), {}, "move the stand 8.0 mm towards the car"),
        ("behind", (8, 0, 0), {}, "move the stand 8.0 mm away from the car"),
        ("behind", (-8, 0, 0), {}, "move the stand 8.0 mm towards the car"),
        ("behind", (0, -5, 0), {}, "move the stand 5.0 mm towards the car's left (driver looking forward)"),
        ("ahead", (0, 0, 4), {}, "lower the target 4.0 mm"),
        ("ahead", (0, 0, -4), {}, "raise the target 4.0 mm"),
        ("ahead", (0, 0, 0), {"yaw": 0.31}, "turn it 0.31° clockwise seen from above, about the middle of the target"),
        (
            "behind",
            (0, 0, 0),
            {"yaw": -0.31},
            "turn it 0.31° counter-clockwise seen from above, about the middle of the target",
        ),
        # pitch + leans the top forward: away from the car when the target is ahead of it, towards it when behind
        ("ahead", (0, 0, 0), {"pitch": 0.4}, "tip the top of the target 0.40° towards the car"),
        ("behind", (0, 0, 0), {"pitch": 0.4}, "tip the top of the target 0.40° away from the car"),
        ("ahead", (0, 0, 0), {"roll": 0.2}, "tilt the target 0.20°: its side on the car's left down (driver looking forward)"),
        ("behind", (0, 0, 0), {"roll": -0.2}, "tilt the target 0.20°: its side on the car's left up (driver looking forward)"),
    ],
)
def test_words_of_each_move(side, offset_mm, angles, words):
    paper = paper_for(side)
    result = measure(paper, NOMINAL[side] + offset_mm, turned(**angles))
    assert [move.words for move in moves(result, paper) if abs(move.amount) > 1e-6] == [words]


def test_one_sentence_for_a_technician():
    paper = paper_for("ahead")
    result = measure(paper, NOMINAL["ahead"] + (-8.0, -12.4, 0.0), turned(yaw=0.31), 1e-10)
    assert in_words(moves(result, paper)) == (
        "turn it 0.31° clockwise seen from above, about the middle of the target, move the stand 8.0 mm away from the car, "
        "12.4 mm towards the car's left (driver looking forward)"
    )


def test_a_pivot_behind_the_target_swings_it_sideways():
    """Target in place but turned 1° too far counter-clockwise; the pivot lies 300 mm behind its face, so farther from the car.

    Turning clockwise about the pivot carries the centre, 300 mm nearer to the car than the pivot, to the car's left by
    300 · sin 1° = 5.24 mm: that must be taken back to the right.
    """
    paper = paper_for("ahead")
    result = measure(paper, NOMINAL["ahead"], turned(yaw=1.0), 1e-10)
    asked = {move.figure: move for move in moves(result, paper, Pivot(0.0, 300.0))}
    assert asked["lateral_mm"].amount == pytest.approx(-300 * math.sin(math.radians(1.0)), abs=0.01)
    assert "towards the car's right" in asked["lateral_mm"].words
    assert asked["yaw_rad"].words == "turn it 1.00° clockwise seen from above, on its pivot"


def carried_out(asked, centre_mm, rotation, axes, pivot_mm):
    """The stand moved as told: turn about the upright pivot, shifts, then tips about the target's own axes."""
    amount = {move.figure: move.amount for move in asked}
    turn = Rotation.from_rotvec([0.0, 0.0, amount.get("yaw_rad", 0.0)]).as_matrix()
    about = centre_mm if pivot_mm is None else pivot_mm
    centre = about + turn @ (centre_mm - about)
    centre = centre + axes @ [amount.get(name, 0.0) for name in FIGURES[:3]]
    tip = Rotation.from_euler("ZYX", [0.0, amount.get("pitch_rad", 0.0), amount.get("roll_rad", 0.0)]).as_matrix()
    return centre, turn @ rotation @ tip


number = st.floats(-1.0, 1.0)


@settings(max_examples=20, deadline=None)
@given(
    offset=st.tuples(number, number, number),
    yaw=number,
    tip=number,
    side=st.sampled_from(["ahead", "behind"]),
    pivot=st.none() | st.tuples(number, number),
    toe=number,
    required_yaw=number,
)
def test_moves_carried_out_end_at_zero(offset, yaw, tip, side, pivot, toe, required_yaw):
    paper = paper_for(side, yaw=20 * required_yaw)
    thrust = Rotation.from_euler("Z", toe, degrees=True).as_matrix()
    sideways = np.array([0.0, 50 * offset[1], 0.0])
    centre = thrust @ (NOMINAL[side] + [100 * offset[0], 0, 30 * offset[2]] + sideways)
    rotation = thrust @ turned(20 * required_yaw + 3 * yaw, 2 * tip, 0.0)
    stand_pivot = None if pivot is None else Pivot(400 * pivot[0], 400 * pivot[1])
    pivot_mm = None
    if stand_pivot is not None:
        # Facing a target ahead, right is its −y and away is its +x; behind the car it is the other way round.
        sign = 1.0 if side == "ahead" else -1.0
        pivot_mm = centre + rotation @ (sign * np.array([stand_pivot.behind_mm, -stand_pivot.right_mm, 0.0]))
    asked = moves(measure(paper, centre, rotation, toe_deg=toe), paper, stand_pivot)
    there, facing = carried_out(asked, centre, rotation, thrust, pivot_mm)
    poses = car({"rear_left": toe, "rear_right": toe}) | {"target": Pose.from_rt("survey", "target", facing, there)}
    error = np.array(list(errors_of(figures_of(poses, paper), paper).values()))
    assert np.abs(error[:3]).max() < 1e-3
    assert np.abs(error[3:]).max() < 1e-6


def test_moves_below_u_are_not_asked_for():
    paper = paper_for("ahead")
    result = measure(paper, NOMINAL["ahead"] + (0.0, 0.19, 0.0), turned(), 0.0)
    quiet = measure(paper, NOMINAL["ahead"] + (0.1, 0.1, 0.1), turned(), 1e-4)
    assert in_words(moves(quiet, paper)) == LEAVE
    assert [move.figure for move in moves(result, paper)] == ["lateral_mm"]


def test_a_turn_that_is_not_asked_for_swings_nothing():
    paper = paper_for("ahead")
    result = measure(paper, NOMINAL["ahead"], turned(yaw=0.005), 1e-8)
    assert 0 < abs(result.error.value[3]) < 2 * result.error.sigma("yaw_rad")
    assert moves(result, paper, Pivot(0.0, 1e6)) == ()


def test_figures_the_sheet_leaves_open_are_not_moved():
    paper = sheet(names=("yaw_rad",))
    result = measure(paper, NOMINAL["ahead"] + (50.0, 60.0, 70.0), turned(yaw=1.0, roll=1.0))
    assert [move.figure for move in moves(result, paper, Pivot(0.0, 300.0))] == ["yaw_rad"]


def test_machine_form():
    paper = paper_for("ahead")
    result = measure(paper, NOMINAL["ahead"] + (0.0, 2.0, 0.0), turned(yaw=1.0), 1e-10)
    rows = documents(moves(result, paper), None)
    assert rows[1] == {
        "name": "lateral_mm",
        "unit": "mm",
        "amount": pytest.approx(-2.0),
        "words": "move the stand 2.0 mm towards the car's right (driver looking forward)",
    }
    assert (rows[0]["name"], rows[0]["unit"], rows[0]["about"]) == ("yaw_deg", "deg", "target centre")
    assert rows[0]["amount"] == pytest.approx(-1.0)
    assert documents(moves(result, paper, Pivot(0, 10)), Pivot(0, 10))[0]["about"] == "pivot"


def test_moves_come_in_the_order_of_the_work():
    paper = paper_for("ahead")
    result = measure(paper, NOMINAL["ahead"] + (5.0, 6.0, 7.0), turned(1.0, 0.5, 0.4), 1e-10)
    assert [move.figure for move in moves(result, paper)] == [
        "yaw_rad",
        "distance_mm",
        "lateral_mm",
        "height_mm",
        "pitch_rad",
        "roll_rad",
    ]


def test_what_is_expected_after_the_moves():
    """An error below its U stays, for it is not moved; what is moved ends at zero."""
    paper = paper_for("ahead", tolerances={"distance_mm": 5.0, "height_mm": 1.0})
    result = measure_places(paper, NOMINAL["ahead"] + (8.0, 0.0, 0.4), 0.4)
    after = {one.figure: one for one in expected(result, paper, moves(result, paper))}
    assert after["distance_mm"].error == 0.0
    assert after["distance_mm"].verdict is Verdict.CONFORMS
    assert after["height_mm"].error == pytest.approx(0.4, abs=1e-9)
    u = result.error.sigma("height_mm")
    normal = NormalDist(0.4, u)
    assert after["height_mm"].probability == pytest.approx(normal.cdf(1.0) - normal.cdf(-1.0), abs=1e-9)
    assert after["lateral_mm"].probability is None


def test_a_turn_about_the_pivot_whose_swing_is_below_u_is_left_in_what_is_expected():
    paper = paper_for("ahead")
    result = measure(paper, NOMINAL["ahead"], turned(yaw=0.3), 1e-7)
    pivot = Pivot(0.0, 0.05)
    asked = moves(result, paper, pivot)
    assert [move.figure for move in asked] == ["yaw_rad"]
    after = {one.figure: one for one in expected(result, paper, asked, pivot)}
    # Turning clockwise by 0.3° carries the centre, 0.05 mm before the pivot, to the left.
    assert after["lateral_mm"].error == pytest.approx(0.05 * math.sin(math.radians(0.3)), abs=1e-6)


def test_an_error_behind_the_car_is_printed_as_the_sheet_reads():
    paper = paper_for("behind")
    result = measure_places(paper, NOMINAL["behind"] + (0.1, 0.0, 0.0), 0.4)
    rows = {row["name"]: row for row in expected_documents(expected(result, paper, moves(result, paper)), paper)}
    assert rows["distance_mm"]["error"] == pytest.approx(-0.1)
