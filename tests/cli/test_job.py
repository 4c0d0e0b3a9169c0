"""`bayfix job new`: files a technician can fill in, and nothing overwritten."""

from __future__ import annotations

import json
import re

import pytest
from typer.testing import CliRunner

from calib.paper.job import check_job, read_job
from calib.paper.sheet import FIGURES, read_sheet
from calib.paper.stand import read_stand
from calib.paper.vehicle import read_vehicle
from cli.main import app
from vision.boards_io import read_boards
from vision.errors import FileError

FILES = {"job.toml", "before.toml", "sheet.toml", "stand.toml", "vehicle.toml", "boards.toml"}


def new(*arguments):
    return CliRunner().invoke(app, ["job", "new", *map(str, arguments)])


def switched_on(text: str) -> str:
    """The file as a technician leaves it who removes the # before every setting and fills the blanks."""
    text = re.sub(r"^# (?=(\w+ = )|\[)", "", text, flags=re.MULTILINE)
    return text.replace('= ""', '= "filled"')


def test_a_new_job_has_six_files_and_five_photo_folders(tmp_path):
    folder = tmp_path / "deep" / "job"
    result = new(folder)
    assert result.exit_code == 0, result.output
    assert {path.name for path in folder.iterdir() if path.is_file()} == FILES
    assert {path.name for path in (folder / "photos").iterdir()} == {"roll-1", "roll-2", "roll-3", "rest", "check-1"}
    assert result.stdout.count("written") == 6
    assert "next: fill in sheet.toml" in result.stderr


@pytest.mark.parametrize("variant", ["a4", "a3"])
def test_the_written_files_can_be_read_once_filled_in(tmp_path, variant):
    assert new(tmp_path, "--variant", variant).exit_code == 0
    for name in ("job.toml", "sheet.toml", "stand.toml", "vehicle.toml"):
        path = tmp_path / name
        path.write_text(switched_on(path.read_text(encoding="utf-8")), encoding="utf-8")
    (tmp_path / "phone.lens.toml").touch()
    (tmp_path / "webcam.lens.toml").touch()
    job = read_job(tmp_path)
    stand = read_stand(tmp_path / "stand.toml")
    check_job(job, read_boards(tmp_path / "boards.toml"), stand)
    assert read_sheet(tmp_path / "sheet.toml").names == FIGURES
    assert stand.names == ("stand-1", "stand-2")
    assert stand.pivot is not None
    assert len(job.reference_known) == 4
    assert len(job.distances) == 1
    assert job.vehicle is not None
    assert set(read_vehicle(job.vehicle).limits) == {"rear_total_toe", "thrust_angle", "diagonal_difference"}
    assert job.forced_lens(tmp_path / "photos" / "rest" / "webcam-1.png") == tmp_path / "webcam.lens.toml"


def test_the_job_file_serves_as_written_once_a_lens_profile_is_there(tmp_path):
    new(tmp_path)
    (tmp_path / "phone.lens.toml").touch()
    job = read_job(tmp_path)
    check_job(job, read_boards(job.boards))
    assert job.reference_known == ()


def test_blanks_that_were_not_filled_in_are_named(tmp_path):
    new(tmp_path)
    with pytest.raises(FileError, match=r"sheet\.toml:6: target: is empty: fill it in"):
        read_sheet(tmp_path / "sheet.toml")
    with pytest.raises(FileError, match=r"stand\.toml:\d+: board\.0\.right_mm: this key is missing"):
        read_stand(tmp_path / "stand.toml")


def test_nothing_is_overwritten(tmp_path):
    (tmp_path / "sheet.toml").write_text("mine", encoding="utf-8")
    result = new(tmp_path, "--json")
    assert result.exit_code == 0
    document = json.loads(result.stdout)
    assert {name.rsplit("/", 1)[-1] for name in document["written"]} == FILES - {"sheet.toml"}
    assert [name.rsplit("/", 1)[-1] for name in document["kept"]] == ["sheet.toml"]
    assert (tmp_path / "sheet.toml").read_text(encoding="utf-8") == "mine"
    before = {path: path.read_bytes() for path in tmp_path.glob("*.toml")}
    assert "was there already" in new(tmp_path, "--variant", "a3").stdout
    assert {path: path.read_bytes() for path in tmp_path.glob("*.toml")} == before


def test_a_file_in_the_way_is_bad_input(tmp_path):
    (tmp_path / "job").write_text("", encoding="utf-8")
    result = new(tmp_path / "job")
    assert result.exit_code == 2
    assert "cannot be written" in result.stderr
    assert "try: choose another folder" in result.stderr


def test_an_unknown_variant_is_bad_usage(tmp_path):
    assert new(tmp_path, "--variant", "a5").exit_code == 2
