"""`bayfix clip`: frames become roll epochs of one photo each; a clip without a lens profile of its own is refused."""

from __future__ import annotations

import numpy as np
import pytest
import tomlkit

from cli.base import Exit
from cli.demo_bay import invent, write_job
from tests.support.commands import bayfix, nothing_written, refused
from tests.vision.test_clip import HEIGHT, WIDTH, film
from vision.camera import Camera, LensProfile
from vision.camera_io import write_profile


@pytest.fixture
def job(tmp_path):
    """A job whose second lens profile is for the clip's size."""
    folder = tmp_path / "job"
    folder.mkdir()
    write_job(invent(1), folder, 1)
    for name, make, size in (("shop", "Invented", (1920, 1080)), ("clip", "", (WIDTH, HEIGHT))):
        camera = Camera(*size, 900.0, 900.0, size[0] / 2, size[1] / 2, np.zeros(5))
        write_profile(
            folder / f"{name}.lens.toml",
            LensProfile(name, camera, np.eye(12) * 1e-6, make=make, device="" if make else "clip"),
            None,
        )
    document = tomlkit.parse((folder / "job.toml").read_text(encoding="utf-8"))
    document["lens"] = ["shop.lens.toml", "clip.lens.toml"]
    (folder / "job.toml").write_text(tomlkit.dumps(document), encoding="utf-8")
    (folder / "photos" / "roll-2").mkdir(parents=True)
    return folder


@pytest.fixture(scope="module")
def video(tmp_path_factory):
    return film(tmp_path_factory.mktemp("film") / "left.avi", [12 * i for i in range(40)])


def test_frames_become_epochs_after_those_that_are_there(job, video):
    outcome = bayfix("clip", job, video, "--frames", 4, "--json")
    assert outcome.status == Exit.CONFORMS
    photos = [row["photo"] for row in outcome.document["frames"]]
    assert [photo.split("/")[1] for photo in photos] == ["roll-3", "roll-4", "roll-5", "roll-6"]
    assert all((job / photo).is_file() for photo in photos)
    assert (job / f"{photos[0]}.toml").is_file()
    words = bayfix("clip", job, video, "--frames", 3).out
    assert "photos/roll-7/left-" in words
    assert "film the other side of the car" in words


def test_a_clip_of_the_lens_board_needs_no_profile_yet(job, video):
    (job / "clip.lens.toml").unlink()
    document = bayfix("clip", job, video, "--frames", 5, "--lens", "--json").document
    assert len({row["photo"] for row in document["frames"]}) == 5
    assert all(row["photo"].startswith("lens/left-") for row in document["frames"])
    assert not list((job / "photos").glob("roll-3*"))


def test_refusals(job, video, tmp_path):
    with nothing_written(job):
        assert "no such job folder" in refused("clip", tmp_path / "none", video)
        assert "none.avi: no such file" in refused("clip", job, tmp_path / "none.avi")
        words = refused("clip", job, video, "--device", "other camera")
        assert f"for clips of {WIDTH}x{HEIGHT} px by 'other camera'" in words
    small = film(tmp_path / "few.avi", [12 * i for i in range(40)], set(range(40)))
    with nothing_written(job):
        assert "0 frames are sharp enough" in refused("clip", job, small)


def test_a_clip_of_another_size_is_refused(job, video):
    document = tomlkit.parse((job / "job.toml").read_text(encoding="utf-8"))
    document["lens"] = ["shop.lens.toml"]
    (job / "job.toml").write_text(tomlkit.dumps(document), encoding="utf-8")
    with nothing_written(job):
        words = refused("clip", job, video)
    assert f"no lens profile of this job is for clips of {WIDTH}x{HEIGHT} px by 'clip'" in words
    assert "--lens --frames 20" in words
