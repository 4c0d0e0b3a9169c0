from __future__ import annotations

import datetime
import re
import tomllib

import cv2
import numpy as np
import pytest

from tests.support.fake_camera import FakeCamera, board_frame
from vision.capture import Retake, Taken, epoch_folder, take
from vision.errors import MeasurementError
from vision.photos import read_photo
from vision.webcam import CaptureError

NOON = datetime.datetime(2026, 5, 6, 12, 0, tzinfo=datetime.timezone(datetime.timedelta(hours=2)))


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "photos" / "roll-1"


def test_a_sharp_picture_is_kept_without_loss_and_says_what_took_it(folder):
    frame = board_frame()
    outcome = take(FakeCamera([frame]), folder, [], now=NOON)
    assert isinstance(outcome, Taken)
    assert outcome.path == folder / "roll-1-001.png"
    assert np.array_equal(cv2.imread(str(outcome.path), cv2.IMREAD_UNCHANGED), frame)
    side = tomllib.loads((folder / "roll-1-001.png.toml").read_text(encoding="utf-8"))
    assert side["schema"] == "capture/1"
    assert side["device"] == "bench camera"
    assert side["mode"] == "640x480 30 fps MJPG, focus locked 35, exposure auto"
    assert side["time"] == NOON
    assert (side["width_px"], side["height_px"], side["fps"], side["focus"]) == (640, 480, 30.0, 35.0)
    assert (side["focus_state"], side["exposure_state"]) == ("locked", "auto")
    assert "exposure" not in side, "the driver did not tell it"
    assert side["blur_px"] == pytest.approx(outcome.blur_px, abs=0.006)
    assert sorted(path.name for path in folder.iterdir()) == ["roll-1-001.png", "roll-1-001.png.toml"]


def test_the_picture_reads_back_as_a_photo_of_that_device(folder):
    outcome = take(FakeCamera([board_frame()]), folder, [])
    photo = read_photo(outcome.path)
    assert (photo.meta.device, photo.gray.shape) == ("bench camera", (480, 640))
    assert photo.meta.mode.startswith("640x480")


def test_nothing_is_overwritten_and_numbers_go_on(folder):
    folder.mkdir(parents=True)
    (folder / "roll-1-007.jpg").write_bytes(b"somebody's")
    (folder / "roll-1-009.png.toml").write_bytes(b"left over")
    (folder / "other-020.png").write_bytes(b"not counted")
    camera = FakeCamera([board_frame()])
    names = [take(camera, folder, []).path.name for _ in range(2)]
    assert names == ["roll-1-010.png", "roll-1-011.png"]
    assert (folder / "roll-1-007.jpg").read_bytes() == b"somebody's"
    assert (folder / "roll-1-009.png.toml").read_bytes() == b"left over"


def test_the_sharpest_fresh_frame_is_kept_and_stale_ones_never(folder):
    stale, soft, sharp = board_frame(0.5, seed=2), board_frame(1.6, seed=3), board_frame(0.8, seed=4)
    outcome = take(FakeCamera([stale] * 4 + [soft, sharp, soft]), folder, [])
    assert np.array_equal(cv2.imread(str(outcome.path), cv2.IMREAD_UNCHANGED), sharp)


@pytest.mark.parametrize(
    ("frame", "says"),
    [
        (board_frame(3.5), r"blurred \(edges \d\.\d px wide, at most 2\.0\): out of focus"),
        (board_frame(0.8, shake_px=15), r"blurred sideways .*the camera moved, hold it still"),
        (cv2.rotate(board_frame(0.8, shake_px=15), cv2.ROTATE_90_CLOCKWISE), "blurred up and down .*hold it still"),
        (board_frame(gain=0.02), "too dark"),
        (np.full((480, 640, 3), 255, np.uint8), "too bright"),
        (np.full((480, 640, 3), 120, np.uint8), "nothing sharp in it"),
    ],
    ids=["focus", "sideways", "up-and-down", "dark", "bright", "empty"],
)
def test_a_bad_picture_is_not_kept_and_says_why(folder, frame, says):
    outcome = take(FakeCamera([frame]), folder, [])
    assert isinstance(outcome, Retake)
    assert re.search(says, outcome.reason), outcome.reason
    assert not folder.exists()


def test_a_picture_much_softer_than_the_session_is_refused_below_the_limit(folder):
    soft = board_frame(1.6)
    assert isinstance(take(FakeCamera([soft]), folder, []), Taken)
    sharp_session = [Taken(folder / "x.png", 0.7)]
    outcome = take(FakeCamera([soft]), folder, sharp_session)
    assert isinstance(outcome, Retake)
    assert "at most 1.1" in outcome.reason


def test_an_interrupted_write_leaves_no_picture(folder, monkeypatch):
    def disk_full(path, _data):
        if path.suffix == ".png":
            raise OSError(28, "No space left on device")

    monkeypatch.setattr("vision.capture.write_whole", disk_full)
    with pytest.raises(CaptureError, match=r"roll-1: cannot write the picture: No space left on device"):
        take(FakeCamera([board_frame()]), folder, [])
    assert not list(folder.parent.glob("**/*.png"))


def test_epochs_have_their_folders_and_the_lens_its_own(tmp_path):
    assert epoch_folder(tmp_path, "roll-12") == tmp_path / "photos" / "roll-12"
    assert epoch_folder(tmp_path, "rest") == tmp_path / "photos" / "rest"
    assert epoch_folder(tmp_path, "touch-rim-1") == tmp_path / "photos" / "touch-rim-1"
    assert epoch_folder(tmp_path, "lens") == tmp_path / "lens"
    assert epoch_folder(tmp_path, "teach") == tmp_path / "teach"
    for wrong in ("roll-0", "roll", "Rest", "check-", "../rest", "lens-1"):
        with pytest.raises(MeasurementError, match="no name of an epoch"):
            epoch_folder(tmp_path, wrong)
    with pytest.raises(MeasurementError, match="no such job folder"):
        epoch_folder(tmp_path / "missing", "rest")
