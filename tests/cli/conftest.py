"""A surveyed job with blank photos, made once, for tests of the commands (`tests.support.photo_job`)."""

from __future__ import annotations

import shutil

import pytest

import vision.parallel
from tests.support.photo_job import kept_survey, put_photos
from tests.support.simulated import CHECK, Scene, scene, simulate


@pytest.fixture(scope="session")
def bay() -> Scene:
    return scene(1)


@pytest.fixture(scope="session")
def surveyed_job(bay, tmp_path_factory):
    """A job with a survey and the photos of one check; never changed: tests work on copies."""
    folder = tmp_path_factory.mktemp("surveyed") / "job"
    sim = simulate(folder, 1, of=bay)
    kept_survey(sim)
    put_photos(sim, folder, {photo: seen for photo, seen in sim.seen.items() if photo.startswith(CHECK)})
    return sim


@pytest.fixture
def in_this_process(monkeypatch):
    """Photos are looked at one after another here: starting workers costs more than looking at blank photos."""
    monkeypatch.setattr(vision.parallel, "LEAST_FOR_POOL", 1000)


@pytest.fixture
def job(surveyed_job, tmp_path):
    folder = tmp_path / "job"
    shutil.copytree(surveyed_job.desk.job.folder, folder)
    return folder


@pytest.fixture
def one_photo(job):
    """Of the check: enough where not the figures count, but what is said of them; it shows no wheel."""
    return job / "photos" / CHECK / "01.jpg"


@pytest.fixture
def new_job(job):
    """The same job before anything was photographed."""
    shutil.rmtree(job / "results")
    shutil.rmtree(job / "photos")
    (job / "photos" / "rest").mkdir(parents=True)
    return job
