"""The two-person check: a draft until somebody else confirms it, and a draft again after any edit that counts."""

from __future__ import annotations

import datetime

import pytest

from calib.paper.sheet import read_sheets
from calib.paper.sheet_confirmation import confirm
from tests.support.sheet_texts import MANY, ONE
from vision.errors import FileError

DAY = datetime.date(2026, 3, 2)


@pytest.fixture(params=[ONE, MANY], ids=["one", "several"])
def path(request, tmp_path):
    file = tmp_path / "sheet.toml"
    file.write_bytes(request.param.encode())
    return file


def test_a_new_sheet_is_a_draft(path):
    state = read_sheets(path).confirmation
    assert (state.state, state.by) == ("draft", "")
    assert "no second person" in state.words


def test_a_confirmed_sheet_keeps_every_note_as_it_was_typed(path):
    before = path.read_text(encoding="utf-8")
    confirm(path, " C. D. ", DAY, ["distance: far"])
    sheets = read_sheets(path)
    assert sheets.confirmation.state == "confirmed"
    assert sheets.confirmation.words == "confirmed by C. D. on 2026-03-02"
    assert sheets.confirmation.accepted == ("distance: far",)
    assert all(sheet.confirmation == sheets.confirmation for sheet in sheets.placements)
    assert path.read_text(encoding="utf-8").startswith(before.rstrip("\n"))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("2600.0", "2601.0"),
        ("tolerance = 10.0", "tolerance = 9.0"),
        ('"thrust"', '"centreline"'),
        ("A. B.", "E. F."),
    ],
)
def test_an_edit_makes_it_a_draft_again_and_says_so(path, old, new):
    confirm(path, "C. D.", DAY)
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    state = read_sheets(path).confirmation
    assert state.state == "draft"
    assert state.words == "draft: changed since C. D. confirmed it on 2026-03-02; it has to be confirmed again"
    confirm(path, "C. D.", DAY)
    assert read_sheets(path).confirmation.state == "confirmed"


@pytest.mark.parametrize(("old", "new"), [("2600.0", "2600"), ("# a note", "# another note"), ("\n", "\r\n")])
def test_notes_and_layout_do_not_count(path, old, new):
    confirm(path, "C. D.", DAY)
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_bytes(text.replace(old, new).encode())
    assert read_sheets(path).confirmation.state == "confirmed"


def test_a_file_from_windows_keeps_its_line_ends(path):
    path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))
    confirm(path, "C. D.", DAY)
    assert path.read_bytes().count(b"\n") == path.read_bytes().count(b"\r\n")
    assert read_sheets(path).confirmation.state == "confirmed"


@pytest.mark.parametrize(("by", "words"), [("A. B.", "A. B. typed"), ("a b", "a b typed"), ("  ", "no name of the person")])
def test_the_person_who_typed_it_cannot_confirm_it(path, by, words):
    before = path.read_bytes()
    with pytest.raises(FileError, match=rf"sheet\.toml: {words}"):
        confirm(path, by, DAY)
    assert path.read_bytes() == before


def test_a_confirmation_written_by_hand_for_oneself_is_refused(path):
    confirm(path, "C. D.", DAY)
    path.write_text(path.read_text(encoding="utf-8").replace("C. D.", "A. B."), encoding="utf-8")
    with pytest.raises(FileError, match=r"confirmed\.by: A\. B\. typed this sheet: another person must confirm it"):
        read_sheets(path)
