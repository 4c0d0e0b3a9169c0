"""The history of a job: numbered, whole, never overwritten, and loud when damaged."""

from __future__ import annotations

import pytest

from calib.paper.history import history, note
from tests.support.paper_job import paper_job
from vision.errors import FileError


def test_entries_come_back_in_order(tmp_path):
    job = paper_job(tmp_path)
    for i in range(12):
        note(job, "check-1" if i % 2 else "outcome", {"schema": "check/1", "i": i})
    entries = history(job)
    assert [entry.document["i"] for entry in entries] == list(range(12))
    assert [entry.number for entry in entries] == list(range(1, 13))
    assert entries[1].name == "check-1"


def test_a_number_is_never_used_again(tmp_path):
    job = paper_job(tmp_path)
    first = note(job, "a", {})
    note(job, "b", {})
    first.unlink()
    assert note(job, "c", {}).name.startswith("0003")


def test_no_history_is_an_empty_one_and_strange_files_are_passed_over(tmp_path):
    job = paper_job(tmp_path)
    assert history(job) == ()
    note(job, "a", {})
    (job.results_folder / "history" / "notes.txt").write_text("mine")
    assert len(history(job)) == 1


@pytest.mark.parametrize("text", ["{", "[1]", "\x00"])
def test_a_damaged_entry_is_named(tmp_path, text):
    job = paper_job(tmp_path)
    path = note(job, "check-1", {})
    path.write_text(text)
    with pytest.raises(FileError, match=r"0001-check-1\.json: damaged"):
        history(job)
