"""The floor's unevenness from its boards: true by scatter on floors of known law, and which value counts when."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from calib.geometry.floor import floor_plane
from calib.geometry.floor_map import FloorMap, floor_map
from calib.geometry.unevenness import LEAST_BOARDS, believed, unevenness
from synthetic_images.bay import Floor
from synthetic_images.invent import floor_places
from vision.boards import Board, BoardSet
from vision.frames import Estimate, Pose
from vision.poses import PoseSet

NOISE_MM = 0.15
BAY_MM = list(itertools.product(np.linspace(-1750, 4650, 33), np.linspace(-1290, 1290, 15)))
UNDER_TARGET_MM = (5250.0, 0.0)


def heights_on(places, floor_mm, rng) -> FloorMap:
    """Boards on these floor heights, their feet measured with `NOISE_MM`, over their own plane."""
    place = np.array(places, dtype=float)
    n = len(place)
    design = np.column_stack([np.ones(n), place])
    remove = np.eye(n) - design @ np.linalg.pinv(design)
    seen = remove @ (np.asarray(floor_mm) + rng.normal(0.0, NOISE_MM, n))
    names = tuple(f"floor-{i}" for i in range(n))
    labels = tuple(f"height:{name}_mm" for name in names)
    return FloorMap(names, place, Estimate(labels, seen, NOISE_MM**2 * remove))


@pytest.mark.parametrize("boards", [6, 8, 16])
@pytest.mark.parametrize("sigma_mm", [0.1, 0.6, 3.0])
def test_twice_the_stated_unevenness_holds_what_it_says(boards, sigma_mm):
    """A height of the mean plane, off by the floor under its boards, lies within U in some 95 of 100 floors."""
    rng = np.random.default_rng([boards, round(10 * sigma_mm)])
    places = floor_places(16)[:: 16 // boards][:boards] if boards < 16 else floor_places(16)
    row = np.linalg.pinv(np.column_stack([np.ones(boards), places]))[0]
    inside, floors = 0, 400
    for _ in range(floors):
        floor = rng.normal(0.0, sigma_mm, boards)
        found = unevenness(heights_on(places, floor, rng))
        inside += abs(row @ floor) <= np.linalg.norm(row) * found.pm_mm
    # Never less than 95 of 100, less what 400 floors scatter by; a floor finer than the noise is stated on the safe side.
    assert inside / floors >= 0.954 - 3 * math.sqrt(0.05 * 0.95 / floors)
    assert sigma_mm < NOISE_MM or inside / floors <= 0.99


def test_an_even_floor_is_told_from_noisy_boards():
    rng = np.random.default_rng(5)
    told = [unevenness(heights_on(floor_places(16), np.zeros(16), rng)).pm_mm for _ in range(50)]
    # What the boards' own noise leaves open; without taking it off ±0.33 mm would be told.
    assert np.median(told) < 0.25


def wavy(rng, shortest_mm, longest_mm) -> Floor:
    waves = []
    for _ in range(4):
        k, heading = 2 * math.pi / rng.uniform(shortest_mm, longest_mm), rng.uniform(0, math.pi)
        waves.append((rng.uniform(0.2, 0.7), k * math.cos(heading), k * math.sin(heading), rng.uniform(0, 2 * math.pi)))
    return Floor(0.0, 0.0, tuple(waves))


@pytest.mark.parametrize(("shortest_mm", "longest_mm"), [(1200.0, 2500.0), (2500.0, 6000.0), (6000.0, 12000.0)])
def test_slope_and_height_of_the_mean_floor_of_the_bay_lie_within_their_u(shortest_mm, longest_mm):
    """Smooth waves are no independent heights: what is stated of the bay's mean plane still holds."""
    rng = np.random.default_rng(round(longest_mm))
    grid = np.column_stack([np.ones(len(BAY_MM)), BAY_MM])
    to_plane = np.linalg.pinv(grid)
    slopes, heights = [], []
    for _ in range(200):
        floor = wavy(rng, shortest_mm, longest_mm)
        places = np.array(floor_places(16)) + rng.uniform(-40, 40, (16, 2))
        under = np.array([floor.height_mm(x, y) for x, y in places])
        pm = unevenness(heights_on(places, under, rng)).pm_mm
        by_boards = np.linalg.pinv(np.column_stack([np.ones(16), places]))
        off = by_boards @ under - to_plane @ np.array([floor.height_mm(x, y) for x, y in BAY_MM])
        spread = pm * np.linalg.norm(by_boards, axis=1)
        slopes += list(np.abs(off[1:]) <= spread[1:])
        at = np.array([1.0, *UNDER_TARGET_MM])
        heights.append(abs(at @ off) <= pm * np.linalg.norm(at @ by_boards))
    # 95 of 100, less 3 standard errors of 200 floors.
    assert np.mean(slopes) > 0.92
    assert np.mean(heights) > 0.91


BOARDS = BoardSet(tuple(Board(f"floor-{i}", 5, 4, 46.0, 34.5, "DICT_APRILTAG_36h11", 20 * i) for i in range(16)))


def bay(count, rng, sigma_mm=0.5, wheel_x_mm=0.0) -> tuple[PoseSet, FloorMap]:
    """Floor boards and one wheel board, 0.78 m beside the car's middle."""
    turn = np.diag([1.0, -1.0, -1.0])
    poses = []
    for board, (x, y) in zip(BOARDS, floor_places(16), strict=True):
        foot = np.array([x, y, rng.normal(0.0, sigma_mm)])
        poses.append(Pose.from_rt("survey", board.name, turn, foot - turn @ (board.centre_mm + [0, 0, board.thickness_mm])))
    poses = poses[:: 16 // count][:count] if count < 16 else poses
    poses.append(Pose.from_rt("survey", "wheel-rear-left@roll-1", np.eye(3), [wheel_x_mm, 780.0, 300.0]))
    cov = np.diag(np.tile([1e-8] * 3 + [1e-2] * 3, len(poses)))
    names = [pose.source for pose in poses[:-1]]
    placed = floor_plane(PoseSet(tuple(poses), cov, {"corners": cov}), BOARDS, names, 2.0)
    return placed, floor_map(placed, BOARDS, names)


def taken(count=16, *, typed, pm_mm=2.0, **how):
    poses, floor = bay(count, np.random.default_rng(3), **how)
    return believed(poses, floor, ["wheel-rear-left@roll-1"], pm_mm, typed=typed)


def test_the_boards_measure_what_nobody_typed():
    found = taken(typed=False)
    assert found.source == "measured"
    # 13 conditions tell σ to 20 %.
    assert found.pm_mm == found.measured_pm_mm == pytest.approx(1.0, abs=0.5)
    assert found.words == f"floor uneven by ±{found.pm_mm:.1f} mm, as its 16 floor boards show"


def test_a_typed_value_counts_until_the_boards_contradict_it():
    typed = taken(typed=True)
    assert (typed.pm_mm, typed.source) == (2.0, "typed")
    assert typed.words.startswith("floor uneven by ±2.0 mm, as typed; its 16 floor boards show ±")
    little_less = 0.9 * typed.measured_pm_mm
    assert taken(typed=True, pm_mm=little_less).source == "typed", "what 13 conditions cannot tell apart is no contradiction"
    rough = taken(typed=True, sigma_mm=3.0)
    assert rough.source == "measured"
    assert rough.pm_mm > 4.0
    assert rough.words.endswith("as its 16 floor boards show: more than the ±2.0 mm typed")


def test_few_boards_or_none_near_a_wheel_leave_the_supposed_value():
    few = taken(6, typed=False)
    assert (few.pm_mm, few.source) == (2.0, "supposed")
    assert few.words.endswith(f"supposed and not measured: 6 floor boards, {LEAST_BOARDS} are needed")
    far = taken(typed=False, wheel_x_mm=-4000.0)
    assert far.source == "supposed"
    assert far.words.endswith("no floor board within 1.5 m of wheel-rear-left in roll-1")
    assert math.isinf(taken(4, typed=False).measured_pm_mm)


def test_few_boards_that_show_a_rough_floor_are_believed():
    rough = taken(8, typed=False, sigma_mm=4.0, wheel_x_mm=-4000.0)
    assert rough.source == "measured"
    assert rough.pm_mm > 4.0


def test_too_few_boards_are_no_sample():
    poses, floor = bay(4, np.random.default_rng(1))
    del poses
    with pytest.raises(ValueError, match="4 boards tell nothing"):
        unevenness(floor)
