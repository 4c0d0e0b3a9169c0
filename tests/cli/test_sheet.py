"""`bayfix sheet` and what a check makes of a sheet: drafts, choices, questions, the wrong target."""

from __future__ import annotations

import pytest

from cli.base import Exit
from tests.support.commands import bayfix, nothing_written, refused
from tests.support.sheet_texts import MANY, ONE


@pytest.fixture
def write(tmp_path):
    def text_to_path(text: str):
        path = tmp_path / "sheet.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return text_to_path


def test_a_second_person_confirms_and_sees_every_number(write):
    path = write(MANY)
    outcome = bayfix("sheet", "confirm", path, "--by", "C. D.")
    assert outcome.status == Exit.CONFORMS, outcome.err
    assert "confirmed by C. D. on " in outcome.out
    assert "3. radar-rear-left: corner reflector (reflector), behind the car" in outcome.out
    assert "-5 … +8" in outcome.out
    assert "[confirmed]" in path.read_text(encoding="utf-8")


def test_the_person_who_typed_the_sheet_cannot_confirm_it(write):
    path = write(ONE)
    with nothing_written(path.parent):
        assert "A. B. typed this sheet: another person must compare it" in refused("sheet", "confirm", path, "--by", "A. B.")


def test_a_suspicious_number_is_asked_about_until_it_is_accepted(write):
    path = write(ONE.replace("value = 2600.0", "value = 15000.0"))
    with nothing_written(path.parent):
        words = refused("sheet", "confirm", path, "--by", "C. D.")
    assert "sheet.toml:8: distance: 15000 mm is farther than most bays are long" in words
    assert "add --accept" in words
    document = bayfix("sheet", "confirm", path, "--by", "C. D.", "--accept", "--json").document
    assert document["accepted"] == ["distance: 15000 mm is farther than most bays are long (8 to 12 m, with the car in them)"]
    assert document["state"]["state"] == "confirmed"
    # Confirmed with it, the sheet is not asked about again.
    assert bayfix("sheet", "confirm", path, "--by", "C. D.").status == Exit.CONFORMS
