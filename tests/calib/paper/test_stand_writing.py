"""A taught stand file keeps what a person wrote of the stand into the one it replaces."""

from __future__ import annotations

import datetime
from dataclasses import replace

import numpy as np
import pytest

from calib.paper.stand import Pivot, Stand, StandBoard, Taught, read_stand
from calib.paper.stand_writing import kept_of, write_stand
from vision.errors import FileError

PIVOT = """\
# where it turns, by the drawing
# of the stand's maker
[pivot]
right_mm = 3.0   # a rule
behind_mm = 250.0
"""
CASTOR = """\
# the one with the red knob
[[adjuster]]
name = "left castor"
makes = ["turn"]
right_mm = -350.0
behind_mm = 200.0
"""
SPINDLE = """\
[[adjuster]]
name = "height spindle"
# mended in spring
makes = ["height"]
mm_per_turn = 3.0
ways = { up = "clockwise", down = "counter-clockwise" }
"""
BOARD = """\
[[board]]
name = "stand-1"
right_mm = 0.0   # by rule
up_mm = 0.0
behind_mm = 3.0
"""
BY_HAND = f"{PIVOT}\n{CASTOR}\n{SPINDLE}"
TYPED = f'schema = "stand/1"\n# Where the boards sit: typed.\n\n{BOARD}\n# an old remark that belongs to nothing\n\n'
COV = np.diag([0.04, 0.04, 0.01, 1e-6, 1e-6, 1e-6])
STAND = Stand((StandBoard("stand-1", 12.0, -3.0, 4.0),), None, Taught(datetime.date(2026, 3, 1), ("a", "b", "c"), 0.2, COV))


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "stand.toml"
    path.write_text(TYPED + BY_HAND, encoding="utf-8")
    return path


def test_pivot_and_adjusters_go_along_with_their_comments_and_what_is_taught_is_new(path):
    kept = kept_of(path)
    assert kept.names == ("[pivot]", "2 [[adjuster]]")
    write_stand(path, STAND, kept)
    text = path.read_text(encoding="utf-8")
    assert text.endswith(f"\n\n{BY_HAND}")
    assert "typed" not in text
    assert "old remark" not in text
    stand = read_stand(path)
    assert (stand.pivot, [one.name for one in stand.adjusters]) == (Pivot(3.0, 250.0), ["left castor", "height spindle"])
    assert (stand.boards[0].right_mm, stand.taught) == (12.0, STAND.taught)
    write_stand(path, STAND, kept_of(path))  # once more: nothing grows, nothing goes
    assert path.read_text(encoding="utf-8") == text


@pytest.mark.parametrize(
    "text",
    [
        f'schema = "stand/1"\n{CASTOR}\n{SPINDLE}\n{PIVOT}\n{BOARD}',
        f'schema = "stand/1"\n{PIVOT}\n{BOARD}\n{CASTOR}\n{SPINDLE}',
        f'# ours\nschema = "stand/1"\n\n{CASTOR}\n{SPINDLE}\n{BOARD}\n{PIVOT}',
    ],
)
def test_tables_before_and_after_the_boards_go_along(path, text):
    path.write_text(text, encoding="utf-8")
    write_stand(path, STAND, kept_of(path))
    assert read_stand(path).taught == STAND.taught
    for part in (PIVOT, CASTOR, SPINDLE):
        assert part in path.read_text(encoding="utf-8")


def test_a_table_written_in_one_line_goes_along(path):
    path.write_text(f'schema = "stand/1"\npivot = {{ right_mm = 3.0, behind_mm = 9.0 }}\n{BOARD}', encoding="utf-8")
    kept = kept_of(path)
    write_stand(path, STAND, kept)
    assert (kept.names, read_stand(path).pivot) == (("[pivot]",), Pivot(3.0, 9.0))


def test_without_a_file_or_anything_by_hand_there_is_nothing_to_keep(tmp_path):
    path = tmp_path / "stand.toml"
    assert kept_of(path).names == ()
    write_stand(path, STAND, kept_of(path))
    assert kept_of(path).names == ()
    assert read_stand(path).pivot is None


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('schema = "stand/1"', 'schema = "placement-sheet/1"', "this is no stand file"),
        ('schema = "stand/1"', "", "this is no stand file"),
        ("behind_mm = 250.0", "behind_mm = -9000.0", r":16: pivot\.behind_mm"),
        ("[pivot]", "[pivto]", r":14: pivto: unknown key"),
        ('makes = ["height"]', 'makes = ["lift"]', r"adjuster\.1\.makes\.0"),
        ("[pivot]", "[pivot", "not valid TOML"),
    ],
)
def test_a_file_that_would_be_lost_or_is_wrong_is_refused(path, old, new, words):
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(FileError, match=rf"stand\.toml.*{words}"):
        kept_of(path)


def test_a_stand_that_cannot_be_is_not_written(path):
    wrong = replace(STAND, boards=(StandBoard("stand-1", 12.0, -3.0, -40.0),))
    with pytest.raises(FileError, match=r"what was taught is no stand, nothing is written: .*board\.0\.behind_mm"):
        write_stand(path, wrong, kept_of(path))
    assert path.read_text(encoding="utf-8") == TYPED + BY_HAND
