"""Lens files: ours, OpenCV's and ROS's, there and back; every fault named."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.support.outside_data import outside_data
from vision.camera import Camera, LensProfile, Wobble
from vision.camera_io import LensNotes, read_lens, read_profile, write_profile
from vision.errors import FileError

PLAIN = Camera(1920, 1080, 1400.123456789, 1401.9, 961.5, 533.25, np.array([-0.2, 0.06, 1e-4, -2e-5, 0.01]))
RATIONAL = Camera(640, 480, 520.0, 521.0, 322.0, 241.0, np.array([0.3, -0.2, 4e-4, -3e-4, 0.05, 0.25, -0.1, 0.02]))


def some_cov(rows=9) -> np.ndarray:
    root = np.random.default_rng(3).normal(size=(rows, rows)) * np.array([1, 1, 1, 1, *[1e-3] * 8])[:rows, None]
    cov = np.zeros((12, 12))
    cov[:rows, :rows] = root @ root.T
    return cov


def test_our_own_file_gives_everything_back(tmp_path):
    profile = LensProfile(
        "phone", PLAIN, some_cov(), "auto", Wobble(0.5, 5.0), "Maker", "Model 1", 4.2, "camera 0", "2025-01-31"
    )
    notes = LensNotes(0.11, 0.13, ("a.jpg", "b.jpg"), ("lens-1",), ("a remark",))
    write_profile(tmp_path / "phone.lens.toml", profile, notes)
    back = read_lens(tmp_path / "phone.lens.toml")
    for name in ("name", "focus", "wobble", "make", "model", "focal_length_mm", "device", "date"):
        assert getattr(back.profile, name) == getattr(profile, name)
    assert np.array_equal(back.profile.camera.parameters, PLAIN.parameters)
    assert (back.profile.camera.width_px, back.profile.camera.height_px) == (1920, 1080)
    np.testing.assert_allclose(back.profile.cov, profile.cov, rtol=1e-12, atol=0)
    assert back.notes == notes


@pytest.mark.parametrize("ending", [".yml", ".xml", ".yaml"])
@pytest.mark.parametrize("camera", [PLAIN, RATIONAL], ids=["plain", "rational"])
def test_foreign_files_give_the_camera_back_and_say_that_the_covariance_is_assumed(tmp_path, ending, camera):
    path = tmp_path / f"cam{ending}"
    write_profile(path, LensProfile("cam", camera, some_cov()))
    back = read_lens(path)
    assert np.array_equal(back.profile.camera.parameters, camera.parameters)
    assert (back.profile.camera.width_px, back.profile.camera.height_px) == (camera.width_px, camera.height_px)
    assert "states no uncertainty" in back.notes.remarks[0]
    sigma = np.sqrt(np.diag(back.profile.cov))
    assert sigma[0] == pytest.approx(0.001 * camera.fx_px)
    assert sigma[2] == pytest.approx(2.0)
    assert np.array_equal(sigma[4:] > 0, camera.distortion != 0)


def test_assumed_distortion_moves_the_image_corner_by_half_a_pixel(tmp_path):
    # principal point at the corner's opposite: one far corner; k1 alone
    camera = Camera(1000, 800, 900.0, 900.0, 0.0, 0.0, np.array([0.05]))
    write_profile(tmp_path / "cam.yml", LensProfile("cam", camera, np.zeros((12, 12))))
    sigma = np.sqrt(np.diag(read_profile(tmp_path / "cam.yml").cov))[4]
    corner = np.array([[1000.0 / 900.0, 800.0 / 900.0, 1.0]])
    moved = camera.with_parameters(camera.parameters + sigma * np.eye(12)[4]).project(corner) - camera.project(corner)
    assert np.linalg.norm(moved) == pytest.approx(0.5, rel=1e-6)


def test_opencv_itself_reads_what_we_write(tmp_path):
    write_profile(tmp_path / "cam.yml", LensProfile("cam", RATIONAL, np.zeros((12, 12))))
    storage = cv2.FileStorage(str(tmp_path / "cam.yml"), cv2.FILE_STORAGE_READ)
    np.testing.assert_array_equal(storage.getNode("camera_matrix").mat(), RATIONAL.matrix)
    np.testing.assert_array_equal(storage.getNode("distortion_coefficients").mat().ravel(), RATIONAL.distortion)


@pytest.mark.parametrize(
    ("name", "fx_px", "k1"),
    [
        ("out_camera_data.yml", 657.46697810243404, -0.41802327018241026),
        ("charuco/tutorial_camera_charuco.yml", 452.51072219637672, 0.12136925618707872),
        ("chessboard-left/left_intrinsics.yml", 535.91573396163199, -0.26637260909660682),
    ],
)
def test_camera_files_by_others(name, fx_px, k1):
    camera = read_profile(outside_data(name)).camera
    assert (camera.fx_px, camera.distortion[0]) == (fx_px, k1)
    assert (camera.width_px, camera.height_px) == (640, 480)


def test_older_key_names(tmp_path):
    storage = cv2.FileStorage(str(tmp_path / "cam.xml"), cv2.FILE_STORAGE_WRITE)
    storage.write("cameraMatrix", PLAIN.matrix)
    storage.write("distCoeffs", PLAIN.distortion[:4].reshape(4, 1))
    storage.write("imageWidth", 1920)
    storage.write("imageHeight", 1080)
    storage.release()
    camera = read_profile(tmp_path / "cam.xml").camera
    assert camera.fx_px == PLAIN.fx_px
    np.testing.assert_array_equal(camera.distortion[:5], [*PLAIN.distortion[:4], 0.0])


ROS = """
image_width: 640
image_height: 480
camera_name: "left eye"   # written by another program
camera_matrix:
  rows: 3
  cols: 3
  data: [520.5, 0, 320.25,
         0, 521.5, 240.75,
         0, 0, 1]
distortion_model: plumb_bob
distortion_coefficients:
  rows: 1
  cols: 5
  data:
  - -0.25
  - 1e-05
  - 0.001
  - -2.0e-04
  - 0
"""


def test_ros_file_in_another_hand(tmp_path):
    (tmp_path / "left.yaml").write_text(ROS)
    camera = read_profile(tmp_path / "left.yaml").camera
    assert (camera.fx_px, camera.fy_px, camera.cx_px, camera.cy_px) == (520.5, 521.5, 320.25, 240.75)
    np.testing.assert_array_equal(camera.distortion[:5], [-0.25, 1e-5, 1e-3, -2e-4, 0.0])


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ("plumb_bob", "equidistant", "'equidistant' is not supported"),
        ("camera_matrix", "camera_mat", "neither an OpenCV nor a ROS camera file"),
        ("image_width: 640", "", "image size is missing"),
        ("image_width: 640", "image_width: wide", "image_width: must be a whole number"),
        ("0, 521.5", "3, 521.5", "no camera matrix"),
        ("[520.5, 0, 320.25", "[520.5, 2.5, 320.25", "a skew of 2.5"),
        ("[520.5, 0, 320.25,", "[520.5, 0,", "3 x 3 numbers"),
        ("  - -2.0e-04\n  - 0\n", "", "3 distortion coefficients"),
        ("- -0.25\n", "- abc\n", "must be a list of numbers"),
        ("- -0.25\n", "- .nan\n", "4, 5 or 8 are expected"),
        ("camera_name:", "binning_x: 2\ncamera_name:", "binning is not supported"),
        ("camera_name:", "roi: {x_offset: 12}\ncamera_name:", "region of interest"),
        ("data: [", "data: [[", "not valid YAML"),
    ],
)
def test_ros_files_that_cannot_be_used(tmp_path, old, new, complaint):
    text = ROS.replace(old, new)
    assert text != ROS
    (tmp_path / "left.yaml").write_text(text)
    with pytest.raises(FileError, match=complaint):
        read_profile(tmp_path / "left.yaml")


def opencv_file(tmp_path, **nodes):
    storage = cv2.FileStorage(str(tmp_path / "cam.yml"), cv2.FILE_STORAGE_WRITE)
    entries = {"image_width": 640, "image_height": 480, "camera_matrix": RATIONAL.matrix}
    for key, value in (entries | nodes).items():
        if value is not None:
            storage.write(key, value)
    storage.release()
    return tmp_path / "cam.yml"


@pytest.mark.parametrize(
    ("nodes", "complaint"),
    [
        ({"camera_matrix": None}, "no camera matrix"),
        ({"image_width": None}, "image size is missing"),
        ({"fisheye_model": 1}, "fisheye"),
        ({"distortion_coefficients": np.full((1, 12), 0.01)}, "thin-prism"),
        ({"distortion_coefficients": np.full((1, 3), 0.01)}, "3 distortion coefficients"),
    ],
)
def test_opencv_files_that_cannot_be_used(tmp_path, nodes, complaint):
    with pytest.raises(FileError, match=complaint):
        read_profile(opencv_file(tmp_path, **nodes))


@pytest.mark.parametrize("text", ["%YAML:1.0\n---\ncamera_matrix: !!opencv-matrix\n   rows: [", "<opencv_storage><a>"])
def test_broken_opencv_files(tmp_path, text):
    path = tmp_path / ("cam.xml" if text.startswith("<") else "cam.yml")
    path.write_text(text)
    with pytest.raises(FileError, match="not a camera file OpenCV can read|no camera matrix"):
        read_profile(path)


def edited(tmp_path, old, new):
    path = tmp_path / "a.lens.toml"
    write_profile(path, LensProfile("a", PLAIN, some_cov()))
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ('"lens/1"', '"lens/9"', "this version reads 'lens/1'"),
        ("width_px = 1920", "width_px = 0", r"a.lens.toml:3: width_px"),
        ("width_px = 1920", "breadth_px = 1920", "breadth_px: unknown key"),
        ('focus = "locked"', 'focus = "macro"', "focus"),
        ("fx_px = 1400.123456789", "fx_px = -1.0", "camera.fx_px"),
        ("fx_px = 1400.123456789", "fx_px = nan", "camera.fx_px"),
        ('"fx_px", "fy_px"', '"fx_px", "gy_px"', "unknown camera parameter 'gy_px'"),
        ('"fx_px", "fy_px"', '"fx_px", "k6"', "must name the same parameters"),
        ("[1.0, ", "[0.5, ", "symmetric with 1 on the diagonal"),
        ("width_px = 1920\nheight_px = 1080", "width_px = 1080\nheight_px = 1920", r"width_px: .* exchange the two"),
        ("cx_px = ", "cx_px = 9", r"camera\.cx_px: the principal point .* lies outside the picture of 1920 x 1080 px"),
        ("fx_px = 1400.123456789", "fx_px = 14.0", r"camera\.fx_px: a focal length of 14 px is that of no lens"),
    ],
)
def test_our_own_file_with_a_fault(tmp_path, old, new, complaint):
    with pytest.raises(FileError, match=complaint):
        read_profile(edited(tmp_path, old, new))


def test_correlations_that_contradict_each_other(tmp_path):
    path = tmp_path / "a.lens.toml"
    cov = np.zeros((12, 12))
    cov[:3, :3] = [[1, 0.9, 0.9], [0.9, 1, -0.9], [0.9, -0.9, 1]]
    write_profile(path, LensProfile("a", PLAIN, cov))
    with pytest.raises(FileError, match="contradict each other"):
        read_profile(path)


def test_missing_file_and_unknown_ending(tmp_path):
    with pytest.raises(FileError, match="no such file"):
        read_profile(tmp_path / "none.lens.toml")
    with pytest.raises(FileError, match="no lens file"):
        read_profile(tmp_path / "lens.txt")
    with pytest.raises(FileError, match="no lens file"):
        write_profile(tmp_path / "lens.txt", LensProfile("a", PLAIN, some_cov()))
