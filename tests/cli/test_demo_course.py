"""The demo's course: three placements in turn, every mistake caught. Rendered photos, real commands: slow."""

from __future__ import annotations

import json
import math

import pytest

from cli.demo_course_bay import PLACES, REAR, STOOD, course
from cli.demo_more_targets import MARKS, MAT, MAT_LIES, PAIR, PAIR_OFF, true_mat_figures, true_pair_figures
from synthetic_images.truth import line_frame
from tests.support.commands import bayfix


@pytest.fixture(scope="module")
def bay():
    return course(1).bay


@pytest.mark.parametrize("epoch", list(STOOD))
def test_targets_stand_as_far_off_as_the_course_says(bay, epoch):
    """The bay's own geometry: a panel ahead of the front axle, a reflector behind the rear one at 45°."""
    stand = bay.epoch(epoch).stand
    placement, off = STOOD[epoch]
    figures = line_frame(bay, stand, "rest").figures(bay.bay_from_target(epoch))
    wanted = dict(zip(PLACES[placement], off, strict=True))
    sign = -1.0 if placement == REAR else 1.0
    assert sign * figures["distance_mm"] == pytest.approx(PLACES[placement]["distance"] + wanted["distance"], abs=1e-6)
    assert figures["lateral_mm"] == pytest.approx(PLACES[placement]["lateral"] + wanted["lateral"], abs=1e-6)
    turn = math.radians(figures["yaw_deg"] - PLACES[placement]["yaw"] - wanted["yaw"])
    assert turn == pytest.approx(0.0, abs=1e-9)


def test_two_reflectors_stand_and_a_mat_lies_as_far_off_as_the_course_says(bay):
    for name, figures in true_pair_figures(bay, "check-6").items():
        wanted = [value + off for value, off in zip(PAIR[name].values(), PAIR_OFF[name], strict=True)]
        found = [figures[key] for key in ("distance_mm", "lateral_mm", "height_mm", "yaw_deg")]
        assert found == pytest.approx(wanted, abs=1e-6)
    boards = bay.board_poses("check-6")
    assert boards["reflector-1"][1, 3] > 800.0  # on the car's left
    assert boards["face-2"][1, 3] < -800.0
    for epoch, (ahead, left, turn_deg) in MAT_LIES.items():
        places = true_mat_figures(bay, epoch)
        assert places["a_ahead_mm"] == pytest.approx(MARKS["a"][0] + ahead, abs=0.05)  # a slope of the floor shortens it
        assert places["a_left_mm"] == pytest.approx(MARKS["a"][1] + left, abs=0.05)
        turned = math.degrees(
            math.atan2(places["a_ahead_mm"] - places["b_ahead_mm"], places["b_left_mm"] - places["a_left_mm"])
        )
        assert turned == pytest.approx(turn_deg, abs=1e-3)


@pytest.mark.slow
def test_every_mistake_is_caught_and_the_job_ends_done(tmp_path):
    out = tmp_path / "course"
    document = bayfix("demo", "--course", "--out", out, "--json").document
    assert document == json.loads((out / "demo.json").read_text(encoding="utf-8"))
    mistakes = {row["mistake"] for row in document["steps"]} - {None}
    assert mistakes == {
        "a tolerance is missed",
        "the sheet is not confirmed",
        "the wrong target",
        "the stand moved between photos",
        "one of two targets is not in the photos",
        "the mat lies too far away",
    }
    assert [row["story"] for row in document["steps"] if not row["as_expected"]] == []
    # 95 % are expected inside U; three of some 50 correlated figures outside come once in a hundred bays or so
    assert sum(not row["inside"] for row in document["figures"]) <= 3
    assert {row["placement"] for row in document["figures"]} == {*PLACES, *PAIR, MAT}
    status = bayfix("job", "status", out, "--json").document
    assert all(line["state"] == "done" for line in status["lines"])
