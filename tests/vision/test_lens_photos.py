"""Photos that do not belong together are refused by name; unreadable ones keep their reason."""

from __future__ import annotations

import pytest

from tests.support.lens_world import BOARDS
from vision.errors import LensError, PhotoError
from vision.lens_photos import LensPhoto, look, one_camera, photo_paths
from vision.photos import PhotoMeta
from vision.sightings import PhotoSightings

PHONE = PhotoMeta(make="Maker", model="Model 1", focal_length_mm=4.2)


def shots(*metas, resized=()):
    return [
        LensPhoto(f"{i}.jpg", (PhotoSightings(f"{i}.jpg", 4000, 3000, ()),), meta, resized=i in resized)
        for i, meta in enumerate(metas, start=1)
    ]


def with_(**changes):
    return PhotoMeta(**({"make": "Maker", "model": "Model 1", "focal_length_mm": 4.2} | changes))


def test_photos_of_one_camera_pass_with_what_they_tell():
    assert one_camera(shots(PHONE, with_(focal_length_mm=4.23), PHONE)) == PHONE
    assert one_camera([]) == PhotoMeta()


@pytest.mark.parametrize(
    ("odd", "complaint"),
    [
        (with_(model="Model 2"), r"several cameras: 3.jpg \(Maker Model 2\); the others: Maker Model 1"),
        (PhotoMeta(), r"several cameras: 3.jpg \(camera not stated\)"),
        (with_(device="camera 0", mode="1920x1080"), r"several cameras: 3.jpg \(camera 0 1920x1080\)"),
        (with_(focal_length_mm=6.0), r"several focal lengths: 3.jpg \(6 mm\); the others: 4.2 mm"),
        (with_(focal_length_mm=0.0), r"several focal lengths: 3.jpg \(not stated\)"),
        (with_(digital_zoom=2.0), r"digital zoom: 3.jpg \(2x\)"),
    ],
)
def test_the_odd_photo_is_named(odd, complaint):
    with pytest.raises(LensError, match=complaint):
        one_camera(shots(PHONE, PHONE, odd))


def test_resized_photos_are_refused():
    with pytest.raises(LensError, match="not of the size the camera wrote: 2.jpg"):
        one_camera(shots(PHONE, PHONE, PHONE, resized=(2,)))


def test_files_and_folders_each_photo_once(tmp_path):
    for name in ("b10.png", "b2.png", "a.txt"):
        (tmp_path / name).write_bytes(b"x")
    found = photo_paths([tmp_path / "b10.png", tmp_path])
    assert [path.name for path in found] == ["b10.png", "b2.png"]


def test_empty_and_missing_folders(tmp_path):
    with pytest.raises(PhotoError, match="no photo in this folder"):
        photo_paths([tmp_path])
    with pytest.raises(PhotoError, match="no such folder"):
        photo_paths([tmp_path / "none"])
    with pytest.raises(PhotoError, match="no photos given"):
        photo_paths([])


def test_an_unreadable_photo_keeps_its_reason(tmp_path):
    (tmp_path / "note.jpg").write_text("no picture")
    photo = look([tmp_path / "note.jpg"], BOARDS)[0]
    assert (photo.name, photo.sightings) == ("note.jpg", ())
    assert "not an image" in photo.fault
