"""Mat files: what is read, and every wrong one in one sentence with line and key."""

from __future__ import annotations

import math

import pytest

from calib.paper.mat import read_mat
from vision.errors import FileError

TEXT = """\
schema = "mat/1"
stretch_pm_percent = 0.2
flatness_pm_mm = 5.0

[[mark]]
name = "a"
x_mm = 0.0
y_mm = 0.0

[[mark]]
name = "b"
x_mm = 1200.0
y_mm = 0.0
pm_mm = 0.5

[[board]]
name = "mat-1"
x_mm = 400.0
y_mm = -150.0
turn_deg = 90.0
"""


def read(tmp_path, text: str):
    path = tmp_path / "mat.toml"
    path.write_text(text, encoding="utf-8")
    return read_mat(path)


def test_a_mat_is_read_with_its_defaults(tmp_path):
    mat = read(tmp_path, TEXT)
    assert (mat.mark_names, mat.board_names) == (("a", "b"), ("mat-1",))
    assert (mat.stretch_pm, mat.flatness_pm_mm) == (0.002, 5.0)
    assert (mat.marks[0].pm_mm, mat.marks[1].pm_mm) == (1.0, 0.5)
    (board,) = mat.boards
    assert (board.turn_rad, board.pm_mm, board.turn_pm_rad) == (math.pi / 2, 1.0, math.radians(0.1))


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ('schema = "mat/1"', 'schema = "mat/2"', r"mat\.toml.*'mat/2'"),
        ("x_mm = 1200.0", 'x_mm = "1200"', r"mat\.toml:12: mark\.1\.x_mm"),
        ("x_mm = 1200.0", "x_mm = 120000.0", r"mat\.toml:12: mark\.1\.x_mm"),
        ("x_mm = 1200.0", "x_mm = 0.0", r"marks a and b are in the same place"),
        ('name = "b"', 'name = "a"', r"mark a is listed twice"),
        ('name = "b"', 'name = "b b"', r"mat\.toml:11: mark\.1\.name"),
        ("pm_mm = 0.5", "pm_mm = -0.5", r"mat\.toml:14: mark\.1\.pm_mm"),
        ("pm_mm = 0.5", "pm = 0.5", r"mat\.toml:14: mark\.1\.pm: .*unknown|pm"),
        ("turn_deg = 90.0", "turn_rad = 1.57", r"mat\.toml:20: board\.0\.turn_rad"),
        ("turn_deg = 90.0", "turn_deg = 900.0", r"mat\.toml:20: board\.0\.turn_deg"),
        ("y_mm = -150.0\n", "", r"mat\.toml:\d+: board\.0\.y_mm"),
        ("stretch_pm_percent = 0.2", "stretch_pm_percent = 20.0", r"mat\.toml:2: stretch_pm_percent"),
        ("flatness_pm_mm = 5.0", "flatness_pm_mm = -1.0", r"mat\.toml:3: flatness_pm_mm"),
        (TEXT.partition("[[board]]")[2], '\nname = ""\nx_mm = 0.0\ny_mm = 0.0\n', r"mat\.toml:17: board\.0\.name"),
        ("[[board]]" + TEXT.partition("[[board]]")[2], "", r"mat\.toml: board"),
        (TEXT.partition("[[mark]]")[2].partition("[[board]]")[0], "\n", r"mat\.toml"),
    ],
)
def test_a_wrong_mat_file_is_one_sentence(tmp_path, old, new, complaint):
    assert old in TEXT
    with pytest.raises(FileError, match=complaint):
        read(tmp_path, TEXT.replace(old, new, 1))
