import math

import numpy as np
import pytest

from calib.geometry.floor import floor_flatness, floor_plane
from tests.support.rolling_car import turn_about
from vision.boards import Board, BoardSet
from vision.errors import MeasurementError
from vision.frames import Pose
from vision.poses import PoseSet

THICKNESS_MM = 4.0


def board_set(count: int, thickness_pm_mm: float = 0.2) -> BoardSet:
    return BoardSet(
        tuple(
            Board(
                f"floor-{i + 1}",
                4,
                3,
                40.0,
                30.0,
                "DICT_APRILTAG_36h11",
                first_id=6 * i,
                thickness_mm=THICKNESS_MM,
                thickness_pm_mm=thickness_pm_mm,
            )
            for i in range(count)
        )
    )


def lying(boards: BoardSet, name: str, foot, heading_deg: float = 0.0, up=(0.0, 0.0, 1.0)) -> Pose:
    """`survey_from_board` of a board whose back touches the floor at `foot` under its centre mark."""
    z = -np.asarray(up) / np.linalg.norm(up)
    x = np.cross([0.0, 1.0, 0.0], z)
    x /= np.linalg.norm(x)
    rotation = np.column_stack([x, np.cross(z, x), z]) @ turn_about([0, 0, 1], math.radians(heading_deg))
    origin = np.asarray(foot) - rotation @ (boards[name].centre_mm + [0, 0, THICKNESS_MM])
    return Pose.from_rt("survey", name, rotation, origin)


def grid_floor(heights=None) -> tuple[PoseSet, BoardSet, list[str]]:
    """5 by 4 boards over 1000 mm by 800 mm."""
    boards = board_set(20)
    xy = [(x, y) for y in np.linspace(-400, 400, 4) for x in np.linspace(-500, 500, 5)]
    heights = np.zeros(20) if heights is None else heights
    names = [board.name for board in boards]
    poses = [lying(boards, n, (*xy[i], heights[i]), heading_deg=17.0 * i) for i, n in enumerate(names)]
    return PoseSet(tuple(poses), np.zeros((120, 120)), {"corners": np.zeros((120, 120))}), boards, names


def tilt_and_height(poses: PoseSet, at=(0.0, 0.0)) -> np.ndarray:
    """Slopes along x and y (rad) and height above `at` (mm) of the floor's plane."""
    normal, origin = poses["floor"].rotation[:, 2], poses["floor"].translation_mm
    slopes = -normal[:2] / normal[2]
    return np.array([*slopes, origin[2] + slopes @ (np.asarray(at) - origin[:2])])


def test_plane_through_the_feet_is_the_plane_the_boards_stand_on():
    up = turn_about([1.0, 2.0, 0.0], math.radians(2.0)) @ [0.0, 0.0, 1.0]
    boards = board_set(4)
    ground = np.array([300.0, -200.0, 55.0])
    flat = np.linalg.svd(up[None])[2][1:]
    names = [board.name for board in boards]
    spots = [(-900.0, -500.0), (1500.0, -700.0), (1200.0, 800.0), (-1000.0, 900.0)]
    poses = [
        lying(boards, n, ground + np.array(s) @ flat, 40.0 * i, up) for i, (n, s) in enumerate(zip(names, spots, strict=True))
    ]
    survey = floor_plane(PoseSet(tuple(poses), np.zeros((24, 24))), boards, names, 2.0)
    floor = survey["floor"]
    assert np.allclose(floor.rotation[:, 2], up, atol=1e-12)
    assert np.allclose(floor.translation_mm, ground + np.array(spots[0]) @ flat, atol=1e-9)
    x = poses[0].rotation[:, 0]
    assert np.allclose(floor.rotation[:, 0], x, atol=1e-12)
    assert floor_flatness(survey, boards, names).rms_mm == pytest.approx(0.0, abs=1e-9)


def test_unevenness_gives_the_published_tilt_and_height():
    # published-checks.json, plane_tilt_sd: grid 1000 x 800 mm, 5 x 4 points, σ = 0.5 mm
    poses, boards, names = grid_floor()
    even = board_set(20, thickness_pm_mm=0.0)
    estimate = floor_plane(poses, even, names, floor_pm_mm=1.0).propagate(("x_rad", "y_rad", "h_mm"), tilt_and_height)
    assert math.degrees(estimate.sigma("x_rad")) == pytest.approx(0.018119, rel=1e-3)
    assert math.degrees(estimate.sigma("y_rad")) == pytest.approx(0.021486, rel=1e-3)
    assert estimate.sigma("h_mm") == pytest.approx(0.111803, rel=1e-3)
    assert boards.boards[0].name == "floor-1"


def test_scatter_of_uneven_floors_agrees_with_the_published_tilt():
    rng = np.random.default_rng(3)
    runs = np.array([tilt_and_height(floor_plane(*grid_floor(rng.normal(0, 0.5, 20)), 1.0)) for _ in range(30)])
    scatter = runs.std(axis=0)
    # 3 / sqrt(2 * 30 runs) = 0.39
    assert math.degrees(scatter[0]) == pytest.approx(0.018119, rel=0.39)
    assert math.degrees(scatter[1]) == pytest.approx(0.021486, rel=0.39)
    assert scatter[2] == pytest.approx(0.111803, rel=0.39)


def test_jacobian_is_that_of_the_plane_itself():
    rng = np.random.default_rng(8)
    poses, boards, names = grid_floor(rng.normal(0, 3.0, 20))
    names = [names[i] for i in (0, 3, 7, 9, 12, 16, 19)]
    poses = poses.of(names).perturbed(rng.normal(0, 0.01, 42))
    spread = rng.normal(size=(42, 42)) * np.tile([1e-4] * 3 + [0.1] * 3, 7)[:, None]
    poses = PoseSet(poses.poses, spread @ spread.T, {"corners": spread @ spread.T})
    still = board_set(20, thickness_pm_mm=0.0)
    ours = floor_plane(poses, still, names, 0.0)
    numeric = poses.derive(lambda state: [floor_plane(state, still, names, 0.0)["floor"]])
    scale = np.sqrt(np.diag(numeric.cov))
    assert np.allclose(ours.cov / scale / scale[:, None], numeric.cov / scale / scale[:, None], atol=1e-5)
    assert boards.boards


def test_each_source_has_its_share_and_the_parts_add_up():
    poses, boards, names = grid_floor()
    survey = floor_plane(poses, boards, names, 2.0)
    assert np.allclose(sum(survey.parts.values()), survey.cov, atol=1e-18)
    rise = {s: part[-1, -1] for s, part in survey.parts.items()}
    # Thickness ±0.2 mm against unevenness ±2 mm: a hundredth of the variance.
    assert rise["thickness"] == pytest.approx(rise["floor"] / 100.0, rel=1e-6)
    assert rise["corners"] == 0.0


def test_floor_pose_follows_when_the_whole_bay_is_moved():
    poses, boards, names = grid_floor(np.random.default_rng(1).normal(0, 2, 20))
    carry = Pose.from_rt("survey", "survey", [0.3, -0.8, 1.1], [500.0, -300.0, 1000.0])
    moved = PoseSet(tuple(Pose("survey", p.source, (carry @ p).transform) for p in poses), poses.cov)
    there = floor_plane(moved, boards, names)["floor"]
    expected = carry @ floor_plane(poses, boards, names)["floor"]
    assert np.allclose(there.rotation, expected.rotation, atol=1e-10)
    assert np.allclose(there.translation_mm, expected.translation_mm, atol=1e-8)


def test_two_boards_are_no_plane():
    poses, boards, names = grid_floor()
    with pytest.raises(MeasurementError, match=r"2 floor boards were measured \(floor-1, floor-2\)"):
        floor_plane(poses.of(names[:2]), boards, names)


def test_boards_on_one_line_are_no_plane():
    poses, boards, names = grid_floor()
    with pytest.raises(MeasurementError, match="floor-1, floor-2, floor-3 lie on one line"):
        floor_plane(poses, boards, names[:3])


def test_board_on_its_face_is_named():
    poses, boards, names = grid_floor()
    turned = poses["floor-7"] @ Pose.from_rt("floor-7", "floor-7", [math.pi, 0, 0], [0, 0, 0])
    poses = PoseSet(tuple(turned if p.source == "floor-7" else p for p in poses), poses.cov)
    with pytest.raises(MeasurementError, match="floor-7 does not lie flat: its face leans 180°"):
        floor_plane(poses, boards, names)


def test_board_propped_up_is_named():
    poses, boards, names = grid_floor()
    propped = poses["floor-3"] @ Pose.from_rt("floor-3", "floor-3", [math.radians(12), 0, 0], [0, 0, 0])
    poses = PoseSet(tuple(propped if p.source == "floor-3" else p for p in poses), poses.cov)
    with pytest.raises(MeasurementError, match="floor-3 does not lie flat: its face leans 12°"):
        floor_plane(poses, boards, names)


def test_flatness_tells_the_foot_that_stands_out():
    heights = np.zeros(20)
    heights[8] = 6.0
    poses, boards, names = grid_floor(heights)
    flatness = floor_flatness(poses, boards, names)
    assert max(flatness.heights_mm, key=lambda item: item[1])[0] == "floor-9"
    # One foot off by h leaves h² (1 − leverage); leverage = 1/20 + 250²/Σx² + 133.3²/Σy² = 0.085
    assert flatness.rms_mm == pytest.approx(6.0 * math.sqrt(1 - 0.085) / math.sqrt(17), rel=1e-3)
