"""Placement sheets: what is read, and each wrong entry named by file, line and key."""

from __future__ import annotations

import datetime
import math

import pytest

from calib.paper.sheet import read_sheet
from vision.errors import FileError

GOOD = """\
schema = "placement-sheet/1"
target = "front camera panel"
origin = "front-axle"
line = "thrust"
side = "ahead"

[distance]
value = 1500.0
unit = "mm"
tolerance = 5.0

[lateral]
value = -12
unit = "mm"

[yaw]
value = 1.5
unit = "deg"
lower = -0.2
upper = 0.3

[provenance]
document = "service information 4711"
edition = "7"
date_read = 2026-03-01
typed_by = "first person"
checked_by = "second person"
"""


@pytest.fixture
def write(tmp_path):
    def text_to_path(text: str):
        path = tmp_path / "sheet.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return text_to_path


def test_a_touched_point_can_be_the_origin(tmp_path):
    sheet = read_sheet(_written(tmp_path, GOOD.replace('"front-axle"', '"point:rim_1.a"')))
    assert (sheet.origin, sheet.touched_points, sheet.origin_wheels) == ("point:rim_1.a", ("rim_1.a",), ())
    for wrong in ("point:", "point:a b", "points:a", "point:-a"):
        with pytest.raises(FileError, match=f"origin: input should be .* 'point:NAME' .*, not '{wrong}'"):
            read_sheet(_written(tmp_path, GOOD.replace("front-axle", wrong)))


def _written(folder, text):
    (folder / "sheet.toml").write_text(text, encoding="utf-8")
    return folder / "sheet.toml"


def test_a_sheet_is_read_into_mm_and_radians(write):
    sheet = read_sheet(write(GOOD))
    assert (sheet.target, sheet.origin, sheet.line, sheet.side) == ("front camera panel", "front-axle", "thrust", "ahead")
    assert sheet.origin_wheels == ("front_left", "front_right")
    assert sheet.names == ("distance_mm", "lateral_mm", "yaw_rad")
    distance, lateral, yaw = sheet.required
    assert (distance.value, distance.lower, distance.upper) == (1500.0, -5.0, 5.0)
    assert (lateral.value, lateral.judged) == (-12.0, False)
    assert (yaw.value, yaw.lower, yaw.upper) == pytest.approx(tuple(math.radians(a) for a in (1.5, -0.2, 0.3)))
    assert yaw.judged
    assert "height_mm" not in sheet
    assert sheet.provenance.date_read == datetime.date(2026, 3, 1)
    assert sheet.provenance.checked_by == "second person"


def test_behind_the_car_the_signs_turn_inside_and_the_limits_with_them(write):
    text = GOOD.replace('side = "ahead"', 'side = "behind"').replace("tolerance = 5.0", "lower = -3.0\nupper = 5.0")
    sheet = read_sheet(write(text))
    distance = sheet["distance_mm"]
    assert (distance.value, distance.lower, distance.upper) == (-1500.0, -5.0, 3.0)
    assert sheet["lateral_mm"].value == -12.0
    assert (sheet.printed_sign("distance_mm"), sheet.printed_sign("lateral_mm")) == (-1.0, 1.0)


def test_one_sided_limit(write):
    yaw = read_sheet(write(GOOD.replace("lower = -0.2\n", "")))["yaw_rad"]
    assert yaw.judged
    assert math.isinf(yaw.lower)


def test_an_inline_table_and_a_spreadsheets_byte_order_mark_are_read(write):
    text = GOOD.replace('[distance]\nvalue = 1500.0\nunit = "mm"\ntolerance = 5.0\n', "")
    text = text.replace('side = "ahead"', 'side = "ahead"\ndistance = { value = 1500.0, unit = "mm", tolerance = 5.0 }')
    assert read_sheet(write("\ufeff" + text))["distance_mm"].upper == 5.0


def test_height_above_the_wheels_plane_and_limits_of_the_floor(write):
    plain = read_sheet(write(GOOD))
    assert (plain.height_from, plain.floor_limits.given) == ("floor", {})
    text = GOOD.replace("[distance]", 'height_from = "wheels"\nheight = { value = 900.0, unit = "mm" }\n\n[distance]')
    floor = '[floor]\npitch = { most = 0.5, unit = "deg" }\nflatness = { most = 4.0, unit = "mm" }\n\n[provenance]'
    sheet = read_sheet(write(text.replace("[provenance]", floor)))
    assert sheet.height_from == "wheels"
    assert sheet.floor_limits.given == pytest.approx({"pitch_rad": math.radians(0.5), "flatness_mm": 4.0})
    assert math.isinf(sheet.floor_limits.roll_rad)


WRONG = [
    ("[distance]", 'height_from = "wheels"\n[distance]', r":7: height_from: height_from without a height"),
    ("[distance]", 'height_from = "bench"\n[distance]', r":7: height_from: input should be 'floor' or 'wheels', not 'bench'"),
    ("[provenance]", "[floor]\n[provenance]", r":22: floor: no limit at all: give pitch, roll or flatness"),
    (
        "[provenance]",
        '[floor.pitch]\nmost = 0.5\nunit = "mm"\n[provenance]',
        r":24: floor\.pitch\.unit: input should be 'deg' or 'min', not 'mm'",
    ),
    (
        "[provenance]",
        '[floor.flatness]\nmost = 0\nunit = "mm"\n[provenance]',
        r":23: floor\.flatness\.most: 0 mm is no limit: larger than zero",
    ),
    ('unit = "mm"\ntolerance', "tolerance", r":8: distance\.value: has no unit: write unit = \"mm\" beside it"),
    (
        'unit = "mm"\ntolerance',
        'unit = "ft"\ntolerance',
        r":9: distance\.unit: input should be 'mm', 'cm', 'm' or 'in', not 'ft'",
    ),
    ('unit = "deg"', 'unit = "mm"', r":18: yaw\.unit: input should be 'deg' or 'min', not 'mm'"),
    ("tolerance = 5.0", "tolerance = -5.0", r":10: distance\.tolerance: -5 is no tolerance"),
    ("tolerance = 5.0", "tolerance = 0", r":10: distance\.tolerance: 0 is no tolerance"),
    ("tolerance = 5.0", "tolerance = 5000", r":10: distance\.tolerance: 5000 is no tolerance"),
    ("tolerance = 5.0", 'tolerance = "5"', r":10: distance\.tolerance: '5' is not understood: a number, or a text"),
    ("tolerance = 5.0", "tolerance = 5.0\nlower = -1.0", r":7: distance: give either tolerance, or lower and upper"),
    ("lower = -0.2", "lower = 1.3", r":19: yaw\.lower: 1\.3 is no lower limit of the error"),
    ("upper = 0.3", "upper = -0.1", r":20: yaw\.upper: -0\.1 is no upper limit of the error"),
    ("lower = -0.2\nupper = 0.3", "lower = 0\nupper = 0", r":16: yaw: lower and upper leave no room"),
    (
        '"front-axle"',
        '"bumper"',
        r":3: origin: input should be 'front-axle', .* 'point:NAME' .*, not 'bumper'",
    ),
    ('"thrust"', '"middle"', r":4: line: input should be 'thrust', 'centreline' or two places such as .*, not 'middle'"),
    ('"ahead"', '"left"', r":5: side: input should be 'ahead' or 'behind', not 'left'"),
    ("value = 1500.0", "value = -1500.0", r":8: distance\.value: -1500 mm is outside 0 to 20000 mm"),
    ("value = 1500.0", "value = nan", r":8: distance\.value: should be a finite number, not nan"),
    ("value = 1500.0\n", "", r":7: distance\.value: this key is missing"),
    ("value = 1.5", "value = 181", r":17: yaw\.value: 181 deg is outside -180 to 180 deg"),
    ("tolerance = 5.0", "tolerence = 5.0", r":10: distance\.tolerence: unknown key"),
    ("[lateral]", "[sideways]", r":12: sideways: unknown key"),
    ('"front camera panel"', '" "', r":2: target: is empty: fill it in"),
    ('typed_by = "first person"\n', "", r":22: provenance\.typed_by: this key is missing"),
    ('document = "service information 4711"', 'document = ""', r":23: provenance\.document: is empty"),
    ("2026-03-01", '"March"', r":25: provenance\.date_read: input should be a valid date"),
    ("placement-sheet/1", "placement-sheet/2", r":1: schema: a sheet of schema 'placement-sheet/2' has no \[\[placement\]\]"),
    ("placement-sheet/1", "placement-sheet/3", r"'placement-sheet/3', this version reads 'placement-sheet/1' .*"),
    ('schema = "placement-sheet/1"', "", r"no schema key, this version reads 'placement-sheet/1'"),
    ("value = 1500.0", "value = = 1", r":8: not valid TOML: invalid value"),
]


@pytest.mark.parametrize(
    ("old", "new", "complaint"), WRONG, ids=[new.strip()[:30] or old.strip()[:30] for old, new, _ in WRONG]
)
def test_wrong_entry_is_named(write, old, new, complaint):
    assert old in GOOD
    path = write(GOOD.replace(old, new, 1))
    with pytest.raises(FileError, match=rf"sheet\.toml.*{complaint}") as caught:
        read_sheet(path)
    assert caught.value.hint


def test_a_sheet_without_any_value(write):
    text = GOOD[: GOOD.index("[distance]")] + GOOD[GOOD.index("[provenance]") :]
    with pytest.raises(FileError, match=r"sheet\.toml: file: no value at all: give at least one of distance, lateral"):
        read_sheet(write(text))


def test_no_such_sheet(tmp_path):
    with pytest.raises(FileError, match=r"none\.toml: no such file"):
        read_sheet(tmp_path / "none.toml")
