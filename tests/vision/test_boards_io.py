from __future__ import annotations

import datetime

import cv2
import numpy as np
import pytest

from vision.boards import Board, BoardSet, PrintScale
from vision.boards_io import read_boards, record_bars, starter_boards, starter_text, write_boards
from vision.errors import BoardError, FileError

WHEELS = {"wheel-front-left", "wheel-front-right", "wheel-rear-left", "wheel-rear-right"}

SHOP = """\
schema = "boards/1"   # ours

[all]
dictionary = "DICT_5X5_250"
thickness_mm = 4

[[charuco]]
name = "old"          # printed long ago
columns = 7
rows = 5
square_mm = 30.0
marker_mm = 22.0
dictionary = "DICT_4X4_50"
first_id = 3
legacy = true
thickness_mm = 6.0
thickness_pm_mm = 0.4
flatness_pm_mm = 1.0
print_pm_mm = 0.2
print_run = "office"
measured = { x_mm = 139.8, y_mm = 139.6, pm_mm = 0.14, own_pm_mm = 0.07, date = 2026-03-01 }

# the next one
[[charuco]]
name = "new"
columns = 5
rows = 4
square_mm = 46.0
marker_mm = 34.5
first_id = 10

[[chessboard]]
name = "glass"
inner_columns = 9
inner_rows = 6
square_mm = 25.0
flatness_pm_mm = 0.05
print_pm_mm = 0.0

[chessboard.measured]
x_mm = 225.09
y_mm = 150.0
pm_mm = 0.03
bar_x_mm = 225.0
bar_y_mm = 150.0
"""


@pytest.fixture
def shop(tmp_path):
    path = tmp_path / "boards.toml"
    path.write_text(SHOP, encoding="utf-8")
    return path


def test_every_key_arrives(shop):
    boards = read_boards(shop)
    assert [board.name for board in boards] == ["old", "new", "glass"]
    assert boards["old"] == Board(
        "old", 7, 5, 30.0, 22.0, "DICT_4X4_50", 3, True, 6.0, 0.4, 1.0, "office",
        PrintScale(139.8 / 140, 139.6 / 140, 0.14 / 140, 0.07 / 140), 0.2,
    )  # fmt: skip
    assert boards["new"].dictionary == "DICT_5X5_250"
    assert (boards["new"].thickness_mm, boards["new"].thickness_pm_mm, boards["new"].flatness_pm_mm) == (4.0, 0.2, 0.5)
    assert boards["new"].scale == PrintScale()
    assert boards["new"].print_pm_mm == 0.1
    glass = boards["glass"]
    assert glass.print_pm_mm == 0.0
    assert not glass.is_charuco
    assert (glass.columns, glass.rows, glass.corner_count) == (9, 6, 54)
    assert glass.scale.x == pytest.approx(1.0004)
    assert glass.scale.common_pm == pytest.approx(0.03 / 150)


def test_written_boards_come_back(shop, tmp_path):
    boards = read_boards(shop)
    write_boards(tmp_path / "copy.toml", boards)
    for board, copy in zip(boards, read_boards(tmp_path / "copy.toml"), strict=True):
        assert np.allclose(board.corners_mm(), copy.corners_mm(), rtol=0, atol=1e-9)
        assert copy.scale.common_pm == pytest.approx(board.scale.common_pm, rel=1e-12)
        assert copy.scale.own_pm == pytest.approx(board.scale.own_pm, rel=1e-12)
        same = ("name", "dictionary", "first_id", "legacy", "thickness_mm", "thickness_pm_mm", "flatness_pm_mm", "print_pm_mm")
        for key in same if board.is_charuco else ("name", "flatness_pm_mm", "print_pm_mm", "print_run"):
            assert getattr(copy, key) == getattr(board, key), key


def edited(shop, old, new):
    text = shop.read_text(encoding="utf-8")
    assert old in text
    shop.write_text(text.replace(old, new, 1), encoding="utf-8")


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("rows = 5", "rows = 5\ncolour = 3", r"boards\.toml:11: charuco\.0\.colour: unknown key"),
        ("rows = 5\n", "", r"boards\.toml:7: charuco\.0\.rows: this key is missing"),
        ("rows = 5", 'rows = "5"', r"boards\.toml:10: charuco\.0\.rows: .*integer"),
        ("square_mm = 30.0", "square_mm = -30.0", r"boards\.toml:11: charuco\.0\.square_mm: .*greater than 0"),
        (
            "x_mm = 139.8",
            "x_mm = 130.8",
            r"boards\.toml:21: charuco\.0\.measured: the x bar of 140 mm cannot measure 130\.8 mm",
        ),
        ("print_pm_mm = 0.2", "print_pm_mm = -0.2", r"boards\.toml:19: charuco\.0\.print_pm_mm: .*greater than or equal to 0"),
        ("print_pm_mm = 0.2", "print_pm_mm = 2.0", r"boards\.toml:19: charuco\.0\.print_pm_mm: .*less than or equal to 1"),
        ("print_pm_mm = 0.2", 'print_pm_mm = "fine"', r"boards\.toml:19: charuco\.0\.print_pm_mm: .*valid number"),
        ('"boards/1"', '"boards/2"', r"boards\.toml:1: schema: 'boards/2', this version reads 'boards/1'"),
        ('name = "new"', 'name = "a:b"', r"boards\.toml:25: charuco\.1\.name: 'a:b' is no board name"),
        ("[all]", "[every]", r"boards\.toml:3: every: unknown key"),
        ("thickness_mm = 4\n", "", r"boards\.toml:2\d: board new: thickness_mm is missing"),
        ("[[chessboard]]", "[[chessboard", r"boards\.toml:32: not valid TOML"),
    ],
)
def test_a_wrong_entry_is_named_with_file_line_and_key(shop, old, new, says):
    edited(shop, old, new)
    with pytest.raises(FileError, match=says):
        read_boards(shop)


def test_a_print_error_for_all_boards_gives_way_to_a_boards_own(shop):
    edited(shop, "[all]", "[all]\nprint_pm_mm = 0.3")
    boards = read_boards(shop)
    assert {name: boards[name].print_pm_mm for name in ("old", "new")} == {"old": 0.2, "new": 0.3}


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('"DICT_4X4_50"', '"DICT_3X3_50"', r"boards\.toml:7: unknown marker dictionary 'DICT_3X3_50'"),
        ("marker_mm = 22.0", "marker_mm = 30.0", r"boards\.toml:7: board old: the marker must be smaller"),
        ("first_id = 3", "first_id = 40", r"boards\.toml:7: board old: ids 40 to 56 are not all in DICT_4X4_50"),
        ('name = "new"', 'name = "old"', r"boards\.toml: two boards are called old"),
    ],
)
def test_an_impossible_board_is_named_with_its_file(shop, old, new, says):
    edited(shop, old, new)
    with pytest.raises(BoardError, match=says):
        read_boards(shop)


def test_overlapping_ids_are_refused_naming_file_boards_and_id(shop):
    edited(shop, 'dictionary = "DICT_5X5_250"', 'dictionary = "DICT_4X4_50"')
    with pytest.raises(BoardError, match=r"boards\.toml: boards old and new share marker id 10 of DICT_4X4_50") as caught:
        read_boards(shop)
    assert "first_id" in caught.value.hint


def test_a_file_without_boards_or_no_file_is_refused(tmp_path):
    path = tmp_path / "empty.toml"
    path.write_text('schema = "boards/1"\n', encoding="utf-8")
    with pytest.raises(BoardError, match=r"empty\.toml: no boards"):
        read_boards(path)
    with pytest.raises(FileError, match=r"nothing\.toml: no such file"):
        read_boards(tmp_path / "nothing.toml")


@pytest.mark.parametrize("variant", ["a4", "a3"])
def test_the_starter_set_serves_one_bay(variant):
    boards = starter_boards(variant)
    names = {board.name for board in boards}
    assert WHEELS | {"stand-1", "stand-2", "lens-1", "stylus-1", "body-1", "body-2"} <= names
    assert sum(name.startswith("floor-") for name in names) >= 12
    for board in boards:
        assert board.dictionary == "DICT_APRILTAG_36h11"
        assert board.corner_count >= 12, "a board half hidden must still give six corners"
        assert board.scale == PrintScale()
        assert (board.thickness_mm, board.flatness_pm_mm) == (3.0, 0.5)


def test_the_two_variants_share_floor_stylus_and_body_boards_and_no_other_marker():
    """A large print taken for a small one would be wrong by half its size: its ids must tell them apart."""
    a4, a3 = starter_boards("a4"), starter_boards("a3")
    for board in a4:
        if board.name.startswith(("floor-", "stylus-", "body-")):
            assert a3[board.name] == board
        else:
            assert not {i for other in a3 for i in other.marker_ids} & set(board.marker_ids)


def test_recorded_bars_change_one_board_and_keep_every_comment(shop):
    before = shop.read_text(encoding="utf-8").splitlines()
    assert record_bars(shop, "new", 139.9, 139.7, 0.1, date=datetime.date(2026, 5, 6)) == ["new"]
    after = shop.read_text(encoding="utf-8").splitlines()
    added = [line for line in after if line not in before]
    assert added == ["measured = {x_mm = 139.9, y_mm = 139.7, pm_mm = 0.1, date = 2026-05-06}"]
    assert [line for line in after if line not in added] == before
    assert after.index(added[0]) == after.index('name = "new"') + 1
    assert read_boards(shop)["new"].scale == PrintScale(139.9 / 140, 139.7 / 140, 0.1 / 140, 0.0002)


def test_recorded_bars_replace_older_ones_inline_or_as_a_table(shop):
    record_bars(shop, "old", 140.1, 140.2, 0.1)
    record_bars(shop, "glass", 140.3, 140.4, 0.2)
    boards = read_boards(shop)
    assert boards["old"].scale == PrintScale(140.1 / 140, 140.2 / 140, 0.1 / 140, 0.0002)
    assert boards["glass"].scale == PrintScale(140.3 / 140, 140.4 / 140, 0.2 / 140, 0.0002)
    text = shop.read_text(encoding="utf-8")
    assert "139.8" not in text
    assert "225.09" not in text
    assert "# the next one" in text


def test_all_like_means_every_board_of_that_print_run(tmp_path):
    path = tmp_path / "boards.toml"
    path.write_text(starter_text("a3"), encoding="utf-8")
    changed = record_bars(path, "floor-1", 139.8, 139.6, 0.1, all_like="stand-1")
    assert set(changed) == WHEELS | {"stand-1", "stand-2", "lens-1", "floor-1"}
    boards = read_boards(path)
    measured = {board.name for board in boards if board.scale != PrintScale()}
    assert measured == set(changed)


def test_a_run_that_is_only_partly_measured_is_split_because_its_scale_is_not_known_alike(tmp_path):
    path = tmp_path / "boards.toml"
    path.write_text(starter_text("a4"), encoding="utf-8")
    assert {board.print_run for board in read_boards(path)} == {"1"}
    record_bars(path, "floor-1", 139.8, 139.6, 0.1)
    record_bars(path, "floor-2", 139.7, 139.6, 0.1)
    boards = read_boards(path)
    assert boards["floor-1"].print_run == boards["floor-2"].print_run == "1 (±0.071%)"
    assert boards["floor-3"].print_run == "1 (±0.500%)"
    record_bars(path, "floor-1", 139.8, 139.6, 0.1, all_like="floor-1")
    assert {board.print_run for board in read_boards(path)} == {"1"}


@pytest.mark.parametrize(
    ("name", "values", "says"),
    [
        ("new", (135.7, 140.0, 0.1), "the x bar of 140 mm cannot measure 135.7 mm, more than 3% off"),
        ("new", (140.0, 144.3, 0.1), "the y bar of 140 mm cannot measure 144.3 mm"),
        ("new", (float("nan"), 140.0, 0.1), "cannot measure nan mm"),
        ("new", (140.0, 140.0, 0.0), "±0 mm is no reading accuracy"),
        ("new", (140.0, 140.0, 50.0), "±50 mm is no reading accuracy"),
        ("door", (140.0, 140.0, 0.1), r"boards\.toml: there is no board 'door'"),
    ],
)
def test_implausible_bars_are_refused_and_the_file_stays(shop, name, values, says):
    before = shop.read_bytes()
    with pytest.raises(BoardError, match=says):
        record_bars(shop, name, *values)
    assert shop.read_bytes() == before


def test_the_legacy_layout_is_opencvs_own(tmp_path):
    """Oracle: OpenCV's generated picture decodes only with the matching layout flag."""
    board = Board("own", 6, 4, 40.0, 30.0, "DICT_4X4_50", 0, legacy=True, thickness_mm=3.0)
    write_boards(tmp_path / "own.toml", BoardSet((board,)))
    read = read_boards(tmp_path / "own.toml")["own"]
    picture = read.cv_board().generateImage((600, 400), marginSize=0)
    black = {(c, r) for c in range(6) for r in range(4) if picture[r * 100 + 5, c * 100 + 5] == 0}
    assert set(read.black_squares()) == black
    assert cv2.aruco.CharucoDetector(read.cv_board()).detectBoard(picture)[1] is not None
