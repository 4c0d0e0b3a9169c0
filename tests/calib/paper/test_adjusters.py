"""What a stand is moved by: what is read, and each wrong entry named by file, line and key."""

from __future__ import annotations

import pytest

from calib.paper.adjusters import Adjuster
from calib.paper.stand import read_stand
from vision.errors import FileError

GOOD = """\
schema = "stand/1"

[[board]]
name = "stand-1"
right_mm = 0.0
up_mm = 0.0
behind_mm = 3.0

[[adjuster]]
name = "left castor"
makes = ["turn"]
right_mm = -400.0
behind_mm = 150.0

[[adjuster]]
name = "spindle"
makes = ["height"]
mm_per_turn = 4.0
ways = { up = "clockwise", down = "back" }
"""


def stand_file(folder, text):
    path = folder / "stand.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_adjusters_are_read(tmp_path):
    stand = read_stand(stand_file(tmp_path, GOOD))
    assert stand.adjusters == (
        Adjuster("left castor", ("turn",), (-400.0, 150.0)),
        Adjuster("spindle", ("height",), mm_per_turn=4.0, ways={"up": "clockwise", "down": "back"}),
    )
    assert read_stand(stand_file(tmp_path, GOOD[: GOOD.index("[[adjuster]]")])).adjusters == ()


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('name = "spindle"\n', "", ":15: adjuster.1.name: this key is missing"),
        ('makes = ["turn"]\n', "", ":9: adjuster.0.makes: this key is missing"),
        ('makes = ["turn"]', "makes = []", ":11: adjuster.0.makes"),
        ('makes = ["turn"]', 'makes = ["yaw"]', ":11: adjuster.0.makes.0"),
        ('makes = ["turn"]', 'makes = ["height"]', ":9: adjuster.0: right_mm and behind_mm serve a turn only"),
        ("right_mm = -400.0\n", "", ":9: adjuster.0: right_mm and behind_mm belong together"),
        ("behind_mm = 150.0\n", "behind_mm = 150.0\narm_mm = 3.0\n", ":9: adjuster.0: arm_mm and right_mm, behind_mm say"),
        ("mm_per_turn = 4.0", "mm_per_turn = 0.0", ":18: adjuster.1.mm_per_turn"),
        ("mm_per_turn = 4.0", "mm_per_turns = 4.0", ":18: adjuster.1.mm_per_turns: unknown key"),
        ("mm_per_turn = 4.0", "mm_per_turn = 4.0\nmm_per_mark = 1.0", ":15: adjuster.1: mm_per_turn and mm_per_mark: keep"),
        ("mm_per_turn = 4.0", "arm_mm = 4.0", ":15: adjuster.1: arm_mm serves turn, tip, tilt"),
        ('makes = ["height"]', 'makes = ["tilt"]', ":15: adjuster.1: mm_per_turn and mm_per_mark need arm_mm"),
        ('up = "clockwise", down', 'left = "clockwise", down', "ways.left is no way of what it makes: those are down, up"),
        ('up = "clockwise", down = "back"', 'up = "clockwise"', "ways has up alone: write up and down"),
        ('down = "back"', 'down = "clockwise"', ":19: adjuster.1.ways: says 'clockwise' for up and for down"),
        ('name = "spindle"', 'name = "left castor"', "adjuster left castor is listed twice"),
    ],
)
def test_every_wrong_entry_is_named(tmp_path, old, new, words):
    assert old in GOOD
    with pytest.raises(FileError, match=r"stand\.toml") as err:
        read_stand(stand_file(tmp_path, GOOD.replace(old, new, 1)))
    assert words in err.value.what
