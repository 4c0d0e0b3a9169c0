"""`bayfix vehicle`: the table against the survey, limits and overruling, the plan; a check on a car out of limits."""

from __future__ import annotations

import io
import json
import shutil
import xml.etree.ElementTree as ET

import pytest
import tomlkit
from PIL import Image

from cli.base import Exit
from tests.support.commands import bayfix, nothing_written, refused

pytestmark = pytest.mark.usefixtures("in_this_process")

FILE = """\
schema = "vehicle/1"
name = "mid-size car"
tyre = "205/55R16"
toe_diameter_mm = 406.4

[limits.rear_total_toe]
unit = "deg"
value = 0.10
tolerance = 0.50

[provenance]
document = "invented"
typed_by = "A. B."
"""
TIGHT = """
[limits.camber_rear_left]
unit = "deg"
least = 0.5
most = 1.0
"""


@pytest.fixture(scope="module")
def copied(surveyed_job, tmp_path_factory):
    folder = tmp_path_factory.mktemp("vehicle") / "job"
    shutil.copytree(surveyed_job.desk.job.folder, folder)
    return folder


@pytest.fixture(scope="module")
def wheels(copied):
    """The table of `bayfix wheels`."""
    return bayfix("wheels", copied, "--json").document


@pytest.fixture(scope="module")
def drawn(copied):
    """What `bayfix vehicle` said on this job, its drawings and results lying in it."""
    return bayfix("vehicle", copied, "--json")


def with_vehicle(job, text):
    (job / "vehicle.toml").write_text(text, encoding="utf-8")
    path = job / "job.toml"
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    document["vehicle"] = "vehicle.toml"
    path.write_text(tomlkit.dumps(document), encoding="utf-8")


def row_of(document, name):
    return next(row for row in document["figures"] if row["name"] == name)


def test_the_table_holds_what_wheels_say_and_more(wheels, drawn):
    assert drawn.status == Exit.CONFORMS
    document = drawn.document
    assert document["verdict"] == "no limits given"
    for name in ("thrust_angle_deg", "camber_front_left_deg", "track_rear_mm"):
        assert row_of(document, name)["measured"] == row_of(wheels, name)["measured"]
        assert row_of(document, name)["U"] == row_of(wheels, name)["U"]
    assert [row["group"] for row in document["figures"]] == sorted(
        (row["group"] for row in document["figures"]), key=["floor", "wheels", "lines", "whole car", "tyres"].index
    )
    bases = [row_of(document, f"wheelbase_{side}_mm")["measured"] for side in ("left", "right")]
    assert row_of(document, "wheelbase_difference_mm")["measured"] == pytest.approx(bases[0] - bases[1])
    assert len(document["floor"]) == 16
    assert set(document["sources"]) == {row["name"] for row in document["figures"] if "measured" in row}


def test_floor_boards_measure_the_unevenness_that_nobody_typed(copied, wheels, tmp_path):
    typed = wheels
    assert typed["floor"]["unevenness"]["source"] == "typed"
    job = tmp_path / "job"
    shutil.copytree(copied, job)
    text = (job / "job.toml").read_text(encoding="utf-8")
    (job / "job.toml").write_text(text.replace("floor_pm_mm = 2.0\n", ""), encoding="utf-8")
    said = [bayfix(command, job).out for command in ("wheels", "vehicle")]
    wheels, vehicle = (json.loads((job / "results" / f"{name}.json").read_text("utf-8")) for name in ("wheels", "vehicle"))
    told = wheels["floor"]["unevenness"]
    assert told == vehicle["floor_limits"]["unevenness"]
    assert (told["source"], told["boards"], told["typed_pm_mm"]) == ("measured", 16, None)
    assert told["pm_mm"] == told["measured_pm_mm"] == typed["floor"]["unevenness"]["measured_pm_mm"]
    # The invented floor's waves are half a millimetre: it is more even than the ±2 mm typed, and U says so.
    assert 0.4 < told["pm_mm"] < 2.0
    for name in ("camber_rear_left_deg", "thrust_direction_deg"):
        assert wheels["sources"][name]["floor"] < typed["sources"][name]["floor"]
    assert all(told["words"] in words for words in said)


@pytest.mark.usefixtures("drawn")
def test_the_plan_is_drawn_twice_alike(copied):
    picture = Image.open(io.BytesIO((copied / "results" / "vehicle-plan.png").read_bytes()))
    root = ET.fromstring((copied / "results" / "vehicle-plan.svg").read_text(encoding="utf-8"))  # noqa: S314 - our own file
    assert (int(root.attrib["width"]), int(root.attrib["height"])) == picture.size
    words = [element.text for element in root.iter() if element.tag.endswith("text")]
    document = json.loads((copied / "results" / "vehicle.json").read_text(encoding="utf-8"))
    angle = row_of(document, "thrust_angle_deg")
    side = "left" if angle["measured"] > 0 else "right"
    assert f"thrust line {abs(angle['measured']):.3f}° ± {angle['U']:.3f}° to the car's {side}" in words
    assert any(word.startswith("Angles of wheels and thrust line are drawn 20 times") for word in words)
    # Something is drawn in the middle of the page, in every quarter of it.
    gray = picture.convert("L")
    for box in ((0, 200, 620, 900), (620, 200, 1240, 900), (0, 900, 620, 1400), (620, 900, 1240, 1400)):
        assert gray.crop(box).getextrema()[0] < 100


@pytest.mark.usefixtures("drawn")
def test_the_floor_is_drawn_with_what_the_results_say(copied):
    root = ET.fromstring((copied / "results" / "vehicle-floor.svg").read_text(encoding="utf-8"))  # noqa: S314 - our own file
    words = [element.text for element in root.iter() if element.tag.endswith("text")]
    for row in json.loads((copied / "results" / "vehicle.json").read_text(encoding="utf-8"))["floor"]:
        assert row["board"] in words
        assert f"± {row['U']:.1f}" in words
        if abs(row["height_mm"]) >= 0.05:
            assert f"{abs(row['height_mm']):.1f} {'above' if row['height_mm'] > 0 else 'below'}" in words
    assert (copied / "results" / "vehicle-floor.png").is_file()


def test_limits_toe_in_mm_and_tyres(copied, monkeypatch):
    (copied / "other.toml").write_text(FILE, encoding="utf-8")
    outcome = bayfix("vehicle", copied, "--vehicle", copied / "other.toml")
    assert outcome.status == Exit.CONFORMS
    assert "vehicle-floor.png and .svg" in outcome.err
    assert outcome.out.startswith("CONFORMS\nevery limited figure is inside its limits\n")
    assert "mm at 406.4 mm" in outcome.out
    assert "rolling share rear left" in outcome.out
    monkeypatch.setattr("cli.vehicle_words.drawings_of", lambda *_: {})  # once drawn is enough
    (copied / "other.toml").write_text(FILE + TIGHT, encoding="utf-8")
    outcome = bayfix("vehicle", copied, "--vehicle", copied / "other.toml")
    assert outcome.status == Exit.DOES_NOT_CONFORM
    assert "not shown to be inside the limits: camber rear left" in outcome.out


def test_a_car_out_of_its_limits_keeps_a_check_from_conforming(job, one_photo):
    check = ("check", job, one_photo, "--car-not-seen", "chocks and brake", "--json")
    path = job / "sheet.toml"
    sheet = tomlkit.parse(path.read_text(encoding="utf-8"))
    for name in ("distance", "lateral", "height"):
        sheet[name]["tolerance"] = 40.0
    for name in ("yaw", "pitch", "roll"):
        sheet[name]["tolerance"] = 2.0
    path.write_text(tomlkit.dumps(sheet), encoding="utf-8")
    with_vehicle(job, FILE + TIGHT)
    outcome = bayfix(*check)
    assert outcome.status == Exit.UNDECIDED
    assert outcome.document["verdict"] == "undecided"
    assert any("the car is not shown to be within its limits (camber rear left)" in r for r in outcome.document["remarks"])
    overruled = '\n[overruled.camber_rear_left]\nreason = "springs are renewed next week"\nby = "C. D."\n'
    with_vehicle(job, FILE + TIGHT + overruled)
    outcome = bayfix(*check)
    assert outcome.status == Exit.CONFORMS
    remark = "limit of camber rear left overruled by C. D.: springs are renewed next week"
    assert remark in outcome.document["remarks"]


def test_a_vehicle_file_that_is_not_there(job):
    with nothing_written(job):
        words = refused("vehicle", job, "--vehicle", job / "none.toml")
    assert "none.toml: no such file" in words


def test_stand_off_missing_for_one_wheel_leaves_every_other_figure(job):
    path = job / "job.toml"
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    del document["wheels"]["front_left"]["standoff_mm"], document["wheels"]["front_left"]["standoff_pm_mm"]
    path.write_text(tomlkit.dumps(document), encoding="utf-8")
    outcome = bayfix("vehicle", job)
    assert outcome.status == Exit.CONFORMS
    assert "thrust angle: not measured: stand-off missing (front left)" in outcome.out
    assert "rear total toe" in outcome.out
    assert "track rear" in outcome.out
    assert "rolling diameter front left" in outcome.out
    assert not (job / "results" / "vehicle-plan.png").exists()
    assert (job / "results" / "vehicle-floor.png").is_file()


def car_line(job):
    lines = bayfix("job", "status", job, "--json").document["lines"]
    return next((line["state"], line["words"]) for line in lines if line["what"] == "car")


def test_a_status_trusts_no_table_that_was_made_by_other_limits_or_stand_offs(surveyed_job, tmp_path, monkeypatch):
    monkeypatch.setattr("cli.vehicle_words.drawings_of", lambda *_: {})  # drawing takes longer than the rest
    job = tmp_path / "job"
    shutil.copytree(surveyed_job.desk.job.folder, job)
    with_vehicle(job, FILE)
    assert car_line(job) == ("open", "not judged yet")
    bayfix("vehicle", job)
    assert car_line(job) == ("done", "within its limits")

    (job / "vehicle.toml").write_text(FILE + TIGHT, encoding="utf-8")
    assert car_line(job) == ("open", "out of date: the vehicle file changed since the car was judged")
    (job / "vehicle.toml").write_bytes(FILE.encode() + "# Höhe\n".encode("latin-1"))
    assert car_line(job)[0] == "open"  # the file that cannot be read has a line of its own
    (job / "vehicle.toml").write_text(FILE, encoding="utf-8")
    assert car_line(job)[0] == "done"

    entries = (job / "job.toml").read_text(encoding="utf-8")
    document = tomlkit.parse(entries)
    document["wheels"]["rear_left"]["standoff_mm"] += 3.0
    (job / "job.toml").write_text(tomlkit.dumps(document), encoding="utf-8")
    assert "stand-offs, floor or wheel entries of job.toml changed" in car_line(job)[1]
    (job / "job.toml").write_text(entries, encoding="utf-8")

    path = job / "results" / "vehicle.json"
    kept = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps({key: value for key, value in kept.items() if key != "inputs"}), encoding="utf-8")
    assert "judged by an earlier version" in car_line(job)[1]
    path.write_text("{", encoding="utf-8")
    assert "is damaged" in car_line(job)[1]
