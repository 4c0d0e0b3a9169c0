"""Intended places against the synthetic bay's own geometry, which shares nothing with them but the board definition."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from calib.geometry.intended import (
    STANDOFF_MM,
    board_places,
    camera_place,
    in_the_way,
    look_at,
    origin_mm,
    tape_between,
    target_place,
    travel_mm,
    wheel_places,
)
from calib.geometry.intended_targets import Intended, carried_places
from calib.geometry.walk import sites_of, usual_floor, with_usual_places
from calib.paper.bay import BayPlan, FloorPlace, PhotoPlace
from calib.paper.stand import Stand, StandBoard
from synthetic_images import bay as true
from synthetic_images.rigid import look_at as true_look_at
from tests.support.sheets import sheet
from vision.boards_io import starter_boards
from vision.errors import MeasurementError

WHEELS = {wheel: f"wheel-{wheel.replace('_', '-')}" for wheel in true.WHEEL_POSITIONS}
STAND = Stand((StandBoard("stand-1", -260.0, -70.0, 4.0, math.radians(3.0)), StandBoard("stand-2", 250.0, 60.0, 4.0)))
BOARDS = starter_boards("a4")
FLOOR = [board.name for board in BOARDS if board.name.startswith("floor-")]


def synthetic(plan: BayPlan, stand: true.Stand) -> true.Bay:
    """A straight car on an even floor, its wheels where the plan has them, boards square on them."""
    wheels = tuple(
        true.Wheel(
            position,
            WHEELS[position],
            tuple(wheel_places(plan)[position]),
            0.0,
            math.radians(-0.6 if position.startswith("front") else -1.1),
            float(wheel_places(plan)[position][2]),
            true.Mount(STANDOFF_MM),
        )
        for position in true.WHEEL_POSITIONS
    )
    floor = tuple(true.FloorBoard(p.board, p.ahead_mm, p.left_mm, math.radians(p.turn_deg)) for p in plan.floor)
    epochs = [true.Epoch(name, travel_mm(plan, name)) for name in plan.roll_epochs]
    return true.Bay(
        BOARDS, true.Floor(), floor, wheels, np.eye(4), (*epochs, true.Epoch("rest"), true.Epoch("check-1", stand=stand))
    )


@pytest.mark.parametrize("side", ["ahead", "behind"])
def test_floor_and_stand_boards_are_where_the_synthetic_bay_has_them(side):
    along = -1.0 if side == "behind" else 1.0
    wanted = sheet(side=side, distance=along * 1800.0, lateral=40.0, height=900.0, yaw=17.0, pitch=3.0, roll=-6.0)
    target = Intended(wanted, STAND)
    plan = with_usual_places(BayPlan(), (target,), BOARDS, FLOOR)
    places = board_places(plan, BOARDS, WHEELS) | carried_places(plan, BOARDS, target)
    stand = true.Stand(
        along * 1800.0, 40.0, 900.0, math.radians(17.0), math.radians(3.0), math.radians(-6.0),
        tuple(true.StandBoard(b.board, b.right_mm, b.up_mm, b.turn_rad, b.behind_mm) for b in STAND.boards),
    )  # fmt: skip
    bay = synthetic(plan, stand)
    for board, pose in bay.board_poses("check-1").items():
        body = board if board.startswith("floor") else f"{board}@check-1"
        if board.startswith("wheel"):
            continue
        # the synthetic height counts from the mean of the feet, which all lie on the plane z = 0
        np.testing.assert_allclose(places[body].transform.as_matrix(), pose, atol=1e-6)


@pytest.mark.parametrize("wheel", true.WHEEL_POSITIONS)
def test_wheel_boards_turn_as_rolling_wheels_do(wheel):
    plan = BayPlan()
    places = board_places(plan, BOARDS, WHEELS)
    bay = synthetic(replace(plan, floor=()), true.Stand(1800.0, 0.0, 1000.0, 0.0, 0.0, 0.0))
    board = BOARDS[WHEELS[wheel]]
    mounted = None
    for epoch in (*plan.roll_epochs, "rest"):
        in_wheel = np.linalg.inv(bay.bay_from_wheel(wheel, epoch)) @ places[f"{board.name}@{epoch}"].transform.as_matrix()
        mounted = in_wheel if mounted is None else mounted
        # one rigid mount in all epochs: the same roll direction, radius and axis as the synthetic wheel
        np.testing.assert_allclose(in_wheel, mounted, atol=1e-6)
    centre = (mounted @ np.append(board.centre_mm, 1.0))[:3]
    assert centre[2] == pytest.approx(STANDOFF_MM, abs=1.0)
    assert np.hypot(*centre[:2]) == pytest.approx(math.hypot(10.0, 10.0), abs=1.0)
    assert mounted[2, 2] < -0.99, "the printed face looks outboard"


def test_the_target_stands_where_the_sheet_says():
    ahead = target_place(BayPlan(), sheet(distance=1500.0, lateral=-20.0, height=800.0))
    np.testing.assert_allclose(ahead.translation_mm, [2700.0 + 1500.0, -20.0, 800.0])
    behind = target_place(BayPlan(), sheet(side="behind", origin="rear-axle", distance=-1500.0))
    assert behind.translation_mm[0] == pytest.approx(-1500.0)


def test_a_touched_origin_needs_its_place():
    wanted = sheet(origin="point:nose", distance=1000.0)
    with pytest.raises(MeasurementError, match="bay file does not say where point nose is"):
        origin_mm(BayPlan(), wanted)
    plan = BayPlan(points=(("nose", (3500.0, 10.0, 500.0)),))
    assert target_place(plan, wanted).translation_mm[0] == pytest.approx(4500.0)


def test_a_floor_mark_and_a_line_through_two_points():
    floor = (FloorPlace("floor-1", 3000.0, 400.0),)
    plan = BayPlan(floor=floor, points=(("rear", (0.0, 0.0, 300.0)), ("front", (1000.0, 1000.0, 300.0))))
    wanted = sheet(origin="board:floor-1", line=("point:rear", "point:front"), distance=1000.0, lateral=0.0, height=900.0)
    target = target_place(plan, wanted)
    # along the diagonal: the mark lies (3000 + 400)/√2 along it, the target 1000 mm farther, on the line itself
    at = ((3000.0 + 400.0) / math.sqrt(2.0) + 1000.0) / math.sqrt(2.0)
    np.testing.assert_allclose(target.translation_mm, [at, at, 900.0])
    np.testing.assert_allclose(target.rotation[:, 0], [math.sqrt(0.5), math.sqrt(0.5), 0.0])


def test_cameras_look_as_the_synthetic_ones_do():
    at, towards = np.array([2000.0, 1500.0, 1200.0]), np.array([1200.0, 300.0, 100.0])
    np.testing.assert_allclose(look_at(at, towards).transform.as_matrix(), true_look_at(at, towards, 0.0), atol=1e-12)
    turned = look_at(at, towards, upright=True).rotation
    np.testing.assert_allclose(turned[:, 2], look_at(at, towards).rotation[:, 2])
    assert abs(turned[2, 0]) > 0.5, "the picture's x runs up or down"
    assert np.linalg.det(turned) == pytest.approx(1.0)


def test_photos_of_every_round_go_with_the_car():
    plan = BayPlan()
    photo = PhotoPlace("roll", (1000.0, 2000.0, 1000.0), (0.0, 800.0, 100.0))
    moved = camera_place(plan, photo, "roll-1").translation_mm - camera_place(plan, photo, "rest").translation_mm
    np.testing.assert_allclose(moved, [travel_mm(plan, "roll-1"), 0.0, 0.0])
    assert travel_mm(plan, "roll-1") == pytest.approx(-315.0 * 1.5 * math.pi)


@pytest.mark.parametrize(
    ("side", "values"),
    [
        ("ahead", {"distance": 2600.0}),
        ("ahead", {"distance": 1500.0, "lateral": -300.0}),
        ("ahead", {"distance": 6000.0}),
        ("behind", {"distance": -2600.0}),
        ("behind", {"distance": -1400.0}),
        ("behind", {"distance": -1400.0, "lateral": 1900.0, "yaw": -45.0}),
        ("behind", {"distance": -1500.0, "lateral": -1900.0, "yaw": 45.0}),
    ],
)
def test_usual_floor_boards_clear_the_wheels_and_each_other(side, values):
    wanted = sheet(side=side, origin="front-axle" if side == "ahead" else "rear-axle", **values)
    places = usual_floor(BayPlan(), sites_of(BayPlan(), (Intended(wanted, STAND),), BOARDS), FLOOR)
    assert [place.board for place in places] == FLOOR
    for i, a in enumerate(places):
        assert all(math.hypot(a.ahead_mm - b.ahead_mm, a.left_mm - b.left_mm) > 350.0 for b in places[:i])
        in_path = 550.0 < abs(a.left_mm) < 900.0 and -2100.0 < a.ahead_mm < 3100.0
        assert not in_path, f"{a} lies in the wheels' path"


def test_too_few_floor_boards_for_the_usual_places():
    with pytest.raises(MeasurementError, match="3 floor boards in the board set: the usual places need 12"):
        usual_floor(BayPlan(), sites_of(BayPlan(), (Intended(sheet(distance=2600.0), STAND),), BOARDS), ["a", "b", "c"])


def test_the_tape_lies_along_one_side():
    floor = (FloorPlace("a", -1000.0, 1300.0), FloorPlace("b", 2900.0, 1300.0), FloorPlace("c", 3000.0, -1300.0))
    assert tape_between(BayPlan(floor=floor)) == ("a", "b", pytest.approx(3900.0))
    assert tape_between(BayPlan(floor=floor, tape=("a", "c")))[:2] == ("a", "c")
    with pytest.raises(MeasurementError, match="tape is held to z, which is no floor board"):
        tape_between(BayPlan(floor=floor, tape=("a", "z")))


def test_the_car_stands_in_the_way_of_looks_through_it():
    cabin, bonnet, *wheels = in_the_way(BayPlan(), "rest")
    assert cabin.low[2] > 150.0, "one can look under the car"
    assert bonnet.high[2] < 1100.0, "and over its bonnet"
    assert len(wheels) == 4
