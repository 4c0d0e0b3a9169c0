"""Limits a sheet sets to the floor: slopes and flatness worked by hand, verdicts, what is missing."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from calib.decision.floor_limits import judge_floor
from calib.decision.verdict import Verdict
from calib.geometry.floor_map import FloorMap
from calib.paper.sheet import FloorLimits
from tests.support.car import car
from tests.support.sheets import sheet
from vision.frames import Estimate

PLACES = [(x, y) for x in (-500.0, 1000.0, 2500.0) for y in (1200.0, -1200.0)]
PLACES += [(x, y) for x in (3700.0, 4900.0) for y in (600.0, -600.0)]
BEHIND = [(x, y) for x in (-1200.0, -2400.0) for y in (600.0, -600.0)]


def floor_of(height, places, sigma_mm=0.1) -> FloorMap:
    place = np.array(places)
    names = tuple(f"floor-{i}" for i in range(len(places)))
    value = np.array([height(x, y) for x, y in places])
    labels = tuple(f"height:{name}_mm" for name in names)
    return FloorMap(names, place, Estimate.from_source("corners", labels, value, sigma_mm**2 * np.eye(len(names))))


def judged(limits, height, *, places=PLACES, side="ahead", uneven_pm_mm=1.0, poses=None):
    paper = replace(sheet(side=side), floor_limits=limits)
    rows = judge_floor(poses or car(), floor_of(height, places), uneven_pm_mm, paper)
    return {row.name: row for row in rows}


def falling(degrees):
    return lambda x, _: -max(0.0, x - 3200.0) * math.tan(math.radians(degrees))


def test_a_sheet_without_limits_judges_no_floor():
    assert judged(FloorLimits(), falling(2.0)) == {}


def test_a_floor_that_falls_away_too_much_ahead():
    row = judged(FloorLimits(pitch_rad=math.radians(0.5)), falling(1.0))["floor_pitch_rad"]
    assert math.degrees(row.measured) == pytest.approx(1.0, abs=0.01)
    assert row.verdict is Verdict.DOES_NOT_CONFORM
    assert row.blocks
    kept = judged(FloorLimits(pitch_rad=math.radians(1.5)), falling(1.0))["floor_pitch_rad"]
    assert (kept.verdict, kept.blocks) == (Verdict.CONFORMS, False)


def test_what_four_boards_cannot_tell_of_an_uneven_floor_is_undecided():
    limit = FloorLimits(pitch_rad=math.radians(0.2))
    even, rough = (judged(limit, falling(0.1), uneven_pm_mm=pm)["floor_pitch_rad"] for pm in (0.2, 6.0))
    assert even.verdict is Verdict.CONFORMS
    assert rough.verdict is Verdict.UNDECIDED
    # Two pairs of boards 1.2 m apart, each pair's mean uneven by 3 mm/√2; the floor under the car adds a little.
    assert math.degrees(rough.U) == pytest.approx(2 * math.degrees(3.0 / 1200.0), rel=0.25)


def test_behind_the_car_the_boards_behind_it_count():
    def height(x, y):
        return 0.01 * y if x < -700 else 0.0

    row = judged(FloorLimits(roll_rad=math.radians(0.3)), height, places=[*PLACES, *BEHIND], side="behind")["floor_roll_rad"]
    # The left side, y > 0, is higher.
    assert math.degrees(row.measured) == pytest.approx(math.degrees(0.01), abs=0.02)
    assert row.verdict is Verdict.DOES_NOT_CONFORM
    assert judged(FloorLimits(roll_rad=math.radians(0.3)), height)["floor_roll_rad"].verdict is Verdict.CONFORMS


def test_flatness_is_that_of_the_board_that_stands_out_most():
    heights = {PLACES[3]: -5.0}
    row = judged(FloorLimits(flatness_mm=4.0), lambda x, y: heights.get((x, y), 0.5))["floor_flatness_mm"]
    assert (row.where, row.measured, row.verdict) == ("floor-3", -5.0, Verdict.DOES_NOT_CONFORM)
    assert pytest.approx(0.2) == row.U
    assert not judged(FloorLimits(flatness_mm=6.0), lambda x, y: heights.get((x, y), 0.5))["floor_flatness_mm"].blocks


def test_too_few_boards_ahead_and_a_missing_wheel_are_named():
    limit = FloorLimits(pitch_rad=0.01)
    few = judged(limit, falling(0.0), places=PLACES[:-2])["floor_pitch_rad"]
    assert few.blocks
    assert few.reason.endswith("three floor boards under the car and three around the stand, not on a line, are needed")
    three = {body: pose for body, pose in car().items() if body != "axle:front_left"}
    lost = judged(limit, falling(0.0), poses=three)["floor_pitch_rad"]
    assert lost.reason == "slope of the floor is not measured: no spin axis of wheel front left"
    assert lost.measured is None
