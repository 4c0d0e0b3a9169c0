"""Sheets with several placements: defaults at the top, kinds of targets, points, marks, and what contradicts itself."""

from __future__ import annotations

import math

import pytest

from calib.paper.placements import Clearance, Mark, TargetSize
from calib.paper.sheet import read_sheet, read_sheets
from vision.errors import FileError

GOOD = """\
schema = "placement-sheet/2"
origin = "front-axle"
line = "thrust"
side = "ahead"

[clearance]
sides = { least = 1.0, unit = "m" }

[points.nose]
between = ["point:nose-left", "point:nose-right"]

[points.quarter]
between = ["point:nose", "point:nose-left"]

[[placement]]
name = "low"
target = "panel"
target_boards = ["stand-1"]
applies = ["distance", "height", "yaw"]
size = { width = 120, height = 80, unit = "cm" }
distance = { value = 102.5, unit = "in", tolerance = "5 mm" }
height = { value = 1200.0, unit = "mm", lower = -3.0 }
yaw = { value = "0 deg 30 min", tolerance = "6 min" }
[placement.clearance]
floor = { least = 100, unit = "mm" }

[[placement]]
name = "rear"
target = "reflector"
kind = "reflector"
with = "low"
origin = "point:quarter"
side = "behind"
line = ["board:floor-1", "point:nose"]
height_from = "wheels"
[placement.distance]
value = 2500.0
unit = "mm"
lower = -3.0
upper = 5.0
[placement.height]
value = 700.0
unit = "mm"

[[placement]]
name = "mat"
target = "mat"
kind = "mat"
[[placement.mark]]
name = "a"
ahead = { value = -500, unit = "mm", tolerance = 5 }
left = { value = 1500, unit = "mm", tolerance = 8 }
[[placement.mark]]
name = "b"
at = "point:mat-b"
ahead = { value = 500, unit = "mm" }
left = { value = 1500, unit = "mm" }

[provenance]
document = "service information"
typed_by = "A. B."
"""


@pytest.fixture
def write(tmp_path):
    def text_to_path(text: str):
        path = tmp_path / "sheet.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return text_to_path


def test_placements_keep_their_order_and_take_what_stands_at_the_top(write):
    sheets = read_sheets(write(GOOD))
    assert sheets.names == ("low", "rear", "mat")
    low, rear, mat = sheets.placements
    assert (low.origin, low.line, low.side, low.kind) == ("front-axle", "thrust", "ahead", "panel")
    assert low.target_boards == ("stand-1",)
    assert low.clearance == Clearance(sides_mm=1000.0, floor_mm=100.0)  # what its own table leaves out stands at the top
    assert rear.clearance == Clearance(sides_mm=1000.0)
    assert low.size == TargetSize(1200.0, 800.0)
    assert (rear.side, rear.kind, rear.height_from, rear.together_with) == ("behind", "reflector", "wheels", "low")
    assert mat.kind == "mat"


def test_a_floor_limit_of_a_placement_lifts_none_at_the_top(write):
    top = '[floor]\npitch = { most = 0.5, unit = "deg" }\nflatness = { most = 6, unit = "mm" }\n[clearance]'
    own = '[placement.floor]\nflatness = { most = 3, unit = "mm" }\n\n[[placement]]\nname = "rear"'
    text = GOOD.replace("[clearance]", top, 1).replace('[[placement]]\nname = "rear"', own)
    low, rear, _ = read_sheets(write(text)).placements
    assert low.floor_limits.given == pytest.approx({"pitch_rad": math.radians(0.5), "flatness_mm": 3.0})
    assert rear.floor_limits.given == pytest.approx({"pitch_rad": math.radians(0.5), "flatness_mm": 6.0})


def test_units_become_mm_and_radians(write):
    low = read_sheet(write(GOOD), "low")
    assert (low["distance_mm"].value, low["distance_mm"].upper) == (2603.5, 5.0)
    assert (low["yaw_rad"].value, low["yaw_rad"].lower) == pytest.approx((math.radians(0.5), math.radians(-0.1)), abs=1e-15)
    assert (low["height_mm"].lower, low["height_mm"].upper) == (-3.0, math.inf)


def test_points_between_others_end_at_touched_ones(write):
    rear = read_sheet(write(GOOD), "rear")
    assert rear.origin_place == (("point:nose-left", 0.75), ("point:nose-right", 0.25))
    assert rear.line_places == ((("board:floor-1", 1.0),), (("point:nose-left", 0.5), ("point:nose-right", 0.5)))
    assert set(rear.touched_points) == {"nose-left", "nose-right"}
    assert rear["distance_mm"].lower == -5.0  # behind: the signs turn


def test_a_mat_asks_for_the_places_of_its_marks(write):
    mat = read_sheet(write(GOOD), "mat")
    assert mat.marks == (Mark("a", "point:a"), Mark("b", "point:mat-b"))
    assert mat.names == ("a_ahead_mm", "a_left_mm", "b_ahead_mm", "b_left_mm")
    assert (mat["a_ahead_mm"].value, mat["a_left_mm"].upper, mat["b_left_mm"].judged) == (-500.0, 8.0, False)
    assert set(mat.touched_points) == {"a", "mat-b"}


def test_what_stands_together_is_found_from_either_side(write):
    sheets = read_sheets(write(GOOD))
    for name in ("low", "rear"):
        assert [sheet.name for sheet in sheets.together(name)] == ["low", "rear"]
    assert [sheet.name for sheet in sheets.together("mat")] == ["mat"]


def test_one_of_several_has_to_be_chosen_by_name(write):
    path = write(GOOD)
    with pytest.raises(FileError, match=r"sheet\.toml: several placements, and none was chosen: low, rear, mat") as caught:
        read_sheet(path)
    assert caught.value.hint == "say which: --placement NAME"
    with pytest.raises(FileError, match="there is no placement 'high' on this sheet") as caught:
        read_sheet(path, "high")
    assert caught.value.hint == "placements: low, rear, mat"


def test_an_only_placement_needs_no_choice(write):
    cut = GOOD[: GOOD.index('[[placement]]\nname = "rear"')] + GOOD[GOOD.index("[provenance]") :]
    assert read_sheet(write(cut)).name == "low"


WRONG = [
    ('name = "rear"', 'name = "low"', r":28: placement\.1\.name: 'low' is the name of an earlier placement already"),
    ('name = "rear"', 'name = "Low"', r":28: placement\.1\.name: 'Low' and 'low' differ in capitals alone"),
    ("[points.quarter]", "[points.Nose]", r":\d+: points\.Nose: 'Nose' and 'nose' differ in capitals alone"),
    ('name = "rear"', f'name = "{"r" * 61}"', r":28: placement\.1\.name: 61 letters are too long for a name"),
    ('name = "rear"', 'name = "re ar"', r":28: placement\.1\.name: 're ar' is no name"),
    ('with = "low"', 'with = "high"', r":31: placement\.1\.with: there is no placement 'high' on this sheet: low, rear, mat"),
    ('with = "low"', 'with = "rear"', r":31: placement\.1\.with: a placement stands with another one"),
    ('with = "low"', 'with = "low"\ntarget_boards = ["stand-1"]', r":31: placement\.1\.with: board stand-1 would be on both"),
    ('side = "ahead"\n', "", r":14: placement\.0\.side: this key is missing, here and at the top"),
    ('"height", "yaw"]', '"height"]', r":23: placement\.0\.yaw: yaw is given, but does not stand under applies"),
    ('"height", "yaw"]', '"height", "yaw", "roll"]', r":\d+: placement\.0\.applies: roll applies to this target, but"),
    ('["stand-1"]', '["stand-1", "stand-1"]', r":18: placement\.0\.target_boards: board stand-1 is named twice"),
    ('"point:nose-left", "point:nose-right"', '"point:quarter"', r":10: points\.nose\.between: is a list of 1, at least 2"),
    (
        '"point:nose-left", "point:nose-right"',
        '"point:quarter", "point:x"',
        r":10: points\.nose\.between: goes round in a circle: nose -> quarter -> nose",
    ),
    ('["point:nose", "point:nose-left"]', '["point:a", "point:a"]', r":13: points\.quarter\.between: 'point:a' is named twice"),
    ('["board:floor-1", "point:nose"]', '["point:a", "point:a"]', r":34: placement\.1\.line: a line runs through two places"),
    ('["board:floor-1", "point:nose"]', '["point:a"]', r":34: placement\.1\.line: input should be 'thrust', 'centreline'"),
    (
        '["board:floor-1", "point:nose"]\nheight',
        '["point:nose", "point:n2"]\npoints = 1\nheight',
        r":35: placement\.1\.points: unknown key",
    ),
    ("value = 700.0", "value = -700.0", r":42: placement\.1\.height\.value: -700 mm is outside 0 to 4000 mm"),
    ('height = { value = 1200.0', 'height = { value = 300.0', r":22: placement\.0\.height\.value: a target 800 mm high"),
    ('height = { value = 1200.0', 'height = { value = 450.0', r":22: placement\.0\.height\.value: leaves 50 mm under"),
    ('name = "b"', 'name = "a"', r":54: placement\.2\.mark\.1\.name: 'a' is the name of an earlier mark already"),
    ('at = "point:mat-b"', 'at = "point:a"', r":55: placement\.2\.mark\.1\.at: 'point:a' is measured for mark a already"),
    ("ahead = { value = 500,", "ahead = { value = -500,", r":53: placement\.2\.mark\.1: mark b would lie where mark a lies"),
    ('kind = "mat"\n', "", r":48: placement\.2\.mark: marks are for a mat on the floor, this is a panel"),
    ('kind = "reflector"', 'kind = "mat"', r":\d+: placement\.1\.distance: a mat has no distance, height: it is placed"),
    ("tolerance = 8 }", "tolerence = 8 }", r":52: placement\.2\.mark\.0\.left\.tolerence: unknown key"),
    ("sides = { least = 1.0", "sides = { least = 0.0", r":7: clearance\.sides\.least: 0 mm is no room"),
    ('sides = { least = 1.0, unit = "m" }', "", r":6: clearance: no room at all"),
    ("width = 120", "width = 12000", r":20: placement\.0\.size\.width: a width of 120000 mm is no size of a target"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "complaint"), WRONG, ids=[row[2][:40] for row in WRONG])
def test_each_contradiction_is_one_complaint_with_its_line_and_key(write, old, new, complaint):
    assert old in GOOD
    with pytest.raises(FileError, match=rf"sheet\.toml{complaint}") as caught:
        read_sheets(write(GOOD.replace(old, new, 1)))
    assert "\n" not in caught.value.what
    assert caught.value.hint
