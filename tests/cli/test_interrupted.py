"""A run stopped by hand or by a full disk leaves the job folder as it was (`tests/cli/conftest.py` makes the job)."""

from __future__ import annotations

import json
from contextlib import contextmanager
from pathlib import Path

import pytest

import cli.progress
from cli.base import Exit
from tests.support.commands import bayfix, nothing_written, refused
from tests.support.photo_job import blank_jpeg, four_photos, put_photos

pytestmark = pytest.mark.usefixtures("in_this_process")
INTERRUPTED = 130


@contextmanager
def stopped_at_rename(monkeypatch, number: int, error: BaseException, *, after: bool = False):
    """The run is stopped at the n-th file that is put in place, before or after it is."""
    real, count = Path.replace, 0

    def put_in_place(self, target):
        nonlocal count
        count += 1
        if count == number and not after:
            raise error
        out = real(self, target)
        if count == number:
            raise error
        return out

    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", put_in_place)
        yield
    assert count == number, f"{count} files were put in place"


@pytest.fixture
def job_with_photos(surveyed_job, job):
    """A job with a survey, which would be made again from a few tied photos."""
    tied = ("rest/01.jpg", "rest/07.jpg", "rest/09.jpg", "rest/10.jpg")
    put_photos(surveyed_job, job, {photo: surveyed_job.seen[photo] for photo in tied})
    return job


@pytest.mark.parametrize(("number", "after"), [(1, False), (1, True), (2, False)])
def test_a_survey_stopped_while_writing_leaves_the_old_one(job_with_photos, monkeypatch, number, after):
    with nothing_written(job_with_photos), stopped_at_rename(monkeypatch, number, KeyboardInterrupt(), after=after):
        outcome = bayfix("survey", job_with_photos)
        assert outcome.status == INTERRUPTED
        assert "stopped by hand" in outcome.err
    assert bayfix("wheels", job_with_photos).status == 0


def test_a_survey_stopped_after_its_last_file_is_a_survey(job_with_photos, monkeypatch):
    with stopped_at_rename(monkeypatch, 2, KeyboardInterrupt(), after=True):
        assert bayfix("survey", job_with_photos).status == INTERRUPTED
    results = job_with_photos / "results"
    document = json.loads((results / "survey.json").read_text(encoding="utf-8"))
    assert document["epochs"] == ["rest"]
    assert [path.name for path in results.glob("survey-*.npz")] == [document["state"]]


def test_a_full_disk_is_told_in_words_and_leaves_the_old_survey(job_with_photos, monkeypatch):
    full = OSError(28, "No space left on device")
    with nothing_written(job_with_photos), stopped_at_rename(monkeypatch, 2, full):
        words = refused("survey", job_with_photos)
    assert "survey.json: cannot be written: No space left on device" in words


def test_a_survey_stopped_while_looking_writes_nothing(surveyed_job, new_job, monkeypatch):
    rest = four_photos(surveyed_job, new_job)
    for i in (5, 6):
        (rest / f"0{i}.jpg").write_bytes(blank_jpeg(surveyed_job.demo.camera, mark=str(i)))

    @contextmanager
    def stopped_by_hand(_totals):
        def tick(_stage, what):
            if what == "rest/05.jpg":
                raise KeyboardInterrupt

        yield tick

    monkeypatch.setattr(cli.progress, "progress_bars", stopped_by_hand)
    with nothing_written(new_job):
        outcome = bayfix("survey", new_job)
    assert outcome.status == INTERRUPTED
    assert "stopped by hand" in outcome.err


def test_sightings_stopped_while_being_kept_are_not_kept_in_part(surveyed_job, new_job, monkeypatch):
    rest = four_photos(surveyed_job, new_job)
    for i in (5, 6):
        (rest / f"0{i}.jpg").write_bytes(blank_jpeg(surveyed_job.demo.camera, mark=str(i)))
    with nothing_written(new_job), stopped_at_rename(monkeypatch, 2, KeyboardInterrupt()):
        assert bayfix("survey", new_job).status == INTERRUPTED


def test_second_looks_are_kept_with_the_survey_and_not_in_part(job_with_photos, monkeypatch):
    cache = job_with_photos / "results" / "sightings"
    before = {path.name for path in cache.iterdir()}
    with stopped_at_rename(monkeypatch, 4, KeyboardInterrupt()):  # state, survey.json, one look, another
        assert bayfix("survey", job_with_photos).status == INTERRUPTED
    assert {path.name for path in cache.iterdir()} == before
    assert bayfix("survey", job_with_photos).status == 0
    assert {path.name for path in cache.iterdir()} > before


def test_a_check_stopped_while_writing_leaves_the_old_result(job, monkeypatch):
    assert bayfix("check", job).status != Exit.BAD_INPUT
    with nothing_written(job), stopped_at_rename(monkeypatch, 1, KeyboardInterrupt()):
        assert bayfix("check", job).status == INTERRUPTED
