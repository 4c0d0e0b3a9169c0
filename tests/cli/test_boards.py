"""`bayfix boards`: a file to start from, a PDF to print, and the measured bars back into the file."""

from __future__ import annotations

import json

import pytest
from typer.testing import CliRunner

from cli.main import app
from tests.support.commands import nothing_written, refused
from tests.support.paper_job import LENS
from tests.support.pdf import read_pages
from vision.boards_io import read_boards


@pytest.fixture(autouse=True)
def _in_an_empty_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def boards(*arguments):
    return CliRunner().invoke(app, ["boards", *map(str, arguments)])


def test_new_writes_the_starter_set_and_overwrites_nothing(tmp_path):
    result = boards("new", "--variant", "a3")
    assert result.exit_code == 0, result.output
    assert len(read_boards(tmp_path / "boards.toml")) == 26
    before = (tmp_path / "boards.toml").read_bytes()
    again = boards("new")
    assert again.exit_code == 2
    assert "boards.toml is there already" in again.stderr
    assert (tmp_path / "boards.toml").read_bytes() == before
    other = json.loads(boards("new", "sub/other.toml", "--json").stdout)
    assert other["file"] == "sub/other.toml"
    assert "floor-12" in other["boards"]


def test_print_without_a_file_takes_the_starter_set(tmp_path):
    result = boards("print", "floor-1", "lens-1", "stand-*", "--out", "mine.pdf", "--json")
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    assert document["boards"] == ["floor-1", "lens-1", "stand-1", "stand-2"]
    assert document["source"] == "starter set a4"
    pages = read_pages((tmp_path / "mine.pdf").read_bytes())
    assert [next(name for name in document["boards"] if name in page.texts) for page in pages] == document["boards"]


def test_print_says_how_to_print():
    boards("new")
    result = boards("print", "--paper", "letter")
    assert result.exit_code == 0, result.output
    assert "26 pages on letter" in result.stdout
    assert "actual size" in result.stderr


def test_an_unknown_board_and_a_missing_file_are_bad_input(tmp_path):
    result = boards("print", "door-1")
    assert result.exit_code == 2
    assert "there is no board 'door-1'" in result.stderr
    result = boards("print", "--boards", "no.toml")
    assert result.exit_code == 2
    assert "no.toml: no such file" in result.stderr
    assert not list(tmp_path.glob("*.pdf"))


def test_a_board_too_large_for_the_paper_names_the_paper():
    boards("new", "--variant", "a3")
    result = boards("print", "wheel-rear-left")
    assert result.exit_code == 2
    assert "does not fit on a4 paper" in result.stderr
    assert "--paper a3" in result.stderr


def test_measured_records_one_print_run(tmp_path):
    boards("new", "--variant", "a3")
    result = boards("measured", "floor-2", 139.8, 139.6, "--pm", 0.1, "--all-like", "floor-2", "--json")
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    assert document["boards"] == [*(f"floor-{i}" for i in range(1, 17)), "body-1", "body-2", "stylus-1"]
    assert document["scale_x"] == pytest.approx(139.8 / 140)
    assert read_boards(tmp_path / "boards.toml")["floor-16"].scale.y == pytest.approx(139.6 / 140)
    rows = {row["name"]: row for row in json.loads(boards("list", "--json").stdout)["boards"]}
    assert rows["floor-16"]["scale_measured"]
    assert not rows["stand-1"]["scale_measured"]
    assert rows["stand-1"]["papers"] == ["a3", "tabloid"]


def test_measured_refuses_a_print_that_was_fitted_to_the_page(tmp_path):
    boards("new")
    before = (tmp_path / "boards.toml").read_bytes()
    result = boards("measured", "floor-2", 133.0, 132.9, "--pm", 0.1)
    assert result.exit_code == 2
    assert "the x bar of 140 mm cannot measure 133 mm" in result.stderr
    assert "never" in result.stderr
    assert (tmp_path / "boards.toml").read_bytes() == before


def test_list_shows_pattern_ids_paper_and_scale():
    boards("new")
    boards("measured", "lens-1", 139.8, 139.6, "--pm", 0.1)
    result = boards("list")
    assert result.exit_code == 0, result.output
    lens = next(line for line in result.stdout.splitlines() if line.startswith("lens-1"))
    for part in ("9 x 6, 28 mm", "120-146", "a4", "x 99.86 %, y 99.71 %, each ±0.07 %"):
        assert part in lens
    assert "25 of 26 boards have no measured print scale" in result.stderr


@pytest.mark.parametrize(
    "words",
    [
        ("boards", "new", "file/x.toml"),
        ("boards", "print", "lens-1", "--out", "file/x.pdf"),
        ("boards", "print", "lens-1", "--out", "folder"),
        ("lens-file", "phone.lens.toml", "file/x.lens.toml"),
    ],
    ids=" ".join,
)
def test_a_name_that_no_file_can_have_is_refused_in_words(tmp_path, words):
    """A file stands where a folder should be, or a folder where the file should be."""
    (tmp_path / "file").write_text("", encoding="utf-8")
    (tmp_path / "folder").mkdir()
    (tmp_path / "phone.lens.toml").write_text(LENS, encoding="utf-8")
    with nothing_written(tmp_path):
        assert "cannot be written" in refused(*words)
