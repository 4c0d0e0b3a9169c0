"""The helper that lays out the data by others; the download itself is not tested here."""

from __future__ import annotations

import io
import tarfile

import pytest

from tests.fetch_reference_data import CONSTRAINTS, WANTED, lay_out, version


def distribution(path, names):
    with tarfile.open(path, "w:gz") as tar:
        for name in names:
            data = name.encode()
            entry = tarfile.TarInfo(f"opencv_python-5.0/opencv/{name}")
            entry.size = len(data)
            tar.addfile(entry, io.BytesIO(data))
    return path


def test_the_wanted_files_are_taken_out_and_nothing_else(tmp_path):
    archive = distribution(tmp_path / "opencv.tar.gz", [*WANTED, "samples/data/lena.jpg", "../../../outside.jpg"])
    written = lay_out(archive, tmp_path / "data")
    there = {path.relative_to(tmp_path / "data").as_posix() for path in (tmp_path / "data").rglob("*") if path.is_file()}
    assert there == set(WANTED.values()) == {path.relative_to(tmp_path / "data").as_posix() for path in written}
    inside = "samples/cpp/tutorial_code/calib3d/camera_calibration/out_camera_data.yml"
    assert (tmp_path / "data" / "out_camera_data.yml").read_text(encoding="utf-8") == inside


def test_a_distribution_that_lacks_a_file_is_refused_by_name(tmp_path):
    archive = distribution(tmp_path / "opencv.tar.gz", [name for name in WANTED if "left07" not in name])
    with pytest.raises(SystemExit, match=r"does not hold: samples/data/left07\.jpg$"):
        lay_out(archive, tmp_path / "data")


def test_the_version_is_the_pinned_one():
    assert version("numpy==2.4\nopencv-python==5.0.0.93\n") == "5.0.0.93"
    assert version(CONSTRAINTS.read_text(encoding="utf-8"))[0].isdigit()
    with pytest.raises(SystemExit, match="pins no opencv-python"):
        version("opencv-python-headless==5.0\n")
