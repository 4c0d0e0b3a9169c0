"""`bayfix stand teach` from a board whose place on the target's face is known: its maker printed it there."""

from __future__ import annotations

import math

import pytest

from calib.paper.stand import read_stand
from cli.base import Exit
from tests.support.commands import bayfix, nothing_written, refused
from tests.support.photo_job import put_photos
from tests.support.simulated import CHECK

pytestmark = pytest.mark.usefixtures("in_this_process")
FACE = """\
schema = "target-marks/1"

[[board]]
name = "{name}"
right_mm = {right}
up_mm = {up}
behind_mm = {behind}
turn_deg = {turn}
right_pm_mm = 0.3
up_pm_mm = 0.3
behind_pm_mm = 0.1
turn_pm_deg = 0.02
"""


def true_boards(surveyed_job):
    return {board.name: board for board in surveyed_job.demo.bay.epoch(CHECK).stand.boards}


def face_text(surveyed_job, name="stand-1", **change):
    board = true_boards(surveyed_job)[name]
    values = {"right": board.right_mm, "up": board.up_mm, "behind": board.behind_mm, "turn": math.degrees(board.turn_rad)}
    return FACE.format(**({"name": name} | values | change))


def put(folder, text):
    path = folder / "face.toml"
    path.write_text(text, encoding="utf-8")
    return path


def teach(job, text, *more):
    return bayfix("stand", "teach", job, "--marks", put(job, text), "--out", job / "taught.toml", *more)


def test_a_printed_board_teaches_the_others_and_the_file_serves_a_check(job, surveyed_job):
    document = teach(job, face_text(surveyed_job), "--json").document
    rows = {row["board"]: row for row in document["boards"]}
    assert set(rows) == {"stand-1", "stand-2"}  # the known one too: the sheet may know the target by it
    true, row = true_boards(surveyed_job)["stand-2"], rows["stand-2"]
    for key, value in (("right_mm", true.right_mm), ("up_mm", true.up_mm), ("behind_mm", true.behind_mm)):
        assert abs(row[key] - value) <= 1.5 * row[f"U_{key}"], key  # 3 σ
        assert row[f"U_{key}"] < 1.5
    assert abs(row["turn_deg"] - math.degrees(true.turn_rad)) <= 1.5 * row["U_turn_deg"]
    assert (document["marks"], document["redundancy"], document["residual_mm"]) == ({}, 0, 0.0)
    assert any("nothing checks where the marks file puts stand-1" in remark for remark in document["remarks"])
    stand = read_stand(job / "taught.toml")
    assert (stand.taught.marks, stand.taught.on_face) == ((), ("stand-1",))
    for row in bayfix("check", job, "--stand", job / "taught.toml", "--json").document["figures"]:
        assert abs(row["measured"] - surveyed_job.truth[row["name"]]) <= 1.5 * row["U"], row["name"]


@pytest.mark.parametrize(
    ("change", "more", "words"),
    [
        (('name = "stand-1"', 'name = "panel-9"'), (), "face.toml:4: board.0.name: there is no board 'panel-9'"),
        (("right_mm = ", "# "), (), "face.toml:3: board.0.right_mm: this key is missing"),
        (("", ""), ("--board", "stand-1"), "face.toml:4: board.0.name: board stand-1 has a known place on the face here"),
        (("", '[[mark]]\nname = "a"\nright_mm = 0.0\nup_mm = 0.0\n'), (), "job.toml: stylus: this key is missing"),
    ],
)
def test_a_wrong_file_is_one_message_with_file_and_key(job, surveyed_job, change, more, words):
    text = face_text(surveyed_job)
    put(job, text.replace(*change, 1) if change[0] else text + change[1])
    with nothing_written(job):
        told = refused("stand", "teach", job, "--marks", job / "face.toml", "--out", job / "taught.toml", *more)
    assert words in told


def test_a_known_board_that_no_photo_shows_is_named_with_its_key(job, surveyed_job):
    put_photos(
        surveyed_job,
        job,
        {photo: seen for photo, seen in surveyed_job.seen.items() if photo.startswith(CHECK)},
        held=("body-1",),
    )
    done = teach(job, face_text(surveyed_job).replace('"stand-1"', '"body-1"'))
    assert done.status == Exit.BAD_INPUT
    assert "face.toml: board.0.name: body-1 has a known place on the target's face and was not seen in check-1" in done.err
    assert not (job / "taught.toml").exists()
