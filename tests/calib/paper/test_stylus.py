"""Stylus files: round trip, and what is refused with line and key."""

from __future__ import annotations

import datetime
from dataclasses import replace

import numpy as np
import pytest

from calib.paper.stylus import Stylus, check_stylus, read_stylus, write_stylus
from vision.boards import BoardSet, PrintScale
from vision.boards_io import starter_boards
from vision.errors import FileError

COV = np.array([[0.04, 0.01, 0.0], [0.01, 0.09, -0.02], [0.0, -0.02, 0.01]])
TAUGHT = Stylus(
    "stylus-1",
    np.array([75.0, 330.2, 12.3]),
    COV,
    (1.0012, 0.9988),
    0.21,
    ("01.jpg", "02.jpg"),
    ("03.jpg",),
    datetime.date(2026, 1, 31),
)


@pytest.fixture
def path(tmp_path):
    write_stylus(tmp_path / "stylus.toml", TAUGHT)
    return tmp_path / "stylus.toml"


def change(path, old, new):
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_what_is_written_is_read(path):
    read = read_stylus(path)
    assert (read.board, read.scale, read.residual_mm, read.date) == (TAUGHT.board, TAUGHT.scale, 0.21, TAUGHT.date)
    assert (read.photos, read.left_out) == (TAUGHT.photos, TAUGHT.left_out)
    assert read.tip_mm == pytest.approx(TAUGHT.tip_mm, abs=1e-4)
    assert read.cov_mm2 == pytest.approx(COV, rel=1e-4, abs=1e-6)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('schema = "stylus/1"', 'schema = "stylus/9"', "this version reads 'stylus/1'"),
        ("residual_mm", "residual", r"stylus\.toml.*residual: unknown key"),
        ("z_mm = 12.3", "", r"tip\.z_mm: this key is missing"),
        ("xy = ", "xy = 1.2 # ", r"correlation\.xy: input should be less than or equal to 1, not 1\.2"),
        ("yz = ", "yz = 1.0 # ", "correlation: these correlations contradict each other"),
        ("date = 2026-01-31", 'date = "someday"', "date: input should be a valid date"),
    ],
)
def test_a_wrong_entry_is_named(path, old, new, words):
    change(path, old, new)
    if new.startswith("yz"):
        change(path, "xz = 0.0", "xz = -1.0")
    with pytest.raises(FileError, match=f"(?s){words}"):
        read_stylus(path)


def test_a_missing_file(tmp_path):
    with pytest.raises(FileError, match=r"no\.toml: no such file"):
        read_stylus(tmp_path / "no.toml")


def test_a_file_that_cannot_be_written(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(FileError, match=r"stylus\.toml: cannot be written") as caught:
        write_stylus(tmp_path / "file" / "stylus.toml", TAUGHT)
    assert "--out" in caught.value.hint


def test_its_board_must_be_there_and_printed_as_it_was(path):
    boards = starter_boards("a4")
    as_taught = replace(boards["stylus-1"], scale=PrintScale(*TAUGHT.scale))
    check_stylus(TAUGHT, BoardSet((as_taught,)), path)
    with pytest.raises(
        FileError, match="the print scale of stylus-1 was recorded anew since this stylus was taught on 2026-01-31"
    ):
        check_stylus(TAUGHT, boards, path)
    with pytest.raises(FileError, match="there is no board 'stylus-1' in the board set"):
        check_stylus(TAUGHT, BoardSet((boards["floor-1"],)), path)
