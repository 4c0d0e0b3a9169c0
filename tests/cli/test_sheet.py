"""`bayfix sheet` and what a check makes of a sheet: drafts, choices, questions, the wrong target."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import pytest
import tomlkit

from cli.base import Exit
from tests.support.commands import bayfix, nothing_written, refused
from tests.support.photo_job import put_photos
from tests.support.sheet_texts import MANY, ONE

pytestmark = pytest.mark.usefixtures("in_this_process")


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


def test_a_point_between_others_is_told_where_it_is_used_and_only_there(write):
    points = '[points.{0}]\nbetween = ["point:{0}-left", "point:{0}-right"]\n'
    text = MANY.replace("[[placement]]", f"{points.format('nose')}{points.format('tail')}\n[[placement]]", 1)
    text = text.replace('kind = "reflector"\n', 'kind = "reflector"\nline = ["point:nose", "board:floor-1"]\n', 1)
    shown = bayfix("sheet", "show", write(text)).out
    assert shown.count("point nose: the mean of 50 % touched point nose-left") == 1
    assert shown.index("3. radar-rear-left") < shown.index("point nose: the mean of")
    assert "point tail: nothing here is measured from it" in shown
    assert "from the thrust line, + to the car's left" in shown
    assert "from the line through touched point nose and mark of floor-1, + to the car's left" in shown


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


# --- new ----------------------------------------------------------------------------------------------------------------


def test_a_new_sheet_is_filled_in_and_read_without_a_manual(tmp_path):
    path = tmp_path / "new.toml"
    assert bayfix("sheet", "new", path).status == Exit.CONFORMS
    with nothing_written(tmp_path):
        assert "new.toml: is there already" in refused("sheet", "new", path)
        assert "placement.0.target: is empty: fill it in" in refused("sheet", "show", path)
    text = path.read_text(encoding="utf-8")
    path.write_text(re.sub(r"^# (?=[\[a-z])", "", text, flags=re.MULTILINE).replace('= ""', '= "x"'), encoding="utf-8")
    shown = bayfix("sheet", "show", path, "--json", "--accept").document
    assert [one["name"] for one in shown["placements"]] == ["first", "rear-left", "mat-left"]
    assert [len(one["figures"]) for one in shown["placements"]] == [6, 4, 4]


# --- a check ------------------------------------------------------------------------------------------------------------


def several(job) -> None:
    """The demo's one placement as the first of two."""
    text = (job / "sheet.toml").read_text(encoding="utf-8")
    document = tomlkit.parse(text)
    figures = {name: document.pop(name) for name in ("distance", "lateral", "height", "yaw", "pitch", "roll")}
    target, provenance = document.pop("target"), document.pop("provenance")
    document["schema"] = "placement-sheet/2"
    low = {"name": "low", "target": target, **figures}
    high = {"name": "high", "target": target, "height": {"value": 1450.0, "unit": "mm", "tolerance": 10.0}}
    document["placement"] = [low, high]
    document["provenance"] = provenance
    (job / "sheet.toml").write_text(tomlkit.dumps(document), encoding="utf-8")


def test_a_check_on_a_draft_says_so_in_words_and_in_the_result(job, one_photo):
    outcome = bayfix("check", job, one_photo)
    assert "sheet: draft: no second person has compared these numbers" in outcome.out
    kept = json.loads((job / "results" / "check-1.json").read_text(encoding="utf-8"))
    assert kept["sheet_state"]["state"] == "draft"
    assert bayfix("sheet", "confirm", job / "sheet.toml", "--by", "Z. Z.").status == Exit.CONFORMS
    again = bayfix("check", job, one_photo, "--json").document
    assert again["sheet_state"]["state"] == "confirmed"
    assert again["sheet_state"]["by"] == "Z. Z."


def test_one_of_several_placements_is_chosen_by_name(job, one_photo):
    several(job)
    with nothing_written(job):
        assert "there is no placement 'middle'" in refused("check", job, "--placement", "middle")
        assert "there is no placement 'middle'" in refused("budget", job, "distance_mm", "--placement", "middle")
    assert bayfix("check", job, one_photo, "--json").document["placement"] == "low"  # the first that is open
    outcome = bayfix("check", job, one_photo, "--placement", "high")
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


def test_a_stand_whose_target_is_not_shown_is_refused(job, surveyed_job):
    """The sheet knows the panel by its second board; the photo shows the stand's first board only."""
    text = (job / "sheet.toml").read_text(encoding="utf-8")
    (job / "sheet.toml").write_text(text.replace("origin =", 'target_boards = ["stand-2"]\norigin =', 1), encoding="utf-8")
    seen = {name: one for name, one in surveyed_job.seen.items() if name.startswith("check-")}
    bare = {name: replace(one, found=tuple(s for s in one.found if s.board != "stand-2")) for name, one in seen.items()}
    for photo in (job / "photos" / "check-1").iterdir():
        photo.unlink()
    put_photos(surveyed_job, job, bare)
    words = refused("check", job)
    assert "not shown to be the right target" in words
    assert "is known by stand-2, none of it is in check-1/01.jpg" in words


def test_a_suspicious_number_stops_a_check_and_an_accepted_one_stays_in_its_result(job, one_photo):
    document = tomlkit.parse((job / "sheet.toml").read_text(encoding="utf-8"))
    document["distance"]["tolerance"] = 0.05
    (job / "sheet.toml").write_text(tomlkit.dumps(document), encoding="utf-8")
    with nothing_written(job):
        assert "distance: a tolerance of 0.05 mm is finer than such targets are placed" in refused("check", job)
    accepted = bayfix("check", job, one_photo, "--accept", "--json").document["accepted"]
    assert accepted == ["distance: a tolerance of 0.05 mm is finer than such targets are placed"]


# --- show, diff, schema -------------------------------------------------------------------------------------------------


def test_a_sheet_is_shown_in_words_and_drawn(write, tmp_path):
    path = write(MANY)
    outcome = bayfix("sheet", "show", path, "--out", tmp_path / "drawings")
    assert outcome.status == Exit.CONFORMS, outcome.err
    assert "1. camera-low: front camera panel (panel), ahead of the car" in outcome.out
    names = {file.name for file in (tmp_path / "drawings").iterdir()}
    assert names == {
        f"sheet-{name}.{kind}" for name in ("camera-low", "camera-high", "radar-rear-left") for kind in ("svg", "png")
    }
    one = bayfix("sheet", "show", path, "--placement", "camera-high", "--json").document
    assert [placement["name"] for placement in one["placements"]] == ["camera-high"]
    assert one["placements"][0]["figures"][2] == {
        "name": "height_mm",
        "unit": "mm",
        "required": 1450.0,
        "lower": -10.0,
        "upper": 10.0,
    }
    assert (tmp_path / "sheet-camera-high.png").is_file()


def test_a_suspicious_sheet_is_not_drawn_until_it_is_accepted(write, tmp_path):
    path = write(ONE.replace("value = 2600.0", "value = 15000.0"))
    with nothing_written(tmp_path):
        assert "distance: 15000 mm is farther" in refused("sheet", "show", path)
    shown = bayfix("sheet", "show", path, "--accept")
    assert "accepted: distance: 15000 mm" in shown.out
    assert (tmp_path / "sheet.svg").is_file()


def test_a_folder_that_cannot_be_written(write, tmp_path):
    path = write(ONE)
    (tmp_path / "full").write_text("a file", encoding="utf-8")
    with nothing_written(tmp_path):
        assert "full: cannot be written" in refused("sheet", "show", path, "--out", tmp_path / "full")


def test_two_editions_are_compared(write, tmp_path):
    old = write(MANY)
    new = tmp_path / "new.toml"
    new.write_text(MANY.replace("value = 1450.0", "value = 1460.0"), encoding="utf-8")
    outcome = bayfix("sheet", "diff", old, new)
    assert outcome.status == Exit.CONFORMS
    assert outcome.out.splitlines()[0] == "camera-high: height 1450 -> 1460 mm (+10 mm)"
    document = bayfix("sheet", "diff", old, new, "--json").document
    assert document["changes"][0]["new"] == 1460.0
    assert bayfix("sheet", "diff", old, old).out.startswith("both sheets ask for the same\n")
    assert "none.toml: no such file" in refused("sheet", "diff", old, tmp_path / "none.toml")


def test_the_schema_is_printed():
    assert json.loads(bayfix("sheet", "schema").out)["title"] == "bayfix placement sheet"


MAT = """
[[placement]]
name = "mat"
target = "floor mat"
kind = "mat"
size = { width = 1.2, height = 2.4, unit = "m" }
[[placement.mark]]
name = "a"
ahead = { value = -1200, unit = "mm", tolerance = 10 }
left = { value = 1500, unit = "mm", tolerance = 10 }
[[placement.mark]]
name = "b"
ahead = { value = 900, unit = "mm", tolerance = 10 }
left = { value = 1700, unit = "mm", tolerance = 10 }
"""


def test_a_mat_is_said_to_lie_where_its_marks_lie(write, tmp_path):
    text = MANY.replace("\n[provenance]", f"{MAT}\n[provenance]", 1).replace("tolerance = 0.5 }", 'tolerance = "20 min" }', 1)
    shown = bayfix("sheet", "show", write(text), "--out", tmp_path / "drawn").out
    assert "floor mat (mat), on the floor" in shown
    assert "from 1200 mm behind to 900 mm ahead of the front axle, 1500 to 1700 mm left of the line" in shown
    assert "mat 1200 mm wide (across the car), 2400 mm long" in shown
    assert "±0.3333 (20 min)" in shown
