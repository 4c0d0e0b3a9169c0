"""`bayfix shoot` with a camera that is not there."""

from __future__ import annotations

import contextlib
import json

import pytest
from typer.testing import CliRunner

from cli.main import app
from tests.support.fake_camera import FakeCamera, board_frame
from vision.webcam import CaptureError


class ScriptedFinder:
    """A window in which somebody presses one key a frame."""

    has_keys = True

    def __init__(self, wishes):
        self.wishes, self.messages = iter(wishes), []

    def show(self, _frame, taken, left_s, message):
        self.messages.append((taken, left_s, message))
        return next(self.wishes, "stop")


@pytest.fixture
def job(tmp_path, monkeypatch):
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    monkeypatch.setenv("SSH_CONNECTION", "away")
    (tmp_path / "job" / "photos" / "rest").mkdir(parents=True)
    return tmp_path / "job"


def with_camera(monkeypatch, camera):
    asked = {}

    def opener(number, width_px, height_px, **options):
        asked.update(number=number, size=(width_px, height_px), **options)
        if isinstance(camera, Exception):
            raise camera
        return camera

    monkeypatch.setattr("vision.webcam.open_webcam", opener)
    return asked


def with_finder(monkeypatch, wishes):
    finder = ScriptedFinder(wishes)
    monkeypatch.setattr("cli.viewfinder.open_viewfinder", lambda _title, _wanted: contextlib.nullcontext(finder))
    return finder


def shoot(job, *arguments):
    return CliRunner().invoke(app, ["shoot", str(job), *map(str, arguments)])


def test_one_person_alone_takes_pictures_on_a_beep(job, monkeypatch):
    camera = FakeCamera([board_frame()])
    asked = with_camera(monkeypatch, camera)
    result = shoot(job, "rest", "--every", 0.01, "--count", 2, "--size", "640x480", "--camera", 1, "--name", "bench", "--json")
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    assert [photo["name"] for photo in document["photos"]] == ["rest-001.png", "rest-002.png"]
    assert (document["device"], document["focus"], document["retakes"]) == ("bench camera", "locked", 0)
    assert asked == {"number": "1", "size": (640, 480), "name": "bench", "focus": None, "exposure": None}
    assert result.stderr.count("\a") == 2
    assert "focus locked 35" in result.stderr
    assert "keep the light even" in result.stderr
    assert len(list((job / "photos" / "rest").glob("*.png"))) == 2
    assert camera.closed


def test_keys_take_and_stop(job, monkeypatch):
    with_camera(monkeypatch, FakeCamera([board_frame()]))
    finder = with_finder(monkeypatch, ["", "take", "", "take", "stop", "take"])
    result = shoot(job, "roll-1")
    assert result.exit_code == 0, result.output
    assert "2 pictures in" in result.stdout
    assert "space, Enter or a click" in result.stderr
    assert [taken for taken, _, _ in finder.messages] == [0, 0, 1, 1, 2]
    assert "roll-1-001.png  sharp" in finder.messages[2][2]


def test_a_blurred_picture_is_taken_again_and_said_twice(job, monkeypatch):
    # One frame for the window, four stale ones and three looked at; then sharp ones.
    with_camera(monkeypatch, FakeCamera([board_frame(3.5)] * 8 + [board_frame()]))
    with_finder(monkeypatch, ["take", "take"])
    result = shoot(job, "rest", "--json")
    document = json.loads(result.stdout)
    assert (len(document["photos"]), document["retakes"]) == (1, 1)
    assert "again: blurred" in result.stderr
    assert result.stderr.count("\a") == 3


def test_a_camera_pulled_out_keeps_the_pictures_so_far(job, monkeypatch):
    camera = FakeCamera([board_frame()] * 10 + [None])
    with_camera(monkeypatch, camera)
    with_finder(monkeypatch, ["take", "take", "take"])
    result = shoot(job, "rest")
    assert result.exit_code == 2
    assert "not measured: bench camera delivers no picture" in result.stderr
    assert [path.name for path in (job / "photos" / "rest").glob("*.png")] == ["rest-001.png"]
    assert camera.closed


def test_ctrl_c_stops_and_keeps_the_pictures(job, monkeypatch):
    with_camera(monkeypatch, FakeCamera([board_frame()]))
    finder = with_finder(monkeypatch, ["take"])

    def show_then_interrupt(_frame, taken, _left_s, _message):
        if taken:
            raise KeyboardInterrupt
        return "take"

    finder.show = show_then_interrupt
    result = shoot(job, "rest")
    assert result.exit_code == 0, result.output
    assert "1 pictures in" in result.stdout
    assert "stopped by hand" in result.stderr


def test_no_camera_no_epoch_no_size_are_bad_input(job, monkeypatch):
    with_camera(monkeypatch, CaptureError("there is no camera 0", hint="plug it in"))
    result = shoot(job, "rest")
    assert result.exit_code == 2
    assert "there is no camera 0" in result.stderr
    assert "try: plug it in" in result.stderr
    assert "no name of an epoch" in shoot(job, "middle").stderr
    assert "no such job folder" in shoot(job / "nowhere", "rest").stderr
    wrong_size = shoot(job, "rest", "--size", "big")
    assert wrong_size.exit_code == 2
    assert "1920x1080" in wrong_size.stderr


def test_lens_pictures_lie_outside_the_epochs(job, monkeypatch):
    with_camera(monkeypatch, FakeCamera([board_frame()]))
    with_finder(monkeypatch, ["take"])
    assert shoot(job, "lens").exit_code == 0
    assert (job / "lens" / "lens-001.png").is_file()
