"""A survey of mostly known photos goes on from the kept survey's poses, and comes to what a survey from nothing comes to."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

import vision.network
from cli.kept_survey import keep_survey, kept_poses
from cli.stations import Overrides, Sighted, open_desk, settled_from, settled_survey
from tests.support.photo_job import seen_photos, survey_photos
from tests.support.simulated import simulate

LATE = "rest/03.jpg"


@pytest.fixture(scope="module")
def sim(bay, tmp_path_factory):
    """A job whose survey was kept before the photo LATE was taken."""
    sim = simulate(tmp_path_factory.mktemp("again") / "job", 1, of=bay)
    views = [view for view in sim.survey_views if view.photo != LATE]
    seen = tuple(photo for photo in seen_photos(sim) if photo.name != LATE)
    keep_survey(sim.desk, Sighted(seen, survey_photos(sim), settled_survey(sim.desk, views).network))
    return sim


@pytest.fixture(scope="module")
def from_nothing(sim):
    return settled_survey(sim.desk, sim.survey_views).network


@pytest.fixture
def survey_json(sim):
    """The kept document; what a test makes of it is put right again."""
    path = sim.desk.job.results_folder / "survey.json"
    text = path.read_text(encoding="utf-8")
    yield path
    path.write_text(text, encoding="utf-8")


def known(sim):
    return kept_poses(sim.desk, seen_photos(sim), survey_photos(sim))


def assert_same(one, other):
    """To a thousandth of the standard uncertainties: where a start lies leaves its mark only in the last step taken."""
    assert one.corners == other.corners
    for body in other.bodies_seen:
        gap = one.state.pose(body).translation_mm - other.state.pose(body).translation_mm
        turn = (one.state.pose(body) @ other.state.pose(body).inverse()).transform.rotation.magnitude()
        sigma = next((s for s in other.strength if s.body == body), None)
        assert np.linalg.norm(gap) <= 1e-3 * sigma.sigma_position_mm + 1e-6, body
        assert turn <= 1e-3 * sigma.sigma_rotation_rad + 1e-7, body


def test_one_more_photo_needs_no_new_start_and_changes_nothing_else(sim, from_nothing, monkeypatch):
    def not_again(*_):
        raise AssertionError("the whole network was placed anew")

    kept = known(sim)
    assert LATE not in kept.start.photos
    monkeypatch.setattr(vision.network, "find_start", not_again)
    assert_same(settled_from(sim.desk, sim.survey_views, kept).network, from_nothing)


def test_wrong_poses_do_not_lead_astray(sim, from_nothing, survey_json):
    document = json.loads(survey_json.read_text(encoding="utf-8"))
    first, second = (row for row in document["bodies"] if row["body"] in ("floor-1", "floor-6"))
    first["survey_from_body"], second["survey_from_body"] = second["survey_from_body"], first["survey_from_body"]
    survey_json.write_text(json.dumps(document), encoding="utf-8")
    assert_same(settled_from(sim.desk, sim.survey_views, known(sim)).network, from_nothing)


def test_a_photo_counts_only_as_it_was(sim):
    seen = [replace(photo, sha256="other") if photo.name == "roll-1/01.jpg" else photo for photo in seen_photos(sim)]
    moved = {**survey_photos(sim), "roll-2/01.jpg": "roll-3"}
    assert known(sim).start.photos.keys() - kept_poses(sim.desk, seen, moved).start.photos.keys() == {
        "roll-1/01.jpg",
        "roll-2/01.jpg",
    }


def test_bodies_count_only_while_a_known_photo_shows_them(sim):
    of_rest = [photo for photo in seen_photos(sim) if photo.name.startswith("rest/")]
    bodies = kept_poses(sim.desk, of_rest, survey_photos(sim)).start.bodies
    assert any(body.endswith("@rest") for body in bodies)
    assert not any("@roll" in body for body in bodies)


@pytest.mark.parametrize("text", ["", "[]", '{"schema": "survey/1"}', '{"schema": "survey/0"}'])
def test_a_damaged_or_older_survey_is_no_start(sim, survey_json, text):
    survey_json.write_text(text, encoding="utf-8")
    assert known(sim) is None


def test_boards_measured_anew_are_a_new_start(sim):
    boards = sim.desk.job.boards
    text = boards.read_text(encoding="utf-8")
    try:
        boards.write_text(text.replace("flatness_pm_mm = 0.5", "flatness_pm_mm = 0.6"), encoding="utf-8")
        assert boards.read_text(encoding="utf-8") != text
        assert kept_poses(open_desk(sim.desk.job.folder, Overrides()), seen_photos(sim), survey_photos(sim)) is None
    finally:
        boards.write_text(text, encoding="utf-8")
