"""The floor in commands: what a sheet asks of it is said before anything else, blocks a check, and can be overruled."""

from __future__ import annotations

import pytest
import tomlkit

from cli.base import Exit
from cli.floor_words import HEADING
from tests.support.commands import bayfix, nothing_written, refused

pytestmark = pytest.mark.usefixtures("in_this_process")


def change(path, edit) -> None:
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    edit(document)
    path.write_text(tomlkit.dumps(document), encoding="utf-8")


def wide(sheet, **limits) -> None:
    """Tolerances that the placement keeps, and limits of the floor in degrees or mm."""
    for name in ("distance", "lateral", "height"):
        sheet[name]["tolerance"] = 40.0
    for name in ("yaw", "pitch", "roll"):
        sheet[name]["tolerance"] = 2.0
    sheet["floor"] = {name: {"most": most, "unit": "mm" if name == "flatness" else "deg"} for name, most in limits.items()}


def test_a_floor_that_keeps_its_limits_is_told_in_the_results_only(job):
    change(job / "sheet.toml", lambda sheet: wide(sheet, pitch=2.0, roll=2.0, flatness=10.0))
    outcome = bayfix("check", job, "--json")
    assert outcome.status == Exit.CONFORMS
    floor = outcome.document["floor"]
    assert [row["name"] for row in floor["limits"]] == ["floor_pitch_deg", "floor_roll_deg", "floor_flatness_mm"]
    assert all(row["verdict"] == "conforms" and abs(row["measured"]) < row["most"] for row in floor["limits"])
    assert floor["limits"][2]["board"].startswith("floor-")
    assert floor["unevenness"]["source"] == "typed"
    assert bayfix("check", job).out.startswith("CONFORMS\n")
    vehicle = bayfix("vehicle", job)
    assert vehicle.status == Exit.CONFORMS
    assert vehicle.out.startswith("CONFORMS\nevery limited figure is inside its limits\n")


def test_a_floor_out_of_its_limits_comes_first_blocks_a_check_and_can_be_overruled(job):
    change(job / "sheet.toml", lambda sheet: wide(sheet, pitch=2.0, flatness=0.05))
    outcome = bayfix("check", job)
    assert outcome.status == Exit.UNDECIDED
    first, second, third, *_ = outcome.out.splitlines()
    assert first == HEADING
    assert second.startswith("  floor flatness: ")
    assert "; at most 0.1 mm: does not conform" in second or "; at most 0.1 mm: undecided" in second
    assert third.endswith("overrule it with a reason and a name under [floor_overruled] in job.toml")
    assert "UNDECIDED" in outcome.out
    vehicle = bayfix("vehicle", job)
    assert vehicle.status in (Exit.UNDECIDED, Exit.DOES_NOT_CONFORM)
    assert vehicle.out.startswith(HEADING)
    assert "not shown to be inside the limits: floor flatness" in vehicle.out

    overruled = {"reason": "levelled plates", "by": "C. D."}
    change(job / "job.toml", lambda document: document.update({"floor_overruled": overruled}))
    outcome = bayfix("check", job)
    assert outcome.status == Exit.CONFORMS
    assert outcome.out.startswith("the floor does not keep the sheet's limits; overruled by C. D.: levelled plates\n")
    assert bayfix("check", job, "--json").document["floor"]["overruled"] == overruled
    assert bayfix("vehicle", job).status == Exit.CONFORMS


def test_overruling_needs_a_reason_and_a_name(job):
    change(job / "job.toml", lambda document: document.update({"floor_overruled": {"by": "C. D."}}))
    with nothing_written(job):
        words = refused("vehicle", job)
    assert "floor_overruled.reason: this key is missing" in words


def test_a_sheet_that_is_not_filled_in_stops_no_look_at_the_car(job):
    (job / "sheet.toml").write_text('schema = "placement-sheet/1"\ntarget = "?"\n', encoding="utf-8")
    outcome = bayfix("vehicle", job)
    assert outcome.status == Exit.CONFORMS
    assert "note: what the sheet asks of the floor was not looked at: " in outcome.out


def test_height_above_the_plane_the_wheels_stand_on_is_said(job):
    change(job / "sheet.toml", lambda sheet: sheet.update({"height_from": "wheels"}))
    outcome = bayfix("check", job)
    assert "height above the plane the wheels stand on, as the sheet gives it" in outcome.out
    document = bayfix("check", job, "--json").document
    assert document["height_from"] == "wheels"
    height = next(row for row in document["figures"] if row["name"] == "height_mm")
    change(job / "sheet.toml", lambda sheet: sheet.update({"height_from": "floor"}))
    over_floor = next(row for row in bayfix("check", job, "--json").document["figures"] if row["name"] == "height_mm")
    assert height["U"] > over_floor["U"]
    assert abs(height["measured"] - over_floor["measured"]) < height["U"]
