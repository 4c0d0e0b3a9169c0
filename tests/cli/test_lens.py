"""`bayfix lens` on rendered photos and on photos by others; `bayfix lens-file`."""

from __future__ import annotations

import json
import shutil

import cv2
import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from cli.main import app
from tests.support.outside_data import outside_data
from tests.support.render_board import Imaging, Scene, facing, render
from vision.boards_io import starter_boards
from vision.camera import Camera, LensProfile
from vision.camera_io import read_lens, write_profile

CAMERA = Camera(800, 450, 580.0, 580.0, 403.0, 222.0, np.array([-0.1, 0.03]))
VIEWS = [
    (30, 0, 3, (-0.3, -0.3)),
    (35, 90, 95, (0.3, 0.3)),
    (30, 180, 5, (0.3, -0.3)),
    (25, 270, 88, (-0.3, 0.3)),
    (35, 45, 92, (0, 0)),
    (20, 225, 2, (0, 0)),
]
"""tilt, axis and roll in degrees, place in the picture."""


@pytest.fixture(scope="module")
def rendered(tmp_path_factory):
    """Six photos of the starter set's lens board; EXIF names camera and focal length."""
    folder = tmp_path_factory.mktemp("rendered")
    board = starter_boards("a4")["lens-1"]
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Maker", "Model 1"
    exif.get_ifd(0x8769)[0x920A] = 4.2
    for i, (tilt, axis, roll, at) in enumerate(VIEWS, start=1):
        pose = facing(board, CAMERA, z_mm=430.0, tilt_deg=tilt, axis_deg=axis, roll_deg=roll, at=at)
        picture = render(Scene(CAMERA, ((board, pose),), imaging=Imaging(noise=1.0)), seed=i)
        Image.fromarray(picture).save(folder / f"IMG_{i}.jpg", quality=97, exif=exif)
    return folder


@pytest.fixture(autouse=True)
def _in_an_empty_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def bayfix(*arguments):
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def photos_with(rendered, tmp_path, name, picture) -> None:
    """A copy of the rendered photos and one more."""
    shutil.copytree(rendered, tmp_path / "photos")
    path = tmp_path / "photos" / name
    if isinstance(picture, bytes):
        path.write_bytes(picture)
    else:
        Image.fromarray(picture).save(path)


def test_lens_writes_profile_picture_and_json(rendered, tmp_path):
    result = bayfix("lens", rendered, "--out", "webcam.lens.toml", "--json")
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    assert {"rms_px", "holdout_rms_px", "photos_used", "photos", "camera", "advice"} <= set(document)
    assert document["photos_used"] == 6
    assert document["rms_px"] < 0.15
    assert [row["name"] for row in document["photos"]] == [f"IMG_{i}.jpg" for i in range(1, 7)]
    assert {"name", "boards", "corners", "rms_px"} <= set(document["photos"][0])
    assert document["photos"][0]["boards"] == ["lens-1"]
    camera = document["camera"]
    for name in ("fx_px", "fy_px", "cx_px", "cy_px"):
        assert abs(camera[name] - getattr(CAMERA, name)) < 4.0 * camera["sigma"][name] + 0.05
    assert any("only 6 photos" in sentence for sentence in document["advice"])
    held = read_lens(tmp_path / "webcam.lens.toml")
    assert held.profile.camera.fx_px == camera["fx_px"]
    assert (held.profile.name, held.profile.make, held.profile.focal_length_mm) == ("webcam", "Maker", 4.2)
    assert held.notes.photos == tuple(row["name"] for row in document["photos"])
    assert cv2.imread(str(tmp_path / "webcam.coverage.png")).shape[1] == 1600
    assert "wrote" in result.stderr


def test_text_for_people_goes_to_stdout(rendered):
    result = bayfix("lens", rendered)
    assert result.exit_code == 0, result.output
    assert "IMG_3.jpg" in result.stdout
    assert "fx_px" in result.stdout
    assert "6 photos used" in result.stdout


def test_unreadable_photos_are_left_out_and_named(rendered, tmp_path):
    data = (rendered / "IMG_1.jpg").read_bytes()
    photos_with(rendered, tmp_path, "cut.jpg", data[: len(data) // 2])
    (tmp_path / "photos" / "note.jpg").write_text("no picture")
    document = json.loads(bayfix("lens", "photos", "--json").stdout)
    reasons = {row["name"]: row["refused"] for row in document["photos"] if "refused" in row}
    assert "cut short" in reasons["cut.jpg"]
    assert "not an image" in reasons["note.jpg"]
    assert document["photos_used"] == 6


def refused(*arguments) -> str:
    result = bayfix(*arguments)
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    return " ".join(result.stderr.split())


def test_empty_folder(tmp_path):
    (tmp_path / "none").mkdir()
    assert "no photo in this folder" in refused("lens", "none")
    assert "no such folder" in refused("lens", "nowhere")


def test_photos_without_a_board(tmp_path):
    for i in range(4):
        Image.fromarray(np.random.default_rng(i).integers(60, 190, (270, 480), dtype=np.uint8)).save(tmp_path / f"{i}.png")
    message = refused("lens", *(f"{i}.png" for i in range(4)), "--json")
    assert "0 of 4 photos are usable" in message
    assert "0.png: " in message
    assert not (tmp_path / "camera.lens.toml").exists()


def test_photo_of_another_camera_is_named(rendered, tmp_path):
    photos_with(rendered, tmp_path, "other.png", np.asarray(Image.open(rendered / "IMG_1.jpg")))
    assert "several cameras: other.png" in refused("lens", "photos")


def test_turned_photo_is_named(rendered, tmp_path):
    photos_with(rendered, tmp_path, "other.jpg", b"")
    image = Image.open(rendered / "IMG_1.jpg")
    image.transpose(Image.Transpose.ROTATE_90).save(tmp_path / "photos" / "other.jpg", exif=image.getexif())
    assert "turned after they were taken: other.jpg (450x800)" in refused("lens", "photos")


def test_wrong_options(rendered):
    assert "must end in .lens.toml" in refused("lens", rendered, "--out", "x.txt")
    assert "locked or auto" in refused("lens", rendered, "--focus", "macro")
    assert "9x6, for example" in refused("lens", rendered, "--chessboard", "nine")
    assert "side of a square in mm" in refused("lens", rendered, "--chessboard", "9x6")
    assert "there is no board 'none'" in refused("lens", rendered, "--board", "none")


def test_chessboard_photos_by_others():
    # 13 photos of a plain chessboard by one fixed camera (Debian opencv-doc); OpenCV with a sub-pixel window of 5 gives
    # fx 532.83 and RMS 0.1955
    folder = outside_data("chessboard-left")
    document = json.loads(bayfix("lens", folder, "--chessboard", "9x6", "--square", 25, "--json").stdout)
    assert document["photos_used"] == 13
    assert all(row["boards"] == ["chessboard"] and row["corners"] >= 52 for row in document["photos"])
    assert document["rms_px"] <= 0.21
    assert 532.0 <= document["camera"]["fx_px"] <= 533.5


def test_lens_file_converts_and_says_what_is_lost(tmp_path):
    write_profile(tmp_path / "a.lens.toml", LensProfile("a", CAMERA, np.diag([1.0] * 4 + [1e-6] * 8)))
    result = bayfix("lens-file", "a.lens.toml", "a.yaml")
    assert result.exit_code == 0, result.output
    assert "holds the camera only" in result.stderr
    result = bayfix("lens-file", "a.yaml", "b.lens.toml")
    assert result.exit_code == 0, result.output
    assert "states no uncertainty" in result.stderr
    held = read_lens(tmp_path / "b.lens.toml")
    assert np.array_equal(held.profile.camera.parameters, CAMERA.parameters)
    assert "states no uncertainty" in held.notes.remarks[0]
    assert held.profile.name == "b"
    assert "no lens file" in refused("lens-file", "a.yaml", "b.txt")
