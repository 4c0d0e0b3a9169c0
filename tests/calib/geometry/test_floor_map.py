"""The floor's shape from its boards: heights over their plane, slopes between two parts, U true by scatter."""

from __future__ import annotations

import math

import numpy as np
import pytest

from calib.geometry.floor import floor_plane
from calib.geometry.floor_map import floor_map, slope_between
from vision.boards import Board, BoardSet
from vision.frames import Pose
from vision.poses import PoseSet

PLACES = [
    (0.0, 1200.0),
    (1500.0, 1250.0),
    (0.0, -1200.0),
    (1500.0, -1150.0),
    (3000.0, 800.0),
    (4200.0, 700.0),
    (3100.0, -800.0),
    (4300.0, -600.0),
]
NAMES = [f"floor-{i}" for i in range(len(PLACES))]
BOARDS = BoardSet(
    tuple(Board(name, 5, 4, 46.0, 34.5, "DICT_APRILTAG_36h11", 20 * i, thickness_pm_mm=0.1) for i, name in enumerate(NAMES))
)
SIGMA_MM, SIGMA_RAD = 0.2, 1e-4


def survey(heights_mm, rng=None) -> PoseSet:
    """Boards flat on a floor of these heights; with a generator their poses err as their covariance says."""
    poses = []
    for name, (x, y), z in zip(NAMES, PLACES, heights_mm, strict=True):
        board = BOARDS[name]
        turn = np.diag([1.0, -1.0, -1.0])
        foot = board.centre_mm + [0.0, 0.0, board.thickness_mm]
        poses.append(Pose.from_rt("survey", name, turn, np.array([x, y, z]) - turn @ foot))
    sigma = np.tile([SIGMA_RAD] * 3 + [SIGMA_MM] * 3, len(poses))
    cov = np.diag(sigma**2)
    if rng is not None:
        # Small turns about the board's own place: a left perturbation turns about the survey's origin.
        shifts = rng.normal(0.0, sigma)
        poses = [pose.perturbed(shifts[6 * i : 6 * i + 6]) for i, pose in enumerate(poses)]
    return floor_plane(PoseSet(tuple(poses), cov, {"corners": cov}), BOARDS, NAMES, 2.0)


def test_heights_are_those_over_the_least_squares_plane():
    heights = np.array([0.5, -0.3, 0.2, 0.0, 1.0, -0.6, 0.1, 0.3]) + np.array([0.01 * x for x, _ in PLACES])
    found = floor_map(survey(heights), BOARDS, NAMES)
    design = np.column_stack([np.ones(len(PLACES)), np.array(PLACES)])
    left = heights - design @ np.linalg.lstsq(design, heights, rcond=None)[0]
    # The plane's normal differs from the upright by 0.01 rad: heights along it are shorter by its cosine.
    np.testing.assert_allclose(found.heights.value, left, atol=2e-3)
    assert found.departure().value[0] == pytest.approx(np.ptp(left), abs=2e-3)
    assert "floor" not in found.heights.parts


@pytest.mark.slow
def test_stated_uncertainty_of_the_heights_is_their_scatter():
    rng = np.random.default_rng(3)
    flat = np.zeros(len(PLACES))
    runs = [floor_map(survey(flat, rng), BOARDS, NAMES) for _ in range(200)]
    values = np.array([run.heights.value for run in runs])
    stated = np.sqrt(np.diag(runs[0].heights.cov - runs[0].heights.parts["thickness"]))
    # A standard deviation from 200 runs scatters by 5 %; the worst of eight stays within four of those.
    np.testing.assert_allclose(values.std(axis=0) / stated, 1.0, atol=0.2)


def test_a_floor_that_falls_away_ahead_of_the_car():
    slope = math.radians(0.2)
    heights = np.array([-(x - 2200.0) * math.tan(slope) if x > 2200 else 0.0 for x, _ in PLACES])
    found = floor_map(survey(heights), BOARDS, NAMES)
    ahead = np.array([x > 2200 for x, _ in PLACES])
    forward = found.place_mm[1] - found.place_mm[0]
    forward = forward / np.linalg.norm(forward)
    between = slope_between(found, list(~ahead), list(ahead), forward)
    assert between is not None
    assert math.degrees(between.value[0]) == pytest.approx(0.2, abs=0.003)
    assert 0 < math.degrees(between.sigma("floor_pitch_rad")) < 0.05


def test_a_floor_whose_left_rises_ahead():
    slope = math.radians(0.15)
    heights = np.array([y * math.tan(slope) if x > 2200 else 0.0 for x, y in PLACES])
    found = floor_map(survey(heights), BOARDS, NAMES)
    ahead = [x > 2200 for x, _ in PLACES]
    forward = found.place_mm[1] - found.place_mm[0]
    between = slope_between(found, [not a for a in ahead], ahead, forward / np.linalg.norm(forward))
    assert between is not None
    assert math.degrees(between.value[1]) == pytest.approx(0.15, abs=0.004)


def test_two_boards_ahead_make_no_slope():
    found = floor_map(survey(np.zeros(len(PLACES))), BOARDS, NAMES)
    ahead = [x > 4000 for x, _ in PLACES]
    assert slope_between(found, [not a for a in ahead], ahead, np.array([1.0, 0.0])) is None
