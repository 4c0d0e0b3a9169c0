"""Photo folders by epoch: order, what counts as a photo, and names that are refused."""

from __future__ import annotations

import pytest

from calib.paper.epochs import epoch_of, epoch_order, epochs, photos, touch_photos
from calib.paper.job import Job
from vision.errors import FileError, MeasurementError


@pytest.fixture
def job(tmp_path):
    return Job(tmp_path, (), (), tmp_path / "b", None, None, (), (), (), 2.0, 0.0)


def put(job, *names):
    for name in names:
        path = job.photos_folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()


def test_epochs_and_photos_come_in_natural_order(job):
    put(job, "check-1/a.jpg", "rest/a.jpg", "roll-10/a.jpg", "roll-2/10.jpg", "roll-2/9.jpg", "roll-2/B.JPG", "check-12/a.png")
    assert epochs(job) == ("roll-2", "roll-10", "rest", "check-1", "check-12")
    assert [path.name for path in photos(job)["roll-2"]] == ["9.jpg", "10.jpg", "B.JPG"]
    assert epoch_of(job, photos(job)["roll-2"][0]) == "roll-2"


def test_notes_and_hidden_files_are_passed_over_and_subfolders_looked_into(job):
    put(job, "rest/a.jpg", "rest/a.json", "rest/._a.jpg", "rest/.thumbs/b.jpg", ".DS_Store", "notes.txt", "rest/phone/c.heic")
    assert [path.name for path in photos(job)["rest"]] == ["a.jpg", "c.heic"]


def test_empty_epochs_are_left_out(job):
    put(job, "rest/a.jpg")
    (job.photos_folder / "check-1").mkdir()
    assert epochs(job) == ("rest",)


@pytest.mark.parametrize("name", ["Roll-1", "roll-01", "roll_1", "roll-0", "roll", "rest-1", "check", "lens"])
def test_other_folder_names_are_refused_with_the_rule(job, name):
    put(job, "rest/a.jpg", f"{name}/a.jpg")
    with pytest.raises(FileError, match=rf"photos.{name}: '{name}' is no name of an epoch") as caught:
        photos(job)
    assert "roll-1, roll-2" in caught.value.hint
    with pytest.raises(MeasurementError, match=f"'{name}' is no name of an epoch"):
        epoch_order(name)


def test_photos_of_touched_points_are_no_epoch(job):
    put(job, "rest/a.jpg", "touch-rim-1/2.jpg", "touch-rim-1/10.jpg", "touch-empty/notes.txt")
    assert epochs(job) == ("rest",)
    assert [path.name for path in touch_photos(job, "rim-1")] == ["2.jpg", "10.jpg"]
    for name in ("empty", "emblem"):
        with pytest.raises(FileError, match=f"touch-{name}: no photo of point {name}"):
            touch_photos(job, name)
    with pytest.raises(MeasurementError, match="'-x' is no name of a point"):
        touch_photos(job, "-x")
    put(job, "touch-/a.jpg")
    with pytest.raises(FileError, match="'touch-' is no name of an epoch"):
        photos(job)


def test_a_photo_outside_an_epoch(job):
    put(job, "rest/a.jpg", "loose.jpg")
    with pytest.raises(FileError, match=r"loose\.jpg: this photo belongs to no epoch"):
        photos(job)


def test_no_photo_at_all(job):
    with pytest.raises(FileError, match="photos: no photo"):
        photos(job)
    (job.photos_folder / "rest").mkdir(parents=True)
    with pytest.raises(FileError, match="photos: no photo"):
        photos(job)
