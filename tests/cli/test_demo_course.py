"""The demo's course: three placements in turn, every mistake caught. Rendered photos, real commands: slow."""

from __future__ import annotations

import json
import math

import pytest

from cli.demo_course_bay import PLACES, REAR, STOOD, course
from synthetic_images.truth import line_frame
from tests.support.commands import bayfix


@pytest.mark.parametrize("epoch", list(STOOD))
def test_targets_stand_as_far_off_as_the_course_says(epoch):
    """The bay's own geometry: a panel ahead of the front axle, a reflector behind the rear one at 45°."""
    bay = course(1).bay
    stand = bay.epoch(epoch).stand
    placement, off = STOOD[epoch]
    figures = line_frame(bay, stand, "rest").figures(bay.bay_from_target(epoch))
    wanted = dict(zip(PLACES[placement], off, strict=True))
    sign = -1.0 if placement == REAR else 1.0
    assert sign * figures["distance_mm"] == pytest.approx(PLACES[placement]["distance"] + wanted["distance"], abs=1e-6)
    assert figures["lateral_mm"] == pytest.approx(PLACES[placement]["lateral"] + wanted["lateral"], abs=1e-6)
    turn = math.radians(figures["yaw_deg"] - PLACES[placement]["yaw"] - wanted["yaw"])
    assert turn == pytest.approx(0.0, abs=1e-9)


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
    }
    assert [row["story"] for row in document["steps"] if not row["as_expected"]] == []
    status = bayfix("job", "status", out, "--json").document
    assert all(line["state"] == "done" for line in status["lines"])
