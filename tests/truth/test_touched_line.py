"""A placement along a line through two touched floor marks, against the truth and its own U."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from calib.bodies import held_body, touch_view
from calib.geometry.stylus import Tip, TouchedBy
from calib.paper.sheet import read_sheet
from calib.pipeline import check_of
from cli.check_run import on_survey
from cli.stations import car_from
from synthetic_images import truth
from tests.support.simulated import CHECK, simulate, survey_of, surveyed
from tests.support.touched import BOARD, Place, touched
from vision.network import adjust_network

UP = np.array([0.35, 0.0, 1.0])


@pytest.fixture(scope="module")
def world(tmp_path_factory):
    """The demo's bay, two marks before the car touched, 900 mm from one another along a line 3° off the car's."""
    sim = simulate(tmp_path_factory.mktemp("line") / "job", 5)
    floor = sim.demo.bay.floor
    xy = {"near": (4000.0, -560.0), "far": (4900.0, -513.0)}
    places = {name: Place(np.array([x, y, floor.height_mm(x, y)]), UP) for name, (x, y) in xy.items()}
    there = touched(sim, 5, places=places, teach=0, touch=5)
    tip = Tip("true", np.array(there.stylus.tip_mm), np.diag([0.03, 0.07, 0.05]) ** 2)
    views, points = [], []
    for name in places:
        mine = there.photos_of(f"touch-{name}").values()
        some = [touch_view(one, "shop", f"touch-{name}", sim.desk.job, BOARD) for one in mine]
        views += some
        points.append(TouchedBy(name, tuple(held_body(BOARD, view.photo) for view in some), tip))
    survey = replace(survey_of(sim, surveyed(sim)), points=tuple(points))
    survey = replace(survey, state=adjust_network(views, sim.desk.boards, sim.desk.lenses, prior=survey.state).state)
    return sim, places, survey


def true_figures(sim, places) -> dict[str, float]:
    """Distance from the near mark, lateral and yaw, by elementary geometry about the true floor's normal."""
    bay = sim.demo.bay
    target = bay.bay_from_target(CHECK)
    up = truth.line_frame(bay, bay.epoch(CHECK).stand).axes[:, 2]
    gap = places["far"].mm - places["near"].mm
    along = gap - (gap @ up) * up
    along /= np.linalg.norm(along)
    across = np.cross(up, along)
    arm, ahead = target[:3, 3] - places["near"].mm, target[:3, 0]
    return {
        "distance_mm": float(arm @ along),
        "lateral_mm": float(arm @ across),
        "yaw_rad": math.atan2(ahead @ across, ahead @ along),
    }


def test_distance_lateral_and_yaw_along_a_touched_line(world):
    sim, places, survey = world
    sheet = replace(read_sheet(sim.desk.job.need_sheet()), origin="point:near", line=("point:near", "point:far"))
    network, _ = on_survey(sim.desk, survey, sim.check_views)
    car = car_from(sim.desk, survey, network.poses)
    measured = check_of(car, sim.desk.job, sheet, sim.desk.stand, sim.desk.boards, CHECK).placement.measured
    for name, true in true_figures(sim, places).items():
        sigma = measured.sigma(name)
        assert abs(measured.value[measured.index(name)] - true) <= 3.0 * sigma, name
        assert measured.parts["stylus"][measured.index(name), measured.index(name)] > 0.0
    # Two marks known to some 0.5 mm, 900 mm apart: 0.05°; much of their error is common and turns nothing.
    assert math.degrees(measured.sigma("yaw_rad")) < 0.05
