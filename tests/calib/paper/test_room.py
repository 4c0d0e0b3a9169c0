"""Rooms: walls and obstacles by hand, gaps, the drawing to scale, and wrong room files."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from calib.geometry.placement import from_euler
from calib.geometry.room_fit import Gap, distance_mm
from calib.paper.placements import Clearance, Mark, Required, TargetSize
from calib.paper.room import Obstacle, read_room
from calib.paper.room_drawing import OBSTACLE, room_drawing
from calib.paper.room_gaps import gaps, remarks
from calib.paper.sheet_scene import ROOM as GREEN_ROOM
from calib.paper.sheet_scene import scene_of
from tests.support.room_text import ROOM
from tests.support.sheets import sheet
from vision.errors import FileError

PANEL = replace(sheet(distance=2600.0, lateral=0.0, height=1250.0), size=TargetSize(1200.0, 800.0, 50.0))


@pytest.fixture
def write(tmp_path):
    def text_to_path(text: str):
        (tmp_path / "room.toml").write_text(text, encoding="utf-8")
        return tmp_path / "room.toml"

    return text_to_path


@pytest.fixture
def room(write):
    return read_room(write(ROOM))


def at(**values):
    """The panel somewhere else."""
    return replace(PANEL, required=tuple(replace(one, value=values.get(one.name, one.value)) for one in PANEL.required))


def found(room, paper) -> dict[tuple[str, str], Gap]:
    return {(gap.what, gap.to): gap for gap in gaps(room, scene_of(paper, room.car))}


def test_a_room_is_placed_around_the_car(room):
    # Rear axle at x = 0, front axle at 2600: the front wall 3600 ahead of it, the rear one 9500 behind that.
    assert room.walls_mm == {"front": 6200.0, "rear": -3300.0, "left": 2400.0, "right": -2200.0}
    cabinet, lamp = room.obstacles
    assert cabinet.corners_mm == pytest.approx(np.array([[6200, -1200], [5600, -1200], [5600, -2100], [6200, -2100]]))
    assert (cabinet.low_mm, cabinet.high_mm, lamp.low_mm) == (0.0, 1800.0, 2700.0)
    assert lamp.high_mm == np.inf


def test_gaps_of_a_panel_worked_by_hand(room):
    """Its face at x = 2600 + 2600, 50 mm deep; 600 mm to each side."""
    free = {key: gap.free_mm for key, gap in found(room, PANEL).items()}
    assert free["target", "front wall"] == pytest.approx(6200.0 - 5250.0)
    assert free["target", "left wall"] == pytest.approx(2400.0 - 600.0)
    assert free["target", "ceiling"] == pytest.approx(3200.0 - 1650.0)
    assert free["target", "floor"] == pytest.approx(850.0)
    assert free["target", "car"] == pytest.approx(5200.0 - 3500.0)
    assert free["target", "cabinet"] == pytest.approx(np.hypot(350.0, 600.0))
    assert free["car", "rear wall"] == pytest.approx(3300.0 - 800.0)
    assert ("target", "lamp") not in free  # higher than the target reaches
    assert all(gap.fits for gap in found(room, PANEL).values())


def test_a_lamp_over_a_high_target_is_in_its_way(room):
    # At 2300 mm the target reaches up to 2700 mm, where the lamp begins.
    assert ("target", "lamp") not in found(room, at(height_mm=2300.0))
    assert found(room, at(height_mm=2301.0))["target", "lamp"].fits is False


@pytest.mark.parametrize(
    ("clearance", "what", "to", "free_mm"),
    [
        (Clearance(beyond_mm=1000.0), "free room beyond the target", "front wall", 950.0),
        (Clearance(sides_mm=2000.0), "free room beside the target, car's left", "left wall", 1800.0),
        (Clearance(floor_mm=900.0), "target", "floor", 850.0),
        (Clearance(beyond_mm=600.0), "free room beyond the target", "cabinet", None),
    ],
)
def test_free_room_that_is_asked_for(room, clearance, what, to, free_mm):
    gap = found(room, replace(PANEL, clearance=clearance))[what, to]
    if free_mm is None:
        assert gap.fits
        return
    assert not gap.fits
    assert gap.free_mm == pytest.approx(free_mm)
    assert gap.short_mm == pytest.approx(gap.needed_mm - free_mm)


def test_a_target_that_stands_in_the_wall_does_not_fit(room):
    gap = found(room, at(distance_mm=3700.0))["target", "front wall"]
    assert gap.free_mm == pytest.approx(-150.0)
    assert not gap.fits


@pytest.mark.parametrize(
    ("shift", "expected"),
    [
        ((3.0, 0.0), 1.0),
        ((0.0, 5.0), 3.0),
        ((5.0, 6.0), 5.0),
        ((1.0, 1.0), 0.0),
        ((2.0, 0.0), 0.0),
        ((-3.0, -3.0), np.sqrt(2.0)),
    ],
)
def test_distances_of_squares_worked_by_hand(shift, expected):
    square = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 2.0], [0.0, 2.0]])
    assert distance_mm(square, square + shift) == pytest.approx(expected)
    assert distance_mm(square[::-1], (square + shift)[::-1]) == pytest.approx(expected)


def test_a_square_on_its_corner_is_nearest_with_it():
    square = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 2.0], [0.0, 2.0]])
    turned = np.array([[4.0, 0.0], [5.0, 1.0], [4.0, 2.0], [3.0, 1.0]])
    assert distance_mm(square, turned) == pytest.approx(1.0)
    assert distance_mm(square, turned - [1.5, 0.0]) == 0.0
    # Its corner (2, 2) lies 0.5/√2 before the edge x + y = 4.5 of a square on its corner; only that edge parts them.
    before = np.array([[4.5, 3.0], [3.0, 4.5], [1.5, 3.0], [3.0, 1.5]])
    for pair in ((square, before), (before, square)):
        assert distance_mm(*pair) == pytest.approx(0.5 / 2**0.5)


def test_what_is_tight_or_unknown_is_said(room):
    narrow = replace(room, walls_mm=room.walls_mm | {"left": 1500.0})
    assert any("less than 1 m from the car to the left wall" in words for words in remarks(narrow, scene_of(PANEL, room.car)))
    touched = replace(PANEL, origin="point:bumper", size=None)
    words = " ".join(remarks(room, scene_of(touched, room.car)))
    assert "taken at the bumper" in words
    assert "no size of the target" in words


def test_the_drawing_is_to_scale_and_names_what_does_not_fit(room):
    paper = replace(PANEL, clearance=Clearance(beyond_mm=1000.0))
    scene = scene_of(paper, room.car)
    svg = room_drawing(room, scene, gaps(room, scene), "camera", ["a note"]).svg()
    ring = re.search(r'<polygon points="([^"]+)" fill="#ffffff" stroke="#1c2026"', svg)[1]
    corners = np.array([[float(v) for v in pair.split(",")] for pair in ring.split()])
    wide, tall = np.ptp(corners, axis=0)
    assert tall / wide == pytest.approx(9.5 / 4.6, rel=1e-3)
    assert "free room beyond the target - front wall: 950 mm free, 1000 mm asked for" in svg
    assert "lamp, 2.7 m up" in svg
    legend = ["target, arrow where it faces", "free room it asks for", "stands on the floor", "hangs above"]
    assert [words for words in legend if f">{words}<" in svg] == legend
    assert "Everything fits." in room_drawing(room, scene_of(PANEL, room.car), gaps(room, scene_of(PANEL, room.car)), "x").svg()


def test_words_of_the_drawing_lie_on_top_of_its_areas(room):
    """The free room once was painted over walls' and obstacles' names."""
    scene = scene_of(replace(PANEL, clearance=Clearance(sides_mm=2000.0, beyond_mm=1000.0)), room.car)
    svg = room_drawing(room, scene, gaps(room, scene), "camera").svg().splitlines()
    *_, painted, _legend = (i for i, row in enumerate(svg) if f'fill="{GREEN_ROOM}"' in row)
    for words in ("cabinet", "lamp, 2.7 m up"):
        assert next(i for i, row in enumerate(svg) if f">{words}<" in row) > painted
    cabinet = next(i for i, row in enumerate(svg) if f'fill="{OBSTACLE}"' in row)
    assert cabinet > painted


def test_an_obstacle_at_the_rim_of_the_way_leaves_the_rest_of_it_free(room):
    paper = replace(PANEL, clearance=Clearance(between_mm=700.0))
    corners = np.array([(4500.0, -500.0), (4000.0, -500.0), (4000.0, -900.0), (4500.0, -900.0)])
    gap = found(replace(room, obstacles=(Obstacle("jack", corners, 0.0, 900.0),)), paper)["free way to the target", "jack"]
    assert (gap.free_mm, gap.fits) == (pytest.approx(500.0), False)


@pytest.mark.parametrize(
    ("yaw_deg", "sides"),
    [(0.0, {"car's left", "car's right"}), (80.0, {"towards the car's front", "towards the car's rear"})],
)
def test_free_room_beside_the_target_says_on_which_side(room, yaw_deg, sides):
    scene = scene_of(replace(PANEL, clearance=Clearance(sides_mm=500.0)), room.car)
    turned = replace(scene, rotation=from_euler(np.deg2rad(yaw_deg), 0.0, 0.0) @ scene.rotation)
    beside = [gap.what for gap in gaps(room, turned) if gap.what.startswith("free room beside the target")]
    assert {what.split(", ")[1] for what in beside} == sides


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ('value = 9.5, unit = "m"', "value = 9.5", r':3: length\.value: has no unit: write unit = "mm"'),
        ('value = 9.5, unit = "m"', 'value = 95.0, unit = "m"', r":3: length: 95000 mm is no length in a bay"),
        (
            'value = 3.6, unit = "m" }\nmiddle',
            'value = 0.6, unit = "m" }\nmiddle',
            r":8: car\.front_axle_from_front_wall: the car does not stand between front",
        ),
        (
            'value = 2.4, unit = "m"',
            'value = 4.4, unit = "m"',
            r":9: car\.middle_from_left_wall: the car does not stand between left and right wall",
        ),
        ('name = "lamp"', 'name = "cabinet"', r":\d+: obstacle\.1\.name: obstacle 'cabinet' is listed twice"),
        ("value = 900.0", "value = 1900.0", r":\d+: obstacle\.0\.from_left_wall: obstacle 'cabinet' reaches through a wall"),
        ("value = 900.0", "value = 0.0", r":\d+: obstacle\.0\.width: obstacle 'cabinet' has no width: 0 mm"),
        (
            "value = 2.7",
            "value = 3.7",
            r":\d+: obstacle\.1\.from_floor: obstacle 'lamp' would hang above the ceiling",
        ),
        ("wheelbase_mm", "wheel_base_mm", r":10: car\.wheel_base_mm: unknown key: is it wheelbase_mm"),
        ("room/1", "room/2", r"'room/2', this version reads 'room/1'"),
    ],
)
def test_a_wrong_room_file_is_named(write, old, new, complaint):
    assert old in ROOM
    with pytest.raises(FileError, match=rf"room\.toml.*{complaint}") as caught:
        read_room(write(ROOM.replace(old, new, 1)))
    assert "\n" not in caught.value.what


def mat(size=None, **places):
    marks = tuple(Mark(name, f"point:{name}") for name in places)
    values = [value for place in places.values() for value in place]
    required = tuple(map(Required, [name for mark in marks for name in mark.names], values))
    return replace(PANEL, kind="mat", marks=marks, required=required, size=size)


def test_a_mat_lies_on_no_obstacle(room):
    """It is as flat as the floor an obstacle stands on: once everything fitted."""
    paper = mat(a=(500.0, 1500.0), b=(-1500.0, 1500.0))  # from the front axle, at x = 2600: 1100 to 3100
    post = np.array([(2200.0, 1700.0), (1800.0, 1700.0), (1800.0, 1300.0), (2200.0, 1300.0)])
    posts = (Obstacle("post", post, 0.0, 2000.0), Obstacle("far post", post + (0.0, 500.0), 0.0, 2000.0))
    here = found(replace(room, obstacles=(*posts, Obstacle("lamp", post, 1500.0, 2000.0))), paper)
    assert not here["target", "post"].fits
    assert here["target", "far post"].free_mm == pytest.approx(300.0)
    assert ("target", "lamp") not in here
    wide = found(replace(room, obstacles=posts), replace(paper, size=TargetSize(800.0, 2400.0)))
    assert not wide["target", "far post"].fits


def test_what_is_not_reckoned_around_a_mat_is_said(room):
    paper = mat(a=(500.0, 1500.0), b=(-1500.0, 1500.0))
    assert [words[:34] for words in remarks(room, scene_of(paper, room.car))] == ["the sheet gives no size of the mat"]
    paper = replace(paper, size=TargetSize(800.0, 2400.0), clearance=Clearance(sides_mm=1000.0))
    assert [words[:30] for words in remarks(room, scene_of(paper, room.car))] == ["the free room the sheet asks f"]
