"""Stand files: what is read, and each wrong entry named by file, line and key."""

from __future__ import annotations

import math

import pytest

from calib.paper.stand import Pivot, read_stand
from vision.errors import FileError

GOOD = """\
schema = "stand/1"

[[board]]
name = "stand-1"
right_mm = 10.0
up_mm = -20.5
behind_mm = 3
turn_deg = 90.0
right_pm_mm = 0.8
turn_pm_deg = 0.2

[[board]]
name = "stand-2"
right_mm = 300.0
up_mm = 0.0
behind_mm = 3.0

[pivot]
right_mm = 0.0
behind_mm = 250.0
"""


@pytest.fixture
def write(tmp_path):
    def text_to_path(text: str):
        path = tmp_path / "stand.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return text_to_path


def test_a_stand_is_read(write):
    stand = read_stand(write(GOOD))
    first, second = stand.boards
    assert stand.names == ("stand-1", "stand-2")
    assert (first.right_mm, first.up_mm, first.behind_mm, first.right_pm_mm) == (10.0, -20.5, 3.0, 0.8)
    assert (first.turn_rad, first.turn_pm_rad) == pytest.approx((math.pi / 2, math.radians(0.2)))
    assert (second.right_pm_mm, second.up_pm_mm, second.behind_pm_mm) == (0.5, 0.5, 0.2)
    assert (second.turn_pm_rad, second.parallel_pm_rad) == pytest.approx((math.radians(0.05), math.radians(0.02)))
    assert stand.pivot == Pivot(0.0, 250.0)


def test_a_stand_without_pivot(write):
    assert read_stand(write(GOOD[: GOOD.index("[pivot]")])).pivot is None


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ("right_mm = 10.0\n", "", r":3: board\.0\.right_mm: this key is missing"),
        ("behind_mm = 3.0", "behind_mm = -3.0", r":16: board\.1\.behind_mm: input should be greater than or equal to 0"),
        ("right_pm_mm = 0.8", "right_pm_mm = -0.8", r":9: board\.0\.right_pm_mm: input should be greater than or equal to 0"),
        ("turn_deg = 90.0", "turn_deg = 400", r":8: board\.0\.turn_deg: input should be less than or equal to 180"),
        ("up_mm = 0.0", "up = 0.0", r":15: board\.1\.up: unknown key"),
        ("right_mm = 300.0", 'right_mm = "300"', r":14: board\.1\.right_mm: input should be a valid number, not '300'"),
        ('"stand-2"', '"stand-1"', r":13: board\.1\.name: board stand-1 is listed twice"),
        ('"stand-2"', '""', r":13: board\.1\.name: is empty"),
        ("behind_mm = 250.0", "ahead_mm = 250.0", r":20: pivot\.ahead_mm: unknown key"),
        ("stand/1", "stand/9", r"'stand/9', this version reads 'stand/1'"),
    ],
)
def test_wrong_entry_is_named(write, old, new, complaint):
    assert old in GOOD
    with pytest.raises(FileError, match=rf"(?s)stand\.toml.*{complaint}"):
        read_stand(write(GOOD.replace(old, new, 1)))


def test_a_stand_without_boards(write):
    with pytest.raises(FileError, match=r"stand\.toml: board: this key is missing"):
        read_stand(write('schema = "stand/1"\n'))
