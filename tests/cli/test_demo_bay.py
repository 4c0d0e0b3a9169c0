"""What the demo's technician typed about the car: a vehicle file that can be read and whose car keeps its limits."""

from __future__ import annotations

import math

import pytest

from calib.geometry.tyres import ROLLS
from calib.paper.vehicle import read_vehicle
from cli.demo import NEW_IN_VEHICLE, _commands
from cli.demo_bay import invent, true_figures, write_job
from cli.vehicle_words import GROUPS


@pytest.mark.parametrize("seed", [1, 2, 7])
def test_the_invented_car_keeps_the_limits_of_its_own_vehicle_file(tmp_path, seed):
    demo = invent(seed)
    write_job(demo, tmp_path, seed)
    vehicle = read_vehicle(tmp_path / "vehicle.toml")
    truth = true_figures(demo)
    for name in ("thrust_angle", "rear_total_toe", "front_total_toe"):
        limit = vehicle.limits[name]
        # Room for twice the U of a demo survey.
        assert math.degrees(limit.least) + 0.1 < truth[f"{name}_deg"] < math.degrees(limit.most) - 0.1
    for wheel in demo.bay.wheels:
        share = 2.0 * wheel.radius_mm / vehicle.tyres[wheel.position].diameter_mm
        assert ROLLS[0] < 0.96 < share < 0.99 < ROLLS[1]


def test_the_demo_shows_the_whole_car_after_the_wheels(tmp_path):
    stages = [stage for stage, _ in _commands(tmp_path)]
    assert stages.index("vehicle") == stages.index("wheels") + 1
    assert set(NEW_IN_VEHICLE) < {group for group, _ in GROUPS}
    words = dict(_commands(tmp_path))["vehicle"]
    assert words == ["vehicle", str(tmp_path), "--vehicle", str(tmp_path / "vehicle.toml")]
