"""`bayfix stand teach` on a whole job of blank photos: the boards' true places, and a check with the taught file."""

from __future__ import annotations

import math
import shutil

import numpy as np
import pytest

from calib.paper.stand import read_stand
from cli.base import DONE, Exit
from synthetic_images.rigid import apply
from tests.support.commands import bayfix, nothing_written, refused
from tests.support.simulated import CHECK
from tests.support.touched import Place, name_true_stylus, put_touches, touched

pytestmark = pytest.mark.usefixtures("in_this_process")
MARKS = {"mark-tl": (-420.0, 300.0), "mark-tr": (430.0, 290.0), "mark-bl": (-410.0, -310.0), "mark-br": (420.0, -300.0)}
FACE = np.array([[0.0, 0.0, 1.0], [-1.0, 0.0, 0.0], [0.0, -1.0, 0.0]])
"""Axes of a person facing the target (right, down, into it) in the target frame; own copy."""


def mark_places(bay) -> dict[str, Place]:
    """True places of the marks; the stylus comes from before the face, a little from above."""
    pose = bay.bay_from_target(CHECK)
    outward = pose[:3, :3] @ np.array([-1.0, 0.0, 0.35])
    return {name: Place(apply(pose, FACE @ np.array([right, -up, 0.0])), outward) for name, (right, up) in MARKS.items()}


def marks_file(folder, change=None, pm_mm=0.3):
    rows = {name: list(place) for name, place in MARKS.items()}
    if change:
        change(rows)
    text = 'schema = "target-marks/1"\n'
    for name, (right, up) in rows.items():
        text += f'[[mark]]\nname = "{name}"\nright_mm = {right}\nup_mm = {up}\npm_mm = {pm_mm}\n'
    path = folder / "target-marks.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def there(surveyed_job, tmp_path_factory):
    """The surveyed job with a stylus and photos of it on all four marks; tests work on copies."""
    folder = tmp_path_factory.mktemp("marked") / "job"
    shutil.copytree(surveyed_job.desk.job.folder, folder)
    marked = touched(surveyed_job, 3, places=mark_places(surveyed_job.demo.bay), like=CHECK, teach=0, touch=4)
    put_touches(surveyed_job, folder, marked)
    name_true_stylus(surveyed_job, folder, marked)
    return folder


@pytest.fixture
def job(there, tmp_path):
    folder = tmp_path / "job"
    shutil.copytree(there, folder)
    return folder


@pytest.fixture(scope="module")
def taught(there, tmp_path_factory):
    """A copy of the job with `taught.toml` in it, and what the command said."""
    folder = tmp_path_factory.mktemp("taught") / "job"
    shutil.copytree(there, folder)
    return folder, teach(folder, "--json").document


def teach(job, *more, marks=None):
    return bayfix("stand", "teach", job, "--marks", marks or marks_file(job), "--out", job / "taught.toml", *more)


def test_taught_places_are_the_true_ones_within_their_u(taught, surveyed_job):
    document = taught[1]
    true = {board.name: board for board in surveyed_job.demo.bay.epoch(CHECK).stand.boards}
    assert {row["board"] for row in document["boards"]} == set(true)
    for row in document["boards"]:
        board = true[row["board"]]
        for key, value in (("right_mm", board.right_mm), ("up_mm", board.up_mm), ("behind_mm", board.behind_mm)):
            assert abs(row[key] - value) <= 1.5 * row[f"U_{key}"], (row["board"], key)  # 3 σ
            assert row[f"U_{key}"] < 1.0
        assert abs(row["turn_deg"] - math.degrees(board.turn_rad)) <= 1.5 * row["U_turn_deg"]
        assert row["U_turn_deg"] < 0.1
    assert document["redundancy"] == 6
    assert document["residual_mm"] < 1.0


def test_the_file_gives_back_what_was_taught_and_serves_a_check(taught, surveyed_job):
    job, document = taught
    stand = read_stand(job / "taught.toml")
    assert stand.taught is not None
    assert stand.taught.cov.shape == (12, 12)
    for entry, row in zip(stand.boards, document["boards"], strict=True):
        assert entry.right_mm == pytest.approx(row["right_mm"], abs=1e-3)
        assert 2 * math.sqrt(stand.taught.cov[stand.names.index(entry.board) * 6, stand.names.index(entry.board) * 6]) == (
            pytest.approx(entry.right_pm_mm, rel=1e-3)
        )
    for row in bayfix("check", job, "--stand", job / "taught.toml", "--json").document["figures"]:
        assert abs(row["measured"] - surveyed_job.truth[row["name"]]) <= 1.5 * row["U"], row["name"]  # 3 σ


def test_boards_taught_together_do_not_contradict_each_other(taught):
    """They share the face: with half-widths alone their difference would seem as unsure as the face itself."""
    stand = read_stand(taught[0] / "taught.toml")
    cov = stand.taught.cov
    apart = cov[0, 0] + cov[6, 6] - 2 * cov[0, 6]
    assert apart < 0.5 * (cov[0, 0] + cov[6, 6])  # alone each would count in full; what is left is the boards' own sighting
    assert 2.0 * math.sqrt(apart) < 0.25


def test_a_mark_typed_wrong_is_named(job):
    def wrong(rows):
        rows["mark-tr"][0] += 8.0

    done = teach(job, marks=marks_file(job, wrong))
    assert done.status == Exit.BAD_INPUT
    assert "not where the marks file has them" in done.err
    assert "mark-tr is the likeliest wrong one" in done.err
    assert "-8." in done.err or "-7." in done.err
    assert not (job / "taught.toml").exists()


@pytest.mark.slow
def test_mirrored_marks_are_refused(job):
    def mirrored(rows):
        for place in rows.values():
            place[0] = -place[0]

    done = teach(job, marks=marks_file(job, mirrored))
    assert done.status == Exit.BAD_INPUT
    assert "the marks are mirrored" in done.err


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda rows: rows.update({"mark-x": [0.0, 0.0]}), "no photo of point mark-x"),
        (lambda rows: [rows.pop("mark-tl"), rows.pop("mark-tr")], "mark: 2 marks, at least 3 are needed"),
        (
            lambda rows: rows.pop("mark-bl") and rows.update({"mark-tl": [0.0, 0.0], "mark-tr": [200.0, -140.0]}),
            "lie on one line",
        ),
        (lambda rows: rows.update({"mark-tl": rows["mark-tr"]}), "are in the same place"),
    ],
)
def test_wrong_marks_files_are_named(job, change, words):
    with nothing_written(job):
        path = marks_file(job, change)
        done = teach(job, marks=path)
        path.unlink()
    assert done.status == Exit.BAD_INPUT
    assert words in done.err


def test_a_file_that_is_no_stand_file_is_not_replaced(job):
    path = marks_file(job)
    with nothing_written(job):
        told = refused("stand", "teach", job, "--marks", path, "--out", job / "sheet.toml")
    assert "sheet.toml: this is no stand file, and the taught one would replace it" in told


def test_a_board_that_is_not_there(job):
    done = teach(job, "--board", "panel-7")
    assert done.status == Exit.BAD_INPUT
    assert "there is no board 'panel-7'" in done.err


def test_a_floor_board_is_not_on_the_target(job):
    done = teach(job, "--board", "floor-1")
    assert done.status == Exit.BAD_INPUT
    assert "is on the floor or the car" in done.err


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("covariance = [[", "covariance = [[1.0], [", "rows of 12 numbers"),
        ("residual_mm = ", "residual_mm = -", "residual_mm"),
        ('marks = ["mark-tl", ', 'marks = [1, ', "marks"),
    ],
)  # fmt: skip
def test_a_damaged_taught_file_is_named(taught, tmp_path, old, new, words):
    job, path = taught[0], tmp_path / "taught.toml"
    text = (job / "taught.toml").read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    done = bayfix("check", job, "--stand", path)
    assert done.status == Exit.BAD_INPUT
    assert words in done.err
    assert "taught.toml" in done.err


def printed(surveyed_job, turn_deg=0.0):
    """The marks file's entry of a board whose place on the face is known."""
    board = next(board for board in surveyed_job.demo.bay.epoch(CHECK).stand.boards if board.name == "stand-1")
    return (
        f'[[board]]\nname = "stand-1"\nright_mm = {board.right_mm}\nup_mm = {board.up_mm}\nbehind_mm = {board.behind_mm}\n'
        f"turn_deg = {math.degrees(board.turn_rad) + turn_deg}\n"
    )


def test_marks_and_a_printed_board_together_are_held_against_each_other(taught, job, surveyed_job):
    path = marks_file(job)
    path.write_text(path.read_text(encoding="utf-8") + printed(surveyed_job), encoding="utf-8")
    shutil.copy(job / "stand.toml", job / "taught.toml")
    done = teach(job, marks=path)
    assert done.status == DONE, done.err
    assert "kept of the file it replaces: 7 [[adjuster]]; strike what is of another stand" in done.out
    assert len(read_stand(job / "taught.toml").adjusters) == 7
    assert "from 4 marks and stand-1 on the face (within " in done.out
    assert "turned deg" in done.out
    stand = read_stand(job / "taught.toml")
    assert (stand.taught.marks, stand.taught.on_face) == (tuple(MARKS), ("stand-1",))
    by_marks = read_stand(taught[0] / "taught.toml")
    i, j = stand.names.index("stand-2"), by_marks.names.index("stand-2")
    assert all(stand.boards[i].half_widths[:4] < by_marks.boards[j].half_widths[:4])


@pytest.mark.slow
def test_marks_catch_a_printed_board_typed_a_quarter_turned(job, surveyed_job):
    path = marks_file(job)
    path.write_text(path.read_text(encoding="utf-8") + printed(surveyed_job, 90.0), encoding="utf-8")
    done = teach(job, marks=path)
    assert done.status == Exit.BAD_INPUT
    assert "the touched marks and stand-1 are not where the marks file has them" in done.err
    assert "stand-1 is the likeliest wrong one" in done.err
    assert "a quarter or half turn" in done.err
    assert not (job / "taught.toml").exists()
