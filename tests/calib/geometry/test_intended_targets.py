"""Targets that stand and lie together: where their boards, floor boards and photos are meant to be."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calib.geometry.intended import flat_on_floor
from calib.geometry.intended_targets import Intended, carried_places, mat_place, need_same_mat, plates
from calib.geometry.intended_touches import looks, touched_places, usual_tip
from calib.geometry.walk import sites_of, usual_floor, usual_photos, with_usual_places
from calib.geometry.walk_targets import mat_areas, spots_of, stand_photos
from calib.paper.bay import CHECK, REST, BayPlan
from calib.paper.mat import Mat, MatBoard, MatMark
from calib.paper.placements import Mark, Required, Sheet, TargetSize
from calib.paper.stand import Stand, StandBoard
from tests.support.sheets import sheet
from vision.boards_io import starter_boards
from vision.errors import FileError, MeasurementError

BOARDS = starter_boards("a4")
FLOOR = [board.name for board in BOARDS if board.name.startswith("floor-")]
STAND = Stand((StandBoard("stand-1", 0.0, 0.0, 4.0),))
SECOND = Stand((StandBoard("stand-2", 0.0, 0.0, 4.0),))
MAT = Mat(
    (MatMark("a", 0.0, 0.0), MatMark("b", 1200.0, 0.0)),
    (MatBoard("body-1", 350.0, 120.0), MatBoard("body-2", 850.0, 120.0, math.radians(90.0))),
)


def mat_sheet(a: tuple[float, float], b: tuple[float, float], tolerance: float = 8.0, side: str = "ahead") -> Sheet:
    """Marks a and b wanted so far ahead of the rear axle and to the left of the car's middle line."""
    marks = (Mark("a", "point:a"), Mark("b", "point:b"))
    values = [value for place in (a, b) for value in place]
    names = [name for mark in marks for name in mark.names]
    required = tuple(Required(name, value, -tolerance, tolerance) for name, value in zip(names, values, strict=True))
    return replace(sheet(side=side, origin="rear-axle"), kind="mat", name="mat", marks=marks, required=required)


def test_a_mat_lies_with_its_marks_where_the_sheet_wants_them():
    """Mark a 4 m ahead, b 1.2 m to the left of it: the mat's x runs to the car's left."""
    target = Intended(mat_sheet((4000.0, -600.0), (4000.0, 600.0)), MAT)
    at, turn = mat_place(BayPlan(), target.sheet, MAT)
    np.testing.assert_allclose(at, [4000.0, -600.0], atol=1e-9)
    assert turn == pytest.approx(math.radians(90.0))
    places = carried_places(BayPlan(), BOARDS, target)
    # on the mat (350, 120): 350 to the left of mark a, 120 behind it; its columns run to the left as the mat's x does
    first, thickness_mm = places["body-1@check-1"], BOARDS["body-1"].thickness_mm
    np.testing.assert_allclose(first.apply(BOARDS["body-1"].centre_mm), [3880.0, -250.0, thickness_mm], atol=1e-9)
    np.testing.assert_allclose(first.rotation[:, [0, 2]], [[0.0, 0.0], [1.0, 0.0], [0.0, -1.0]], atol=1e-9)
    np.testing.assert_allclose(places["body-2@check-1"].rotation[:, 0], [-1.0, 0.0, 0.0], atol=1e-9)


def test_a_mat_a_little_too_long_lies_in_the_middle():
    target = Intended(mat_sheet((4000.0, -599.0), (4000.0, 599.0)), MAT)
    np.testing.assert_allclose(mat_place(BayPlan(), target.sheet, MAT)[0], [4000.0, -600.0], atol=1e-9)
    need_same_mat(target.sheet, MAT, Path("mat.toml"))


@pytest.mark.parametrize(
    ("wanted", "words"),
    [
        (mat_sheet((4000.0, -500.0), (4000.0, 500.0)), r"mat\.toml: no such mat conforms .*: at best a is 100 mm off"),
        (
            replace(mat_sheet((0.0, 0.0), (0.0, 1.0)), marks=(Mark("a", "point:a"), Mark("c", "point:c"))),
            r"mat\.toml: it has the marks a, b, and the sheet's mat is placed by a, c: two of them at least have to be in both",
        ),
    ],
)
def test_a_mat_file_of_another_mat_is_refused(wanted, words):
    with pytest.raises(FileError, match=words):
        need_same_mat(wanted, MAT, Path("mat.toml"))


def test_a_face_hides_as_far_as_the_sheet_says_and_boards_hide_always():
    wide = replace(sheet(distance=2000.0, height=1000.0), size=TargetSize(1600.0, 800.0))
    board, face = plates(BayPlan(), BOARDS, (Intended(wide, STAND),))
    corners = face.bay_from_plate.apply([[*face.low, 0.0], [*face.high, 0.0]])
    np.testing.assert_allclose(corners, [[4700.0, 800.0, 1400.0], [4700.0, -800.0, 600.0]], atol=1e-6)
    middle = board.bay_from_plate.apply([*(np.array(board.high) / 2), 0.0])
    np.testing.assert_allclose(middle, [4696.0, 0.0, 1000.0], atol=1e-6)  # 4 mm before the face
    assert not plates(BayPlan(), BOARDS, (Intended(mat_sheet((4000.0, -600.0), (4000.0, 600.0)), MAT),))


def test_stands_near_each_other_share_their_photos_and_others_do_not():
    left = Intended(replace(sheet(lateral=260.0), name="left"), STAND)
    right = Intended(replace(sheet(lateral=-260.0), name="right"), SECOND)
    (spot,) = spots_of(BayPlan(), (left, right))
    assert (spot.words, spot.wide_mm) == ("left and right", pytest.approx(520.0))
    near, alone = (stand_photos(spots)[0] for spots in ((spot,), spots_of(BayPlan(), (left,))))
    farther = math.dist(near.at_mm[:2], spot.centre_mm[:2]) - math.dist(alone.at_mm[:2], (4200.0, 260.0))
    assert farther == pytest.approx(260.0), "both have to be in the picture"
    np.testing.assert_allclose(spot.centre_mm, [4200.0, 0.0, 1200.0])
    far = Intended(replace(sheet(lateral=-1300.0), name="far"), SECOND)
    turned = Intended(replace(sheet(lateral=-260.0, yaw=45.0), name="turned"), SECOND)
    behind = Intended(replace(sheet(side="behind", distance=-1500.0), name="behind"), SECOND)
    for other in (far, turned, behind):
        assert [one.words for one in spots_of(BayPlan(), (left, other))] == ["left", other.name]


MATS = {
    "before the car": mat_sheet((4200.0, -600.0), (4200.0, 600.0)),
    "beside the car": mat_sheet((1900.0, 1500.0), (700.0, 1500.0)),
    "behind the car": mat_sheet((-1600.0, 600.0), (-1600.0, -600.0), side="behind"),
}
PANEL = Intended(replace(sheet(distance=2600.0, height=1250.0), name="panel"), STAND)
CORNER = Intended(
    replace(sheet(side="behind", origin="rear-axle", distance=-1500.0, lateral=1700.0, yaw=-45.0), name="corner"), SECOND
)


@pytest.mark.parametrize(
    "targets",
    [
        *(pytest.param((Intended(one, MAT),), id=where) for where, one in MATS.items()),
        *(pytest.param((PANEL, Intended(one, MAT)), id=f"panel, mat {where}") for where, one in MATS.items()),
        pytest.param((PANEL, CORNER), id="panel, reflector at the rear"),
    ],
)
def test_floor_boards_are_out_of_the_way_of_all_targets_and_cameras_too(targets):
    plan = BayPlan()
    sites = sites_of(plan, targets, BOARDS)
    places = usual_floor(plan, sites, FLOOR)
    assert [place.board for place in places] == FLOOR
    areas = mat_areas(plan, targets, BOARDS)
    for i, a in enumerate(places):
        assert all(math.hypot(a.ahead_mm - b.ahead_mm, a.left_mm - b.left_mm) > 350.0 for b in places[:i]), a
        assert not any(area.covers((a.ahead_mm, a.left_mm), 200.0) for area in areas), f"{a} lies on a mat"
        assert not (550.0 < abs(a.left_mm) < 900.0 and -2100.0 < a.ahead_mm < 3100.0), f"{a} lies in the wheels' path"
    photos = usual_photos(plan, sites)
    for photo in photos:
        x, y, _ = photo.at_mm
        assert not (-850.0 < x < 3550.0 and abs(y) < 900.0), f"{photo.words} is taken from inside the car"
    looks = [photo for photo in photos if photo.epoch == CHECK and "mat from" in photo.words]
    assert len(looks) == 4 * len(areas)
    before = [photo.at_mm for photo in photos if photo.epoch == REST and photo.words.startswith("before it is laid")]
    assert before == [photo.at_mm for photo in looks], "the survey must know the floor boards the mat is seen with"
    if PANEL in targets:
        assert not any(x > 5000.0 and abs(y) < 900.0 for x, y, _ in (photo.at_mm for photo in looks)), "behind the panel"


def test_marks_to_touch_are_where_the_sheet_wants_them_and_nobody_photographs_them_from_the_car():
    target = Intended(MATS["beside the car"], None)
    plan = with_usual_places(BayPlan(), (target,), BOARDS, FLOOR)
    places = touched_places(plan, target)
    np.testing.assert_allclose([places["a"], places["b"]], [[1900.0, 1500.0, 0.0], [700.0, 1500.0, 0.0]])
    board = BOARDS["stylus-1"]
    for i in range(6):
        for look in looks(plan, board, "a", places["a"], i):
            np.testing.assert_allclose(look.bay_from_board.apply(usual_tip(board).mm), places["a"], atol=1e-9)
            board_up = -look.bay_from_board.rotation[2, 1]
            assert math.degrees(math.acos(board_up)) == pytest.approx(22.0)  # the stylus leans, its board above its tip
            to_eye = look.bay_from_cam.translation_mm - look.bay_from_board.apply(board.centre_mm)
            assert look.bay_from_board.rotation[:, 2] @ to_eye < 0.0, "the board faces the camera"
            x, y, _ = look.place.at_mm
            assert not (-850.0 < x < 3550.0 and abs(y) < 900.0)
    file = replace(MAT, marks=(*MAT.marks[:1], MatMark("other", 500.0, 0.0)))
    assert [mark.name for mark in Intended(target.sheet, file).touched] == ["b"]


def test_boards_far_apart_on_a_mat_are_photographed_one_by_one():
    long = replace(MAT, boards=(MatBoard("body-1", 100.0, 120.0), MatBoard("body-2", 3000.0, 120.0)))
    sites = sites_of(BayPlan(), (Intended(MATS["before the car"], long),), BOARDS)
    looks = [photo for photo in usual_photos(BayPlan(), sites) if photo.epoch == CHECK and "the mat" in photo.words]
    assert {photo.towards_mm[:2] for photo in looks} == {tuple(place) for place in sites.mats[0].boards}
    assert {words.partition(" from ")[0] for words in (photo.words for photo in looks)} == {
        "the mat, board 1", "the mat, board 2"
    }  # fmt: skip


def test_floor_boards_far_apart_beside_the_car_get_a_photo_between_them():
    """On sides of four boards a photo of a wheel shows one of them: without others each half of the car would hang alone."""
    sites = sites_of(BayPlan(), (PANEL, CORNER), BOARDS)
    plan = replace(BayPlan(), floor=usual_floor(BayPlan(), sites, FLOOR))
    between = [photo for photo in usual_photos(plan, sites) if "between two floor boards" in photo.words]
    assert [photo.epoch for photo in between] == [REST] * 4
    alone = sites_of(BayPlan(), (PANEL,), BOARDS)
    plan = replace(BayPlan(), floor=usual_floor(BayPlan(), alone, FLOOR))
    assert not any("between two" in photo.words for photo in usual_photos(plan, alone)), "five boards a side are near enough"


def test_more_targets_than_floor_boards_have_room_for():
    with pytest.raises(MeasurementError, match="12 floor boards in the board set: the usual places need 15"):
        usual_floor(BayPlan(), sites_of(BayPlan(), (PANEL, Intended(MATS["behind the car"], MAT)), BOARDS), FLOOR[:12])


def test_a_board_on_the_floor_lies_face_up_on_its_thickness():
    board = replace(BOARDS["floor-1"], thickness_mm=5.0)
    pose = flat_on_floor(1000.0, -300.0, 0.3, board)
    np.testing.assert_allclose(pose.apply(board.centre_mm), [1000.0, -300.0, 5.0])
    assert pose.rotation[2, 2] == pytest.approx(-1.0), "the board's z points into it: down"
