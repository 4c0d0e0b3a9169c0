"""`bayfix sheet` and what a check makes of a sheet: drafts, choices, questions, the wrong target."""

from __future__ import annotations

import json

import pytest
import tomlkit

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


# --- a check ------------------------------------------------------------------------------------------------------------


def several(job) -> None:
    """The demo's one placement as the first of two."""
    text = (job / "sheet.toml").read_text(encoding="utf-8")
    document = tomlkit.parse(text)
    figures = {name: document.pop(name) for name in ("distance", "lateral", "height", "yaw", "pitch", "roll")}
    target, provenance = document.pop("target"), document.pop("provenance")
    document["schema"] = "placement-sheet/2"
    low = {"name": "low", "target": target, **figures}
    high = {"name": "high", "target": target, "with": "low", "height": {"value": 1450.0, "unit": "mm", "tolerance": 10.0}}
    document["placement"] = [low, high]
    document["provenance"] = provenance
    (job / "sheet.toml").write_text(tomlkit.dumps(document), encoding="utf-8")


def test_a_check_on_a_draft_says_so_in_words_and_in_the_result(job):
    outcome = bayfix("check", job)
    assert "sheet: draft: no second person has compared these numbers" in outcome.out
    kept = json.loads((job / "results" / "check-1.json").read_text(encoding="utf-8"))
    assert kept["sheet_state"]["state"] == "draft"
    assert bayfix("sheet", "confirm", job / "sheet.toml", "--by", "Z. Z.").status == Exit.CONFORMS
    again = bayfix("check", job, "--json").document
    assert again["sheet_state"]["state"] == "confirmed"
    assert again["sheet_state"]["by"] == "Z. Z."


def test_one_of_several_placements_is_chosen_by_name(job):
    several(job)
    with nothing_written(job):
        assert "several placements, and none was chosen: low, high" in refused("check", job)
        assert "there is no placement 'middle'" in refused("check", job, "--placement", "middle")
    outcome = bayfix("check", job, "--placement", "high")
    assert outcome.status == Exit.DOES_NOT_CONFORM  # it stands at the lower height
    assert "high: " in outcome.out
    assert "outside the tolerance: height" in outcome.out


def test_the_wrong_target_is_refused_by_name(job):
    text = (job / "sheet.toml").read_text(encoding="utf-8")
    (job / "sheet.toml").write_text(text.replace("origin =", 'target_boards = ["stand-9"]\norigin =', 1), encoding="utf-8")
    with nothing_written(job):
        words = refused("check", job)
    assert "not the right target: it has stand-1" in words
    assert "is known by stand-9" in words


def test_a_suspicious_number_stops_a_check_and_an_accepted_one_stays_in_its_result(job):
    document = tomlkit.parse((job / "sheet.toml").read_text(encoding="utf-8"))
    document["distance"]["tolerance"] = 0.05
    (job / "sheet.toml").write_text(tomlkit.dumps(document), encoding="utf-8")
    with nothing_written(job):
        assert "distance: a tolerance of 0.05 mm is finer than such targets are placed" in refused("check", job)
    accepted = bayfix("check", job, "--accept", "--json").document["accepted"]
    assert accepted == ["distance: a tolerance of 0.05 mm is finer than such targets are placed: is the unit right?"]
