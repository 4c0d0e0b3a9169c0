"""Places of boards from a pattern printed on the face: exact without errors, scattering as stated, mistakes named by marks."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2

from calib.geometry.stand_teaching import rolled_rad, teach_places, upright_words
from calib.geometry.stylus import point_body
from calib.paper.stand import StandBoard
from calib.paper.target_face import TargetFace
from synthetic_images.rigid import rot_x, rot_z
from tests.calib.geometry.test_stand_teaching import BOARD, BOARDS, FACE, MARKS, board_pose, marks_of, values
from vision.errors import MeasurementError
from vision.frames import Pose
from vision.poses import PoseSet

PANEL = StandBoard("stand-2", 210.0, -120.0, 0.0, math.radians(-3.0), 0.4, 0.4, 0.1, 1e-3, 4e-4)
"""Printed on the face; ± at k = 2."""
BODIES = {"stand-1": "stand-1@check-1", "stand-2": "stand-2@check-1"}
SIGMA_RAD, SIGMA_MM = 2e-4, 0.05


def printed_pose(entry: StandBoard) -> np.ndarray:
    return board_pose(replace(entry, lean_right_rad=entry.lean_right_rad + 1e-15))


def pose_set(marks=(), rng=None, panel=PANEL) -> PoseSet:
    """`panel` is where the pattern really is."""
    poses, sigmas = [], []
    for name, right, up, *into in marks:
        place = (FACE @ np.array([right, -up, *(into or [0.0]), 1.0]))[:3] + (rng.normal(0.0, 0.2, 3) if rng else 0.0)
        poses.append(Pose.from_rt("survey", point_body(name), np.eye(3), place))
        sigmas += [0.0] * 3 + [0.2] * 3
    for entry, matrix in ((BOARD, board_pose(BOARD)), (panel, printed_pose(panel))):
        pose = Pose.from_matrix("survey", BODIES[entry.board], matrix)
        if rng:
            # errors about the board's centre: a turn about the survey's origin would carry it metres away
            centre = pose.apply(BOARDS[entry.board].centre_mm)
            turn, shift = rng.normal(0.0, SIGMA_RAD, 3), rng.normal(0.0, SIGMA_MM, 3)
            pose = pose.perturbed(np.concatenate([turn, shift - np.cross(turn, centre)]))
        poses.append(pose)
        sigmas += [SIGMA_RAD] * 3 + [SIGMA_MM] * 3
    cov = np.diag(np.array(sigmas) ** 2)
    for i, (pose, name) in enumerate(zip(poses[len(marks) :], BODIES, strict=True)):
        centre = pose.apply(BOARDS[name].centre_mm)
        lever = np.eye(6)
        lever[3:, :3] = -np.cross(np.eye(3), centre).T
        rows = slice(6 * (len(marks) + i), 6 * (len(marks) + i) + 6)
        cov[rows, rows] = lever @ cov[rows, rows] @ lever.T
    return PoseSet(tuple(poses), cov, {"corners": cov})


def taught(poses, marks=(), panel=PANEL):
    return teach_places(poses, TargetFace(tuple(marks), (panel,)), BODIES, BOARDS)


@pytest.mark.parametrize("rows", [[], MARKS[:1], MARKS[:2], MARKS])
def test_an_exact_pattern_gives_exact_places_with_any_number_of_marks(rows):
    found = taught(pose_set(rows), marks_of(rows))
    np.testing.assert_allclose(values(found.boards[0]), values(BOARD), atol=1e-7)
    np.testing.assert_allclose(values(found.boards[1]), values(PANEL), atol=1e-7)
    assert found.redundancy == 3 * len(rows)
    np.testing.assert_allclose(found.board_gaps["stand-2"], 0.0, atol=1e-7)


def test_alone_the_pattern_is_where_it_is_said_to_be_as_surely_as_that_is_known():
    found = taught(pose_set())
    np.testing.assert_allclose(np.sqrt(np.diag(found.cov))[6:], PANEL.half_widths / 2.0, rtol=1e-6)
    assert found.rms_mm == 0.0
    # The other board hangs on it: the pattern's turn, typed and seen, carries it over the distance between.
    reach = np.hypot(BOARD.right_mm - PANEL.right_mm, BOARD.up_mm - PANEL.up_mm)
    turned_mm = reach * math.hypot(PANEL.turn_pm_rad / 2.0, SIGMA_RAD)
    both = math.hypot(*np.sqrt(np.diag(found.cov))[:2])
    own = math.sqrt(2.0) * math.hypot(0.2, math.sqrt(2.0) * SIGMA_MM)  # ±0.4 typed, both sightings, right and up
    assert both == pytest.approx(math.hypot(turned_mm, own), rel=0.02)


@pytest.mark.slow
@pytest.mark.parametrize("with_marks", [False, True])
def test_places_scatter_as_stated(with_marks):
    """NEES of twelve values; sightings, the pattern's typed place and the marks err."""
    rng = np.random.default_rng(5)
    draws, squares = 60, []
    for _ in range(draws):
        rows = [(n, r + rng.normal(0, 0.15), u + rng.normal(0, 0.15), rng.normal(0, 0.15)) for n, r, u in MARKS]
        off = rng.normal(0.0, 1.0, 6) * PANEL.half_widths / 2.0
        true = replace(
            PANEL,
            right_mm=PANEL.right_mm + off[0],
            up_mm=PANEL.up_mm + off[1],
            behind_mm=PANEL.behind_mm + off[2],
            turn_rad=PANEL.turn_rad + off[3],
            lean_right_rad=off[4],
            lean_down_rad=off[5],
        )
        poses = pose_set(rows if with_marks else (), rng, true)
        found = taught(poses, marks_of(MARKS, 0.3) if with_marks else ())
        gap = np.concatenate([values(found.boards[0]) - values(BOARD), values(found.boards[1]) - values(true)])
        squares.append(gap @ np.linalg.solve(found.cov / found.scatter, gap))
    low, high = chi2.ppf([0.0005, 0.9995], 12 * draws) / draws
    assert low < float(np.mean(squares)) < high


@pytest.mark.parametrize("rows", [[], MARKS])
def test_an_error_that_marks_and_boards_share_counts_for_nothing(rows):
    """All are photographed over the same floor boards: the places on the face do not hang on where these are."""
    poses = pose_set(rows)
    common = np.zeros(6)
    common[3:] = 2.0, 1.0, 3.0
    shared = np.kron(np.ones((len(poses.bodies),) * 2), np.diag(common**2))
    moved = poses.cov + shared
    alone = taught(poses, marks_of(rows))
    found = taught(PoseSet(tuple(poses), moved, {"corners": moved}), marks_of(rows))
    np.testing.assert_allclose(np.diag(found.cov), np.diag(alone.cov), rtol=1e-3)


def test_an_error_that_the_marks_betray_is_taken_off_the_boards_as_well():
    """All places in the bay too long by 0.1 % (3 mm here): the marks' known spaces show it, and the boards share it."""
    poses, stretch = pose_set(MARKS), 1e-3
    stretched = tuple(Pose.from_rt("survey", p.source, p.rotation, p.translation_mm * (1.0 + stretch)) for p in poses)
    by_stretch = np.concatenate([[0.0] * 3 + [*pose.translation_mm] for pose in poses])
    cov = 1e-4 * poses.cov + stretch**2 * np.outer(by_stretch, by_stretch)
    found = teach_places(PoseSet(stretched, cov, {"corners": cov}), TargetFace(tuple(marks_of(MARKS, 0.02))), BODIES, BOARDS)
    # one stretch for all: what is left is the pattern's own 0.1 % about its corner
    np.testing.assert_allclose(values(found.boards[0])[:3], values(BOARD)[:3], atol=0.3)


def stretched(poses: PoseSet, stretch: float, own: float) -> PoseSet:
    """All places too long, which the covariance knows of; what each measured by itself is `own` times as unsure as before."""
    by_stretch = np.concatenate([[0.0] * 3 + [*pose.translation_mm] for pose in poses])
    cov = own**2 * poses.cov + stretch**2 * np.outer(by_stretch, by_stretch)
    longer = (Pose.from_rt("survey", p.source, p.rotation, p.translation_mm * (1.0 + stretch)) for p in poses)
    return PoseSet(tuple(longer), cov, {"corners": cov})


def test_what_marks_and_boards_share_is_not_shown_as_their_misfit():
    """By 0.1 %, as the adjustment finds and takes off: the face is 3 mm off all marks before, and fits when it is done."""
    # the pattern is half a metre from the face's middle, and about its corner 0.1 % long itself
    poses = stretched(pose_set(MARKS), 1e-3, 0.01)
    for boards in ((), (replace(PANEL, right_pm_mm=0.02, up_pm_mm=0.02, behind_pm_mm=0.02),)):
        found = teach_places(poses, TargetFace(tuple(marks_of(MARKS, 0.02)), boards), BODIES, BOARDS)
        assert max(np.linalg.norm(gap) for gap in found.gaps_mm.values()) < 0.1
        assert found.rms_mm < 0.1
        assert all(np.linalg.norm(gap[:3]) < 0.1 for gap in found.board_gaps.values())
    # own errors of the same size stay: nothing says that they are the others' too
    apart = stretched(pose_set(MARKS), 1e-3, 0.01)
    apart = PoseSet(apart.poses, pose_set(MARKS).cov, {"corners": pose_set(MARKS).cov})
    found = teach_places(apart, TargetFace(tuple(marks_of(MARKS, 0.02))), BODIES, BOARDS)
    assert all(0.4 < np.linalg.norm(gap) < 0.6 for gap in found.gaps_mm.values())
    assert found.rms_mm > 0.4


def test_an_error_of_one_mark_alone_is_shown_whole():
    """Beside one that all share: what is the mark's own stays its own."""
    rows = [(*MARKS[0], 0.8), *MARKS[1:]]  # into the face
    found = teach_places(stretched(pose_set(rows), 1e-3, 1.0), TargetFace(tuple(marks_of(MARKS, 0.02))), BODIES, BOARDS)
    # a face through four marks near a square takes three quarters of it up
    np.testing.assert_allclose([found.gaps_mm[name][2] for name, _, _ in MARKS], [-0.2, 0.2, 0.2, -0.2], atol=0.03)


def test_a_wrong_mark_is_told_without_what_all_share():
    rows = [(MARKS[0][0], MARKS[0][1], MARKS[0][2] + 9.0), *MARKS[1:]]
    with pytest.raises(MeasurementError, match=r"a is the likeliest wrong one") as err:
        teach_places(stretched(pose_set(MARKS), 1e-3, 0.01), TargetFace(tuple(marks_of(rows, 0.02))), BODIES, BOARDS)
    off = [float(value) for value in re.findall(r"[-+]\d\.\d(?= mm)", err.value.what)]
    np.testing.assert_allclose(off, [0.0, -9.0, 0.0], atol=0.15)


def test_marks_make_the_places_surer():
    alone, both = taught(pose_set()), taught(pose_set(MARKS), marks_of(MARKS))
    assert np.all(np.diag(both.cov)[:4] < 0.8 * np.diag(alone.cov)[:4])


@pytest.mark.parametrize(("typed_deg", "told"), [(87.0, "-90.0°"), (-93.0, r"\+90.0°"), (177.0, r"[+-]180.0°")])
def test_a_pattern_typed_turned_by_quarters_is_named_by_three_marks(typed_deg, told):
    wrong = replace(PANEL, turn_rad=math.radians(typed_deg))
    with pytest.raises(
        MeasurementError, match=rf"stand-2 is the likeliest wrong one, .* turned {told}.*a quarter or half turn"
    ):
        taught(pose_set(MARKS[:3]), marks_of(MARKS[:3]), wrong)


def test_a_pattern_typed_as_seen_from_behind_is_named():
    wrong = replace(PANEL, right_mm=-PANEL.right_mm)
    with pytest.raises(MeasurementError, match=r"stand-2 is the likeliest wrong one.*mirrored: right_mm counts"):
        taught(pose_set(MARKS), marks_of(MARKS), wrong)


def test_mirrored_marks_are_named_by_the_pattern():
    mirrored = [(name, -right, up) for name, right, up in MARKS]
    with pytest.raises(MeasurementError, match="the marks are mirrored"):
        taught(pose_set(MARKS), marks_of(mirrored))


def test_a_wrong_mark_is_named_by_pattern_and_others():
    rows = [(MARKS[0][0], MARKS[0][1] + 6.0, MARKS[0][2]), *MARKS[1:2]]
    with pytest.raises(MeasurementError, match=r"a is the likeliest wrong one, touched -6\.0 mm to the right"):
        taught(pose_set(MARKS[:2]), marks_of(rows))


@pytest.mark.parametrize("count", [1, 2])
def test_with_fewer_marks_a_wrong_pattern_is_refused_and_nobody_is_blamed(count):
    wrong = replace(PANEL, turn_rad=PANEL.turn_rad + math.pi / 2.0)
    with pytest.raises(MeasurementError, match=r"stand-2 are not where the marks file has them") as err:
        taught(pose_set(MARKS[:count]), marks_of(MARKS[:count]), wrong)
    assert "likeliest" not in err.value.what


def test_a_board_on_the_other_side_is_not_on_the_face():
    poses = pose_set()
    away = Pose.from_rt(
        "survey", BODIES["stand-1"], poses[BODIES["stand-1"]].rotation @ np.diag([1.0, -1.0, -1.0]), np.zeros(3)
    )
    turned = PoseSet((away, poses[BODIES["stand-2"]]), poses.cov, poses.parts)
    with pytest.raises(MeasurementError, match="stand-1 and stand-2 look to opposite sides"):
        taught(turned)


def upright(turned_deg: float, leaned_deg: float = 5.0) -> Pose:
    """A face whose right, down and into are survey x, -z and y, turned counter-clockwise as seen and leaned back."""
    seen = np.column_stack([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
    return Pose.from_rt(
        "survey", "seen", seen @ (rot_x(math.radians(leaned_deg)) @ rot_z(-math.radians(turned_deg))), np.zeros(3)
    )


FLOOR = [Pose.from_rt("survey", "floor-1", np.diag([1.0, -1.0, -1.0]), np.zeros(3))]
"""A board's z goes into it: down."""


@pytest.mark.parametrize("turned_deg", [0.0, 12.0, 90.0, -90.0])
def test_a_face_that_stands_turned_on_itself_is_asked_about(turned_deg):
    assert math.degrees(rolled_rad(upright(turned_deg), FLOOR)) == pytest.approx(turned_deg, abs=1e-9)
    words = upright_words(upright(turned_deg), FLOOR)
    way = "counter-clockwise" if turned_deg > 0 else "clockwise"
    assert [f"turned 90° {way} on itself" in word for word in words] == ([True] if abs(turned_deg) == 90.0 else [])


def test_a_face_that_lies_has_no_upper_side():
    assert upright_words(upright(90.0, 80.0), FLOOR) == []


def test_a_pattern_typed_a_quarter_turned_without_marks_is_asked_about():
    """The face stands upright; typed turned by 90°, the pattern puts it on its side."""
    standing = upright(0.0)
    true = replace(PANEL, turn_rad=0.0)
    x, y, _ = BOARDS["stand-2"].centre_mm
    centre = np.array([true.right_mm - x, -true.up_mm - y, 0.0])
    pose = Pose("survey", BODIES["stand-2"], standing.transform * Pose.from_rt("seen", "b", np.eye(3), centre).transform)
    poses = PoseSet((pose,), np.eye(6) * 1e-6, {"corners": np.eye(6) * 1e-6})
    for typed_deg, asked in ((0.0, []), (90.0, [True])):
        wrong = replace(true, turn_rad=math.radians(typed_deg))
        found = teach_places(poses, TargetFace((), (wrong,)), {"stand-2": BODIES["stand-2"]}, BOARDS)
        assert ["turned 90° clockwise on itself" in word for word in upright_words(found.face, FLOOR)] == asked
