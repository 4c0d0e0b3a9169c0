"""Survey, then touch, then check, against one adjustment of all photos at once: the touched origin's distance and its U."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calib.bodies import held_body, tape_distances, touch_view
from calib.geometry.stylus import Tip, TouchedBy
from calib.paper.sheet import read_sheet
from calib.pipeline import check_of
from cli.check_run import on_survey
from cli.stations import car_from
from tests.support.simulated import CHECK, simulate, survey_of, surveyed
from tests.support.touched import BOARD, touched, usual_places
from vision.network import adjust_network

NOISE_PX = 0.05


@pytest.fixture(scope="module")
def world(tmp_path_factory):
    sim = simulate(tmp_path_factory.mktemp("touched") / "job", 3, noise_px=NOISE_PX)
    places = {"bumper": usual_places(sim.demo.bay)["bumper"]}
    there = touched(sim, 3, places=places, noise_px=NOISE_PX, teach=0, touch=4)
    views = [touch_view(one, "shop", "touch-bumper", sim.desk.job, BOARD) for one in there.seen.values()]
    tip = Tip("true", np.array(there.stylus.tip_mm), np.diag([0.03, 0.07, 0.05]) ** 2)
    return sim, views, TouchedBy("bumper", tuple(held_body(BOARD, view.photo) for view in views), tip)


def distance(sim, survey, poses):
    sheet = replace(read_sheet(sim.desk.job.need_sheet()), origin="point:bumper")
    outcome = check_of(car_from(sim.desk, survey, poses), sim.desk.job, sheet, sim.desk.stand, sim.desk.boards, CHECK)
    measured = outcome.placement.measured
    return float(measured.value[measured.index("distance_mm")]), measured.sigma("distance_mm")


def test_survey_then_touch_then_check_is_one_adjustment(world):
    sim, touches, point = world
    boards, lenses = sim.desk.boards, sim.desk.lenses
    survey = replace(survey_of(sim, surveyed(sim)), points=(point,))
    network = adjust_network(touches, boards, lenses, prior=survey.state)
    checked, moved = on_survey(sim.desk, replace(survey, state=network.state), sim.check_views)
    assert moved == ()
    one_by_one = distance(sim, survey, checked.poses)

    views = [view for view in (*sim.survey_views, *touches, *sim.check_views) if view.seen]
    tapes = tape_distances(sim.desk.job)
    together = adjust_network(views, boards, lenses, distances=tapes, datum=survey.state.datum)
    at_once = distance(sim, survey, together.poses)
    # Linearised thrice instead of once, and a few corners judged otherwise: a tenth of the standard uncertainty.
    assert abs(one_by_one[0] - at_once[0]) < 0.1 * at_once[1]
    assert one_by_one[1] == pytest.approx(at_once[1], rel=0.03)
