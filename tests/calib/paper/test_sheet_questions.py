"""Suspicious numbers: each is asked about once, by its key, and a usual sheet is not asked about at all."""

from __future__ import annotations

import datetime
import re

import pytest

from calib.paper.sheet import read_sheets
from calib.paper.sheet_confirmation import confirm
from calib.paper.sheet_questions import questions, settled
from tests.support.sheet_texts import MANY, ONE
from vision.errors import FileError

TODAY = datetime.date(2026, 3, 2)


def asked(tmp_path, text: str) -> list[str]:
    path = tmp_path / "sheet.toml"
    path.write_text(text, encoding="utf-8")
    return [question.sentence for question in questions(read_sheets(path), TODAY)]


@pytest.mark.parametrize("text", [ONE, MANY], ids=["one", "several"])
def test_a_usual_sheet_is_not_asked_about(tmp_path, text):
    assert asked(tmp_path, text) == []


LENGTH = 'value = 2600.0   # a note at the end\nunit = "mm"\ntolerance = 10.0'
YAW = 'yaw = { value = 0.0, unit = "deg", tolerance = 0.5 }'
SUSPICIOUS = [
    (ONE, "value = 2600.0", "value = 15000.0", r"distance: 15000 mm is farther than most bays are long"),
    (ONE, "value = 2600.0", "value = 102.4", r"distance: 102\.4 mm from .*; it would be .*in inches 2600\.96 mm"),
    (ONE, LENGTH, 'value = 2.6\nunit = "mm"', r"distance: 2\.6 mm .* is under the car; it would be in m 2600 mm: is"),
    (ONE, LENGTH, 'value = 480\nunit = "in"', r"distance: 12192 mm is farther"),
    (ONE, "value = 1250.0", "value = 49.0", r"height: .* 49 mm above the floor; .* in inches 1244\.6 mm: is the unit"),
    (ONE, "value = 1250.0", "value = 3000.0", r"height: .* 3000 mm above the floor: higher than a person reaches"),
    (ONE, "tolerance = 10.0", "tolerance = 0.05", r"distance: a tolerance of 0\.05 mm is finer than such targets are placed"),
    (ONE, "tolerance = 10.0", "lower = -0.3\nupper = 0.1", r"distance: a tolerance of 0\.2 mm is finer"),
    (ONE, "tolerance = 10.0", "tolerance = 127", r"distance: a limit of 127 mm \(5 in\) is wide: targets are usually placed"),
    (ONE, "tolerance = 10.0", 'tolerance = "5 in"', r"distance: a limit of 127 mm \(5 in\) is wide"),
    (ONE, "2026-01-31", "2026-03-03", r"provenance\.date_read: 2026-03-03 is still to come"),
    (ONE, 'typed_by = "A. B."', 'typed_by = "A. B."\nchecked_by = "a b"', r"provenance\.checked_by: a b typed these"),
    (MANY, "value = -45.0", "value = 45.0", r"placement\.2\.yaw: the target's face would look 84 deg past the rear-axle"),
    (MANY, "yaw = { value = 0.0", "yaw = { value = 180.0", r"placement\.0\.yaw: the target's face would look 180 deg past"),
    (MANY, "tolerance = 0.5", "tolerance = 30", r"placement\.0\.yaw: a limit of 30 deg \(1800 min\) is wide: .* a degree"),
    (MANY, "tolerance = 0.5", 'tolerance = "1 min"', r"placement\.0\.yaw: a tolerance of 0\.01667 deg \(1 min\) is finer"),
    (MANY, YAW, 'yaw = { value = 45, unit = "min", tolerance = 30 }', r"placement\.0\.yaw: a turn of 0\.75 deg .* 45 deg"),
    (MANY, YAW, 'pitch = { value = 1, unit = "deg", lower = 0, upper = 2 }', r"placement\.0\.pitch: .* a tolerance of 1 deg"),
    (MANY, "value = 1600.0", "value = 3600.0", r"placement\.2\.lateral: the target 3600 mm beside the line"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "old", "new", "question"), SUSPICIOUS, ids=[f"{row[2][:24]}" for row in SUSPICIOUS])
def test_a_suspicious_number_is_one_question(tmp_path, text, old, new, question):
    assert old in text
    (found,) = asked(tmp_path, text.replace(old, new, 1))
    assert re.match(question, found), found


@pytest.mark.parametrize(
    ("side", "origin", "distance", "words"),
    [
        ("ahead", "rear-axle", 1500.0, "1500 mm ahead of the rear-axle is under the car: is the origin the right axle?"),
        ("behind", "front-left", 1700.0, "1700 mm behind of the front-left is under the car: is the origin the right axle?"),
    ],
)
def test_a_distance_from_the_far_axle_that_ends_under_the_car(tmp_path, side, origin, distance, words):
    text = ONE.replace('"ahead"', f'"{side}"').replace('"front-axle"', f'"{origin}"').replace("2600.0", str(distance))
    assert asked(tmp_path, text) == [f"distance: {words.replace('behind of', 'behind')}"]


def test_limits_of_a_distance_behind_may_lie_about_itself(tmp_path):
    """Its signs are turned inside: the question must not be missed for that."""
    text = ONE.replace('"ahead"', '"behind"').replace('"front-axle"', '"point:b"').replace("value = 2600.0", "value = 4.0")
    found = asked(tmp_path, text.replace("tolerance = 10.0", "lower = 0\nupper = 8", 1))
    assert [words for words in found if "about the value itself" in words] == [
        "distance: lower and upper limit the error, and these lie about the value itself: is it a tolerance of 4 mm?"
    ]


def test_marks_that_lie_together_tell_no_direction(tmp_path):
    mark = '[[placement.mark]]\nname = "{}"\nahead = {{ value = {}, unit = "mm" }}\nleft = {{ value = 1500, unit = "mm" }}\n'
    mat = '[[placement]]\nname = "mat"\ntarget = "mat"\nkind = "mat"\n' + mark.format("a", 500)
    assert asked(tmp_path, MANY.replace("[provenance]", mat + mark.format("b", 1500) + "[provenance]")) == []
    (found,) = asked(tmp_path, MANY.replace("[provenance]", mat + mark.format("b", 490) + "[provenance]"))
    assert found == "placement.3.mark.1: mark b would lie 10 mm from mark a: which way lies the mat then?"


def test_a_misspelt_point_is_not_taken_for_a_touched_one(tmp_path):
    points = '[points.{}]\nbetween = ["point:left-lamp", "point:right-lamp"]\n\n[[placement]]'
    text = MANY.replace('origin = "front-axle"', 'origin = "point:nose"', 1)
    assert asked(tmp_path, text.replace("[[placement]]", points.format("nose"), 1)) == []
    assert asked(tmp_path, text.replace("[[placement]]", points.format("tail"), 1)) == []
    (found,) = asked(tmp_path, text.replace("[[placement]]", points.format("nosse"), 1))
    assert found == "points.nosse: nothing is measured from it, but from 'point:nose': is that the same point?"


def test_a_limit_as_wide_as_the_value_itself(tmp_path):
    text = (
        ONE.replace('"front-axle"', '"point:bumper"').replace("value = 2600.0", "value = 40.0").replace("= 10.0", "= 45.0", 1)
    )
    assert asked(tmp_path, text) == ["distance: a limit of 45 mm is as wide as the value itself, 40 mm"]


def test_a_placement_copied_and_not_changed(tmp_path):
    third = MANY[MANY.index('[[placement]]\nname = "radar') : MANY.index("[provenance]")]
    text = MANY.replace("[provenance]", third.replace("radar-rear-left", "radar-rear-right") + "[provenance]")
    (found,) = asked(tmp_path, text)
    assert found.startswith("placement.3.name: radar-rear-right would stand exactly where radar-rear-left stands")


def test_open_questions_are_told_with_their_lines_and_settled_ones_are_kept(tmp_path):
    path = tmp_path / "sheet.toml"
    path.write_text(ONE.replace("2600.0", "15000.0").replace("tolerance = 10.0", "tolerance = 0.05", 1), encoding="utf-8")
    sheets = read_sheets(path)
    with pytest.raises(
        FileError, match=r"sheet\.toml:8: distance: 15000 mm .*\n.*sheet\.toml:8: distance: a tolerance"
    ) as caught:
        settled(path, sheets, accept=False)
    assert "--accept" in caught.value.hint
    assert len(settled(path, sheets, accept=True)) == 2


def test_an_acceptance_outlives_a_change_of_our_words(tmp_path):
    path = tmp_path / "sheet.toml"
    path.write_text(ONE.replace("2600.0", "15000.0"), encoding="utf-8")
    confirm(path, "C. D.", TODAY, settled(path, read_sheets(path), accept=True))
    earlier = re.sub(r"distance: 15000 mm [^\"]*", "distance: 15000 mm, said otherwise", path.read_text(encoding="utf-8"))
    assert "said otherwise" in earlier
    path.write_text(earlier, encoding="utf-8")
    assert len(settled(path, read_sheets(path), accept=False)) == 1
    path.write_text(earlier.replace('accepted = ["distance', 'accepted = ["height'), encoding="utf-8")
    with pytest.raises(FileError, match="15000 mm"):
        settled(path, read_sheets(path), accept=False)
