"""What is known of a target's face: what is read, and each wrong entry named by file, line and key."""

from __future__ import annotations

import math

import pytest

from calib.paper.stand import BEHIND_PM_MM, PLACE_PM_MM
from calib.paper.target_face import check_face, read_face
from vision.boards_io import starter_boards
from vision.errors import FileError

GOOD = """\
schema = "target-marks/1"

[[board]]
name = "stand-1"
right_mm = 210.0
up_mm = -120.0
turn_deg = 90.0
right_pm_mm = 0.3

[[mark]]
name = "a"
right_mm = 0.0
up_mm = 10.0
"""
BOARDS = starter_boards("a4")


def face_file(folder, text):
    path = folder / "face.toml"
    path.write_text(text, encoding="utf-8")
    return path


def checked(path, to_teach=()):
    face = read_face(path)
    check_face(path, face, BOARDS, ("floor-1", "wheel-rear-left"), to_teach)
    return face


def test_a_board_printed_on_the_face_lies_in_it_unless_it_is_said(tmp_path):
    face = checked(face_file(tmp_path, GOOD))
    (board,) = face.boards
    assert (board.board, board.right_mm, board.up_mm, board.behind_mm) == ("stand-1", 210.0, -120.0, 0.0)
    assert board.turn_rad == pytest.approx(math.pi / 2)
    assert (board.right_pm_mm, board.up_pm_mm, board.behind_pm_mm) == (0.3, PLACE_PM_MM, BEHIND_PM_MM)
    assert [mark.name for mark in face.marks] == ["a"]


def marks(*places):
    rows = (f'[[mark]]\nname = "m{i}"\nright_mm = {right}\nup_mm = {up}\n' for i, (right, up) in enumerate(places))
    return 'schema = "target-marks/1"\n' + "".join(rows)


WIDE = (-400.0, 300.0), (420.0, 280.0), (10.0, -310.0)


def test_marks_alone_are_as_before(tmp_path):
    assert read_face(face_file(tmp_path, marks(*WIDE))).boards == ()


@pytest.mark.parametrize(
    ("places", "words"),
    [
        (((0.0, 0.0), (200.0, 100.0), (400.0, 200.0)), "mark: the marks lie on one line (within 0 mm)"),
        (((-400.0, 0.0), (0.0, 60.0), (400.0, 0.0), (800.0, 30.0)), "mark: the marks lie on one line (within 2"),
        (((-50.0, 0.0), (50.0, 0.0), (0.0, 80.0)), "mark: the marks lie too near one another (82 mm by 75 mm)"),
        (WIDE[:2], "mark: 2 marks, at least 3 are needed, or a [[board]]"),
        ((), "mark: 0 marks, at least 3 are needed"),
    ],
)
def test_marks_that_fix_no_face_are_refused_when_they_are_read(tmp_path, places, words):
    """Before anybody photographs them; a board in a known place fixes the face without them."""
    path = face_file(tmp_path, marks(*places))
    with pytest.raises(FileError, match=r"face\.toml") as err:
        read_face(path)
    assert words in err.value.what
    path = face_file(tmp_path, marks(*places) + GOOD[GOOD.index("[[board]]") : GOOD.index("[[mark]]")])
    assert len(read_face(path).marks) == len(places)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('name = "stand-1"', 'name = "panel-9"', ":4: board.0.name: there is no board 'panel-9'"),
        ('name = "stand-1"', 'name = "floor-1"', ":4: board.0.name: board floor-1 is on the floor or the car"),
        ('name = "stand-1"', 'name = "wheel-rear-left"', ":4: board.0.name: board wheel-rear-left is on the floor or the car"),
        ('name = "stand-1"', 'name = "stand-2"', ":4: board.0.name: board stand-2 has a known place on the face here"),
        ('name = "stand-1"', 'name = "lens-chess"', ":4: board.0.name: there is no board 'lens-chess'"),
        ('name = "stand-1"', 'name = ""', ":4: board.0.name"),
        ('name = "stand-1"', "name = 3", ":4: board.0.name"),
        ('name = "stand-1"\n', "", ":3: board.0.name: this key is missing"),
        ("right_mm = 210.0\n", "", ":3: board.0.right_mm: this key is missing"),
        ("up_mm = -120.0\n", "", ":3: board.0.up_mm: this key is missing"),
        ("right_mm = 210.0", "right_mm = 21000.0", ":5: board.0.right_mm"),
        ("right_mm = 210.0", 'right_mm = "210 mm"', ":5: board.0.right_mm"),
        ("right_pm_mm = 0.3", "right_pm_mm = -0.3", ":8: board.0.right_pm_mm"),
        ("right_pm_mm = 0.3", "right_pm_mm = nan", ":8: board.0.right_pm_mm"),
        ("right_pm_mm = 0.3", "pm_mm = 0.3", ":8: board.0.pm_mm: unknown key"),
        ("turn_deg = 90.0", "turn_deg = 360.0", ":7: board.0.turn_deg"),
        ("turn_deg = 90.0", "behind_mm = -3.0", ":7: board.0.behind_mm"),
        ("[[board]]", "[board]", "board"),
        ("[[board]]", '[[board]]\nname = "stand-1"\nright_mm = 1.0\nup_mm = 1.0\n[[board]]', "board stand-1 is listed twice"),
        (GOOD[GOOD.index("[[board]]") : GOOD.index("[[mark]]")], "", "1 marks, at least 3 are needed, or a [[board]]"),
        ("target-marks/1", "target-marks/2", "this version reads 'target-marks/1'"),
    ],
)
def test_every_wrong_entry_is_named(tmp_path, old, new, words):
    assert old in GOOD
    path = face_file(tmp_path, GOOD.replace(old, new, 1))
    with pytest.raises(FileError, match=r"face\.toml") as err:
        checked(path, ("stand-2",))
    assert words in err.value.what
