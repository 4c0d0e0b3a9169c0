"""The floor in a check on a simulated bay: height above the plane the wheels stand on, against the true floor."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calib.paper.sheet import read_sheet
from synthetic_images.bay import WHEEL_POSITIONS
from tests.support.on_floor import standing_on_its_floor
from tests.support.simulated import CHECK, checked, judged_again, scene, scene_of, simulate, surveyed


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """A job whose floor nobody typed, its survey and check; the car stands where its floor puts it."""
    sim = simulate(tmp_path_factory.mktemp("floor"), 41, of=scene_of(standing_on_its_floor(scene(41).demo)))
    sim = replace(sim, desk=replace(sim.desk, job=replace(sim.desk.job, floor_typed=False)))
    network = surveyed(sim)
    return sim, network, checked(sim, network)


def true_height_over_wheels_mm(bay) -> float:
    """The target's centre above the least-squares plane through the floor straight under the wheel reference points."""
    rest = bay.bay_from_car_in("rest")
    under = np.array([(rest @ np.append(bay.wheel(w).reference_in_car_mm, 1.0))[:2] for w in WHEEL_POSITIONS])
    design = np.column_stack([np.ones(4), under])
    fit = np.linalg.lstsq(design, np.array([bay.floor.height_mm(*place) for place in under]), rcond=None)[0]
    centre = bay.bay_from_target(CHECK)[:3, 3]
    return float((centre[2] - fit @ [1.0, *centre[:2]]) / np.hypot(1.0, np.hypot(*fit[1:])))


def test_height_above_the_plane_the_wheels_stand_on(measured):
    sim, network, check = measured
    sheet = replace(read_sheet(sim.desk.job.need_sheet()), height_from="wheels")
    height = judged_again(sim, network, check, sheet=sheet).outcome.placement.measured.of(["height_mm"])
    u = height.sigma("height_mm")
    assert abs(height.value[0] - true_height_over_wheels_mm(sim.demo.bay)) < 2.0 * u < 6.0
    over_floor = check.outcome.placement.measured.of(["height_mm"])
    # What nobody measured is under the wheels now, and a wheelbase from the target.
    assert height.parts["floor"][0, 0] > over_floor.parts["floor"][0, 0]
    assert abs(height.value[0] - over_floor.value[0]) > 0.1
