"""The floor between its boards and the plane the wheels stand on: exact on floors worked by hand, U true on random ones."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from calib.geometry.floor import floor_plane
from calib.geometry.floor_map import FloorMap, floor_map
from calib.geometry.floor_shape import WHEEL_PLANE, predict, shows_wheel_plane, with_wheel_plane
from calib.geometry.placement import figures_of, not_measured, placement
from synthetic_images.bay import Floor
from synthetic_images.invent import floor_places
from tests.support.car import POINTS_MM, as_set, axle_pose, moved
from tests.support.sheets import sheet
from vision.boards import Board, BoardSet
from vision.errors import MeasurementError
from vision.frames import Estimate, Pose
from vision.poses import PoseSet

BOARDS = BoardSet(tuple(Board(f"floor-{i}", 5, 4, 46.0, 34.5, "DICT_APRILTAG_36h11", 10 * i) for i in range(40)))
TARGET_MM = (5250.0, 30.0, 1200.0)
WHEELS_MM = np.array(list(POINTS_MM.values()))[:, :2]
NOISE_MM = 0.1
WHEELS_SHEET = replace(sheet(), height_from="wheels")


def bay(height, places=None, sigma_mm=0.02, sigma_rad=1e-5) -> tuple[PoseSet, FloorMap]:
    """A car and a target over floor boards lying where `height(x, y)` has the floor."""
    turn = np.diag([1.0, -1.0, -1.0])
    poses = []
    for board, (x, y) in zip(BOARDS, places or floor_places(16), strict=False):
        under = board.centre_mm + [0, 0, board.thickness_mm]
        poses.append(Pose.from_rt("survey", board.name, turn, np.array([x, y, height(x, y)]) - turn @ under))
    names = [pose.source for pose in poses]
    poses += [axle_pose(wheel, np.array(point) + [0, 0, height(*point[:2])]) for wheel, point in POINTS_MM.items()]
    poses.append(Pose.from_rt("survey", "target", np.eye(3), TARGET_MM))
    cov = np.diag(np.tile([sigma_rad**2] * 3 + [sigma_mm**2] * 3, len(poses)))
    placed = floor_plane(PoseSet(tuple(poses), cov, {"corners": cov}), BOARDS, names, 1.0)
    return placed, floor_map(placed, BOARDS, names)


def height_from(base: str, poses: PoseSet, floor: FloorMap) -> Estimate:
    paper = replace(sheet(), height_from=base)
    if base == "wheels":
        poses = with_wheel_plane(poses, BOARDS, floor)
    return placement(poses, paper, figures=["height_mm"]).measured


def test_on_an_even_floor_both_heights_are_the_same():
    slope = math.radians(0.6)
    poses, floor = bay(lambda x, _: x * math.tan(slope))
    expected = (TARGET_MM[2] - TARGET_MM[0] * math.tan(slope)) * math.cos(slope)
    for base in ("floor", "wheels"):
        assert height_from(base, poses, floor).value[0] == pytest.approx(expected, abs=1e-3)


def test_height_above_the_plane_the_wheels_stand_on_where_the_floor_falls_away_ahead():
    """Level under the car, falling 0.4° from 3.2 m on; boards lie close enough to show it."""
    fall = math.tan(math.radians(0.4))
    places = [(x, y) for x in np.linspace(-1600, 5600, 13) for y in (-1200.0, 1200.0)]
    poses, floor = bay(lambda x, _: -max(0.0, x - 3200.0) * fall, places)
    wheels, plane = height_from("wheels", poses, floor), height_from("floor", poses, floor)
    # The wheels stand level at nil: what boards 0.6 m apart leave open near the fold is doubled a wheelbase ahead, and told.
    off = wheels.value[0] - TARGET_MM[2]
    assert abs(off) <= 2.0 * wheels.sigma("height_mm") < 4.0
    # The plane through all boards dips below the car's.
    assert plane.value[0] - TARGET_MM[2] > 5.0 * abs(off)


def test_the_height_does_not_hang_on_the_frame():
    poses, floor = bay(lambda x, y: 0.4 * math.sin(x / 900.0) + 0.3 * math.cos(y / 700.0))
    straight = height_from("wheels", poses, floor)
    carried = moved(
        {pose.source: pose for pose in poses}, Pose.from_rt("other", "survey", [[0, -1, 0], [1, 0, 0], [0, 0, 1]], [9, 8, 7])
    )
    other = PoseSet(tuple(carried.values()), poses.cov, poses.parts)
    assert height_from("wheels", other, floor).value[0] == pytest.approx(straight.value[0], abs=1e-9)


@pytest.mark.slow
def test_what_the_photos_do_to_the_height_is_stated():
    """A fixed floor, boards' poses drawn anew: the scatter of the height is the stated share of the corners."""
    rng = np.random.default_rng(4)
    poses, floor = bay(lambda x, y: 0.5 * math.sin(x / 800.0 + y / 900.0), sigma_mm=0.3)
    used = with_wheel_plane(poses, BOARDS, floor)
    stated = math.sqrt(float(height_from("wheels", poses, floor).parts["corners"][0, 0]))
    kept = [*floor.boards, "target"]
    sigma = np.tile([1e-5] * 3 + [0.3] * 3, len(kept))
    heights = []
    for _ in range(150):
        shift = rng.normal(0.0, sigma)
        drawn = {body: poses[body].perturbed(shift[6 * i : 6 * i + 6]) for i, body in enumerate(kept)}
        again = PoseSet(tuple(drawn.get(pose.source, pose) for pose in poses), poses.cov, poses.parts)
        heights.append(figures_of(with_wheel_plane(again, BOARDS, floor), WHEELS_SHEET, ["height_mm"])["height_mm"])
    assert used[WHEEL_PLANE].target == "survey"
    # A standard deviation from 150 runs scatters by 6 %.
    assert np.std(heights) / stated == pytest.approx(1.0, abs=0.18)


@pytest.mark.parametrize("board", ["floor-0", "floor-3", "floor-6", "floor-12"])
def test_the_height_follows_a_board_as_its_covariance_says(board):
    """A board raised by itself: behind the car it raises the target's height above the leaning plane, ahead it lowers it."""
    poses, floor = bay(lambda x, y: 0.4 * math.sin(x / 900.0 + y / 700.0), sigma_rad=1e-9)

    def height_and_board(state: PoseSet) -> np.ndarray:
        height = figures_of(state, WHEELS_SHEET, ["height_mm"])["height_mm"]
        return np.array([height, state[board].translation_mm[2]])

    cov = with_wheel_plane(poses, BOARDS, floor).propagate(("height_mm", "board_mm"), height_and_board).cov
    lift = Pose.from_rt("survey", board, poses[board].rotation, poses[board].translation_mm + [0.0, 0.0, 0.1])
    raised = PoseSet(tuple(lift if pose.source == board else pose for pose in poses), poses.cov, poses.parts)
    before, after = (figures_of(with_wheel_plane(p, BOARDS, floor), WHEELS_SHEET, ["height_mm"]) for p in (poses, raised))
    change = after["height_mm"] - before["height_mm"]
    assert change / 0.1 == pytest.approx(cov[0, 1] / cov[1, 1], abs=2e-3)
    assert abs(change) > 1e-3


def wavy(rng, shortest_mm, longest_mm) -> Floor:
    waves = []
    for _ in range(4):
        k, heading = 2 * math.pi / rng.uniform(shortest_mm, longest_mm), rng.uniform(0, math.pi)
        waves.append((rng.uniform(0.2, 0.7), k * math.cos(heading), k * math.sin(heading), rng.uniform(0, 2 * math.pi)))
    return Floor(0.0, 0.0, tuple(waves))


def seen_over_plane(places, heights, rng) -> tuple[FloorMap, np.ndarray]:
    design = np.column_stack([np.ones(len(places)), places])
    remove = np.eye(len(places)) - design @ np.linalg.pinv(design)
    names = tuple(f"floor-{i}" for i in range(len(places)))
    value = remove @ (heights + rng.normal(0.0, NOISE_MM, len(places)))
    return FloorMap(names, places, Estimate(tuple(f"height:{n}_mm" for n in names), value, NOISE_MM**2 * remove)), design


@pytest.mark.parametrize(
    ("shortest_mm", "longest_mm", "smaller"),
    [(300.0, 600.0, 1.3), (1200.0, 2500.0, 1.3), (2500.0, 6000.0, 0.8), (6000.0, 12000.0, 0.6)],
)
def test_predicted_departures_lie_within_their_u_and_help_on_smooth_floors(shortest_mm, longest_mm, smaller):
    rng = np.random.default_rng(round(longest_mm))
    ahead = np.array([1.0, *TARGET_MM[:2]]) @ np.linalg.pinv(np.column_stack([np.ones(4), WHEELS_MM]))
    inside, with_it, without = [], [], []
    for _ in range(80):
        floor = wavy(rng, shortest_mm, longest_mm)
        places = np.array(floor_places(16)) + rng.uniform(-40, 40, (16, 2))
        heights = np.array([floor.height_mm(*place) for place in places])
        seen, design = seen_over_plane(places, heights, rng)
        found = predict(seen, WHEELS_MM)
        plane = np.column_stack([np.ones(4), WHEELS_MM]) @ np.linalg.pinv(design) @ heights
        true = np.array([floor.height_mm(*place) for place in WHEELS_MM]) - plane
        cov = found.cov + found.weights @ seen.heights.cov @ found.weights.T
        error = found.weights @ seen.heights.value - true
        inside.append(abs(ahead @ error) <= 2.0 * math.sqrt(ahead @ cov @ ahead))
        with_it.append(ahead @ error)
        without.append(ahead @ true)
    # 95 of 100, less three standard errors of 80 floors; boards that have nothing to do with the wheels' places are the worst.
    assert np.mean(inside) >= 0.87
    assert np.std(with_it) < smaller * np.std(without)


def test_without_boards_or_wheels_the_height_is_not_measured_and_the_rest_is():
    poses, floor = bay(lambda *_: 0.0, [floor_places(16)[i] for i in (0, 4, 5, 9)])
    assert not shows_wheel_plane(poses, floor)
    with pytest.raises(ValueError, match="no wheel plane"):
        with_wheel_plane(poses, BOARDS, floor)
    reasons = not_measured(poses, WHEELS_SHEET, tuple(POINTS_MM))
    assert set(reasons) == {"height_mm"}
    assert "floor boards are too few to show the plane the wheels stand on" in reasons["height_mm"].what
    three = as_set({pose.source: pose for pose in poses if pose.source != "axle:front_left"})
    reason = not_measured(three, WHEELS_SHEET, tuple(POINTS_MM))["height_mm"]
    assert reason.what.startswith(
        "height above the plane the wheels stand on is not measured: no spin axis of wheel front left"
    )
    with pytest.raises(MeasurementError, match="too few to show the plane the wheels stand on"):
        placement(poses, WHEELS_SHEET)
