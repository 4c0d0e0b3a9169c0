"""A wrong target on the right stand is named by its own board, where sheet or stand files know it; else the boards are told."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import cv2
import pytest
from PIL import Image

from tests.support.commands import nothing_written, refused
from tests.support.photo_job import blank_jpeg, every_board, put_photos
from tests.support.simulated import CHECK
from tests.support.two_targets import put_two_targets

pytestmark = pytest.mark.usefixtures("in_this_process")


def stand_for_left(job, surveyed_job, *, own="panel-9") -> None:
    """The stand (stand-1) carries a target with a board of its own; placement "right" is another one, known by stand-2."""
    put_two_targets(job, surveyed_job.demo.bay)
    for name, old, new in (
        ("sheet.toml", 'with = "left"\n', ""),
        ("sheet.toml", 'target_boards = ["stand-1"]', f'target_boards = ["{own}"]'),
    ):
        path = job / name
        path.write_text(path.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")
    left = job / "left.toml"
    left.write_text(
        left.read_text(encoding="utf-8") + f'[[board]]\nname = "{own}"\nright_mm = 10.0\nup_mm = 10.0\nbehind_mm = 0.0\n',
        encoding="utf-8",
    )


def photos_of(surveyed_job, job, *boards: str, held: tuple[str, ...] = ()) -> None:
    """The check's photos with floor boards and some of the boards on the stand, as two looks find them: the job's, and all."""
    seen = {photo: one for photo, one in surveyed_job.seen.items() if photo.startswith(CHECK)}
    only = {
        photo: replace(one, found=tuple(s for s in one.found if not s.board.startswith("stand-") or s.board in boards))
        for photo, one in seen.items()
    }
    text = (job / "job.toml").read_text(encoding="utf-8")
    in_use = re.sub(r'^stand = ".*"', 'stand = "left.toml"', text, flags=re.M)
    (job / "job.toml").write_text(in_use, encoding="utf-8")
    put_photos(surveyed_job, job, only, held=held)
    put_photos(surveyed_job, job, only, held=every_board(surveyed_job))


def test_the_wrong_panel_on_the_right_stand_is_named(job, surveyed_job):
    stand_for_left(job, surveyed_job, own="body-1")
    photos_of(surveyed_job, job, "stand-1", "stand-2")
    with nothing_written(job):
        told = refused("check", job, "--placement", "left")
    assert "not shown to be the right target: left is known by body-1, none of it is in check-1/01.jpg" in told
    assert "stand-2 is a board of reflector at the car's right (placement right): the wrong target is there" in told


def test_a_stand_file_nobody_made_yet_does_not_keep_the_wrong_target_from_being_named(job, surveyed_job):
    put_two_targets(job, surveyed_job.demo.bay)
    text = (job / "job.toml").read_text(encoding="utf-8")
    (job / "job.toml").write_text(text.replace("stands = {", 'stands = { later = "later.toml",', 1), encoding="utf-8")
    told = refused("check", job, "--placement", "left", "--stand", job / "right.toml")
    assert "not the right target: it has stand-2, the sheet's left is known by stand-1" in told
    assert "stand-2 is a board of reflector at the car's right" in told


def test_a_stand_file_for_a_misspelt_placement_is_not_passed_over(job, surveyed_job):
    """The placement would go by the job's other stand."""
    put_two_targets(job, surveyed_job.demo.bay)
    path = job / "job.toml"
    text = path.read_text(encoding="utf-8")
    assert "left = " in text
    path.write_text(text.replace("stands = { left = ", "stands = { lefft = ", 1), encoding="utf-8")
    with nothing_written(job):
        told = refused("check", job, "--placement", "left")
    assert re.search(r"job\.toml:\d+: stands\.lefft: there is no placement of that name on the sheet: is it left\?", told), told


def test_a_target_known_by_its_stand_file_alone_is_named(job, surveyed_job):
    stand_for_left(job, surveyed_job, own="body-1")
    path = job / "sheet.toml"
    path.write_text(path.read_text(encoding="utf-8").replace('target_boards = ["stand-2"]\n', ""), encoding="utf-8")
    photos_of(surveyed_job, job, "stand-2")
    told = refused("check", job, "--placement", "left")
    assert "stand board not seen: looked for stand-1, body-1 in check-1/01.jpg" in told
    assert "stand-2 is a board of reflector at the car's right (placement right): the wrong target is there" in told


def test_an_unknown_panel_is_told_by_its_boards(job, surveyed_job):
    stand_for_left(job, surveyed_job, own="body-1")
    for name in ("sheet.toml", "right.toml"):
        path = job / name
        path.write_text(path.read_text(encoding="utf-8").replace('"stand-2"', '"body-2"'), encoding="utf-8")
    photos_of(surveyed_job, job, "stand-1", "stand-2")
    told = refused("check", job, "--placement", "left")
    assert re.search(r"left is known by body-1, none of it is in .*; other boards seen: stand-2\n", told), told


def marked(ids):
    """Blank photos with markers in them, beside each other."""

    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)

    def jpeg(camera, *, mark=""):
        photo = Image.open(io.BytesIO(blank_jpeg(camera, mark=mark)))
        for i, marker in enumerate(ids):
            picture = cv2.aruco.generateImageMarker(family, marker, 80)
            photo.paste(255, (100 + 130 * i, 100, 220 + 130 * i, 220))
            photo.paste(Image.fromarray(picture), (120 + 130 * i, 120))
        buffer = io.BytesIO()
        photo.save(buffer, "JPEG", quality=90, exif=photo.info["exif"], comment=mark.encode())
        return buffer.getvalue()

    return jpeg


def test_a_target_that_nobody_entered_is_told_by_its_markers(job, surveyed_job, monkeypatch):
    """By a check and by teaching; 300 is of a board in the file."""
    monkeypatch.setattr("tests.support.photo_job.blank_jpeg", marked([540, 541, 300, 545]))
    stand_for_left(job, surveyed_job, own="body-1")
    photos_of(surveyed_job, job, "stand-1")
    told = refused("check", job, "--placement", "left")
    assert "left is known by body-1, none of it is in" in told
    assert "; of no board in boards.toml are markers 540 to 541 and 545\n" in told
    face = job / "face.toml"
    face.write_text('schema = "target-marks/1"\n[[board]]\nname = "body-1"\nright_mm = 0.0\nup_mm = 0.0\n', encoding="utf-8")
    photos_of(surveyed_job, job, "stand-1", held=("body-1",))
    told = refused("stand", "teach", job, "--marks", face, "--board", "stand-1", "--out", job / "new.toml")
    assert "body-1 has a known place on the target's face and was not seen in check-1; of no board in boards.toml are" in told


def test_nothing_else_seen_is_said(job, surveyed_job):
    stand_for_left(job, surveyed_job, own="body-1")
    photos_of(surveyed_job, job, "stand-1")
    assert "; no board of another target is seen\n" in refused("check", job, "--placement", "left")


def test_the_stand_file_of_another_placement_is_named(job, surveyed_job):
    put_two_targets(job, surveyed_job.demo.bay)
    with nothing_written(job):
        told = refused("check", job, "--placement", "left", "--stand", job / "right.toml")
    assert (
        "right.toml: not the right target: it has stand-2, the sheet's left is known by stand-1; stand-2 is a board of" in told
    )
    assert "reflector at the car's right (placement right)" in told
