"""Bay files: what they say, and each way they can be wrong."""

from __future__ import annotations

import pytest

from calib.paper.bay import BayPlan, ByHand, CarSize, FloorPlace, PhotoPlace, read_bay
from vision.errors import FileError

WHOLE = """\
schema = "bay/1"
roll_deg = [-180.0, -90.0]
tape = ["floor-1", "floor-2"]

[car]
wheelbase_mm = 2850.0
track_front_mm = 1600.0

[by_hand]
standoff_pm_mm = 0.5
tape_pm_mm = false

[[floor]]
name = "floor-1"
ahead_mm = -1000.0
left_mm = 1300.0

[[floor]]
name = "floor-2"
ahead_mm = 3000.0
left_mm = 1300.0
turn_deg = 90.0

[[floor]]
name = "floor-3"
ahead_mm = 1000.0
left_mm = -1300.0

[[photo]]
epoch = "roll"
at_mm = [900.0, 2300.0, 1100.0]
towards_mm = [100.0, 900.0, 130.0]

[[photo]]
epoch = "rest"
at_mm = [900.0, 2300.0, 1100.0]
towards_mm = [100.0, 900.0, 130.0]
words = "beside the rear left wheel"

[[photo]]
epoch = "check"
at_mm = [3500.0, 1200.0, 1300.0]
towards_mm = [5200.0, 0.0, 700.0]
upright = true

[[point]]
name = "nose"
at_mm = [3500.0, 0.0, 520.0]
"""


def written(tmp_path, text):
    path = tmp_path / "bay.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_whole_file(tmp_path):
    plan = read_bay(written(tmp_path, WHOLE))
    assert plan.car == CarSize(2850.0, 1600.0, 1550.0, 315.0)
    assert plan.by_hand == ByHand(standoff_pm_mm=0.5, tape_pm_mm=None)
    assert plan.roll_epochs == ("roll-1", "roll-2")
    assert plan.floor[1] == FloorPlace("floor-2", 3000.0, 1300.0, 90.0)
    assert plan.photos[2] == PhotoPlace("check", (3500.0, 1200.0, 1300.0), (5200.0, 0.0, 700.0), True)
    assert plan.points == (("nose", (3500.0, 0.0, 520.0)),)


def test_a_file_that_says_nothing_is_the_usual_bay(tmp_path):
    assert read_bay(written(tmp_path, 'schema = "bay/1"\n')) == BayPlan()


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"floor-3"', '"floor-1"', r":25: floor\.2\.name: floor board floor-1 stands here twice"),
        ("at_mm = [3500.0, 0.0, 520.0]", "at_mm = [3500.0, 0.0]", r"point\.0\.at_mm"),
        ("at_mm = [3500.0, 1200.0, 1300.0]", "at_mm = [3500.0, 1200.0, 9000.0]", "is no place in a bay"),
        ("at_mm = [3500.0, 1200.0, 1300.0]", "at_mm = [5200.0, 0.0, 700.0]", "are the same place"),
        ('epoch = "check"', 'epoch = "roll-3"', r"photo\.2\.epoch: a photo of epoch roll-3, but roll_deg has 2"),
        ('epoch = "check"', 'epoch = "rest"', "no photo of epoch check"),
        ('epoch = "check"', 'epoch = "later"', r":41: photo\.2\.epoch: input should be .*, not .later."),
        (
            "tape_pm_mm = false",
            "tape_pm_mm = true",
            r":11: by_hand\.tape_pm_mm: should be .*, or false for no tape",
        ),
        ("tape_pm_mm = false", "tape_pm_mm = nan", r":11: by_hand\.tape_pm_mm: should be a half-width"),
        (
            'tape = ["floor-1", "floor-2"]',
            'tape = ["floor-1", "floor-9"]',
            r":3: tape: .* not both are floor boards of this bay",
        ),
        ('tape = ["floor-1", "floor-2"]', 'tape = ["floor-1"]', "tape names the two floor boards"),
        ("roll_deg = [-180.0, -90.0]", "roll_deg = [-180.0]", "roll_deg"),
        ("wheelbase_mm = 2850.0", "wheelbase_mm = 28.5", "wheelbase_mm"),
        ("wheelbase_mm", "wheel_base_mm", "unknown key"),
        ("standoff_pm_mm = 0.5", "standoff_pm_mm = 0.0", "standoff_pm_mm"),
        ('name = "nose"', 'name = "the nose"', "is no name of a touched point"),
    ],
)
def test_what_is_wrong_is_named(tmp_path, old, new, words):
    assert old in WHOLE
    with pytest.raises(FileError, match=words):
        read_bay(written(tmp_path, WHOLE.replace(old, new, 1)))


def test_two_floor_boards_make_no_plane(tmp_path):
    text = 'schema = "bay/1"\n' + "".join(f'[[floor]]\nname = "f{i}"\nahead_mm = {i}.0\nleft_mm = 0.0\n' for i in range(2))
    with pytest.raises(FileError, match="2 floor boards, a plane needs at least 3"):
        read_bay(written(tmp_path, text))
