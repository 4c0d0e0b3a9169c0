"""Vehicle files: read, refused with line and key, and the car judged by them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from calib.decision.limits import judge_limits
from calib.decision.verdict import Verdict
from calib.paper.vehicle import read_vehicle
from vision.errors import FileError
from vision.frames import Estimate

TEXT = """\
schema = "vehicle/1"
name = "mid-size car"
tyre = "205/55R16"
toe_diameter_mm = 406.4

[tyres]
rear = "225/45R17"

[limits.rear_total_toe]
unit = "deg"
value = 0.10
tolerance = 0.15

[limits.thrust_angle]
unit = "deg"
least = -0.1
most = 0.1

[limits.diagonal_difference]
unit = "mm"
most = 5.0

[overruled.thrust_angle]
reason = "axle is to be renewed next week"
by = "A. B."

[provenance]
document = "service information, page 3"
typed_by = "C. D."
"""


@pytest.fixture
def write(tmp_path):
    def write(text: str):
        path = tmp_path / "vehicle.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def test_read(write):
    vehicle = read_vehicle(write(TEXT))
    assert vehicle.tyres["front_left"].diameter_mm == pytest.approx(631.9)
    assert vehicle.tyres["rear_right"].diameter_mm == pytest.approx(634.3)
    toe = vehicle.limits["rear_total_toe"]
    assert (toe.least, toe.most) == (pytest.approx(math.radians(-0.05)), pytest.approx(math.radians(0.25)))
    assert vehicle.limits["diagonal_difference"].least == -math.inf
    assert vehicle.overruled["thrust_angle"].by == "A. B."


WRONG = [
    ('[limits.rear_total_toe]\nunit = "deg"', "[limits.rear_total_toe]", r":9: limits\.rear_total_toe\.unit: has no unit"),
    ('unit = "deg"\nvalue', 'unit = "mm"\nvalue', r":10: limits\.rear_total_toe\.unit: has unit 'mm'"),
    ("limits.rear_total_toe", "limits.rear_toe_total", r":9: limits\.rear_toe_total: there is no figure of this name"),
    ("tolerance = 0.15", "tolerance = -0.15", r":12: limits\.rear_total_toe\.tolerance: "),
    ("tolerance = 0.15", "", r":9: limits\.rear_total_toe: give value and tolerance, or least and/or most"),
    ("least = -0.1", "least = 0.2", r"least 0\.2 is not below most 0\.1"),
    ("most = 5.0", "most = 50000.0", r"limits\.diagonal_difference: a limit beyond ±10000 mm"),
    ("205/55R16", "205/55R66", r":3: tyre: .*rim diameter in inch is 66"),
    ("225/45R17", "wide ones", r"tyres.*is no tyre size"),
    ("overruled.thrust_angle", "overruled.camber_rear_left", r"overruled\.camber_rear_left: there is no limit of that name"),
    ('by = "A. B."', "", r"overruled\.thrust_angle\.by: this key is missing"),
    ('reason = "axle is to be renewed next week"', 'reason = " "', r"overruled\.thrust_angle\.reason: is empty"),
    ("toe_diameter_mm = 406.4", "toe_diameter_mm = 16.0", r":4: toe_diameter_mm: "),
    ("name = ", "colour = ", r":2: colour: unknown key"),
    ("[provenance]", "[source]", r"provenance: this key is missing"),
    ('"vehicle/1"', '"vehicle/9"', r"this version reads 'vehicle/1'"),
]


@pytest.mark.parametrize(("old", "new", "words"), WRONG)
def test_one_wrong_line_is_named(write, old, new, words):
    assert old in TEXT
    with pytest.raises(FileError, match=words):
        read_vehicle(write(TEXT.replace(old, new)))


def measured(**sigma_free: float) -> Estimate:
    names = tuple(sigma_free)
    return Estimate.from_source("corners", names, list(sigma_free.values()), np.eye(len(names)) * 1e-8)


def test_limits_are_judged_by_the_rule_of_a_placement(write):
    vehicle = read_vehicle(write(TEXT))
    table = measured(rear_total_toe_rad=math.radians(0.1), thrust_angle_rad=math.radians(0.3))
    rows = {row.name: row for row in judge_limits(vehicle, [table], {"diagonal_difference": "not measured: stand-off missing"})}
    assert rows["rear_total_toe"].verdict is Verdict.CONFORMS
    assert rows["rear_total_toe"].probability == pytest.approx(1.0)
    assert not rows["rear_total_toe"].blocks
    # Overruled with a reason: it does not conform, and does not block.
    assert rows["thrust_angle"].verdict is Verdict.DOES_NOT_CONFORM
    assert not rows["thrust_angle"].blocks
    # Not shown is not kept.
    assert rows["diagonal_difference"].verdict is Verdict.UNDECIDED
    assert rows["diagonal_difference"].reason == "not measured: stand-off missing"
    assert rows["diagonal_difference"].blocks


def test_a_figure_on_its_limit_is_undecided(write):
    vehicle = read_vehicle(write(TEXT))
    rows = judge_limits(vehicle, [measured(rear_total_toe_rad=math.radians(0.25))], {})
    assert rows[0].probability == pytest.approx(0.5)
    assert rows[0].verdict is Verdict.UNDECIDED
    assert rows[0].blocks
