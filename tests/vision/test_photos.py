"""Reading photos: what is unusable is refused by name and reason, pixels stay unturned, EXIF is read."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import ExifTags, Image

from vision.errors import FileError, PhotoError
from vision.photos import list_photos, read_photo, side_file


def picture(width: int = 160, height: int = 96) -> np.ndarray:
    rng = np.random.default_rng(5)
    coarse = rng.integers(0, 255, (height // 8, width // 8, 3), dtype=np.uint8)
    return cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC)


def save_jpeg(path: Path, image: np.ndarray, **tags: object) -> Path:
    exif = Image.Exif()
    details = exif.get_ifd(ExifTags.IFD.Exif)
    for name, value in tags.items():
        if hasattr(ExifTags.Base, name) and name in ("Make", "Model", "Orientation", "Software"):
            exif[getattr(ExifTags.Base, name)] = value
        else:
            details[getattr(ExifTags.Base, name)] = value
    Image.fromarray(image[..., ::-1]).save(path, exif=exif, quality=92)
    return path


def test_exif_of_the_camera_is_read(tmp_path):
    path = save_jpeg(
        tmp_path / "a.jpg", picture(), Make="Nonesuch", Model="N-1 ", FocalLength=4.25, ExifImageWidth=160, ExifImageHeight=96
    )
    photo = read_photo(path)
    assert (photo.name, photo.width_px, photo.height_px) == ("a.jpg", 160, 96)
    assert (photo.meta.make, photo.meta.model, photo.meta.focal_length_mm) == ("Nonesuch", "N-1", 4.25)
    assert not photo.resized


def test_pixels_stay_as_the_sensor_delivered_them(tmp_path):
    upright = read_photo(save_jpeg(tmp_path / "a.jpg", picture()))
    turned = read_photo(save_jpeg(tmp_path / "b.jpg", picture(), Orientation=6))
    assert turned.meta.orientation == 6
    assert np.array_equal(upright.gray, turned.gray)


def test_a_photo_of_other_size_than_the_camera_wrote_is_known_as_resized(tmp_path):
    path = save_jpeg(tmp_path / "a.jpg", picture(), Make="N", ExifImageWidth=4000, ExifImageHeight=2400)
    assert read_photo(path).resized


def test_photos_are_listed_in_natural_order_without_side_files(tmp_path):
    for name in ("IMG_10.JPG", "IMG_9.jpg", "b.png", ".hidden.jpg", "b.png.toml", "notes.json"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "sub.jpg").mkdir()
    assert [path.name for path in list_photos(tmp_path)] == ["b.png", "IMG_9.jpg", "IMG_10.JPG"]


def test_missing_and_empty_folders_are_refused(tmp_path):
    with pytest.raises(PhotoError, match="no such folder"):
        list_photos(tmp_path / "nowhere")
    with pytest.raises(PhotoError, match="no photo in this folder"):
        list_photos(tmp_path)
    (tmp_path / "a.jpg").write_bytes(b"x")
    with pytest.raises(PhotoError, match="is a file"):
        list_photos(tmp_path / "a.jpg")


def test_heic_is_refused_with_the_way_out(tmp_path):
    (tmp_path / "IMG_1.HEIC").write_bytes(b"\0\0\0\x18ftypheic\0\0\0\0")
    with pytest.raises(PhotoError, match="HEIC") as caught:
        list_photos(tmp_path)
    assert "Most Compatible" in caught.value.hint
    renamed = tmp_path / "IMG_1.jpg"
    renamed.write_bytes(b"\0\0\0\x18ftypheic\0\0\0\0")
    with pytest.raises(PhotoError, match="HEIC"):
        read_photo(renamed)


def test_unreadable_files_are_named(tmp_path):
    with pytest.raises(PhotoError, match=r"gone\.jpg: no such photo"):
        read_photo(tmp_path / "gone.jpg")
    (tmp_path / "empty.jpg").write_bytes(b"")
    with pytest.raises(PhotoError, match=r"empty\.jpg: the file is empty"):
        read_photo(tmp_path / "empty.jpg")
    (tmp_path / "text.jpg").write_text("not a picture")
    with pytest.raises(PhotoError, match=r"text\.jpg: not an image"):
        read_photo(tmp_path / "text.jpg")


@pytest.mark.parametrize("share", [0.3, 0.8, 0.99])
def test_a_cut_short_jpeg_is_refused(tmp_path, share):
    data = save_jpeg(tmp_path / "a.jpg", picture()).read_bytes()
    cut = tmp_path / "cut.jpg"
    cut.write_bytes(data[: int(len(data) * share)])
    with pytest.raises(PhotoError, match="cut short"):
        read_photo(cut)


def test_a_jpeg_with_missing_data_but_an_end_marker_is_refused(tmp_path):
    data = save_jpeg(tmp_path / "a.jpg", picture(320, 240)).read_bytes()
    cut = tmp_path / "cut.jpg"
    cut.write_bytes(data[: int(len(data) * 0.6)] + b"\xff\xd9")
    with pytest.raises(PhotoError, match="cut short"):
        read_photo(cut)


def test_bytes_after_the_end_marker_and_a_thumbnail_do_no_harm(tmp_path):
    path = save_jpeg(tmp_path / "a.jpg", picture())
    path.write_bytes(path.read_bytes() + b"maker's trailer \xff\xd8 \xff")
    assert read_photo(path).width_px == 160


def test_a_cut_short_png_is_refused(tmp_path):
    path = tmp_path / "a.png"
    cv2.imwrite(str(path), picture())
    path.write_bytes(path.read_bytes()[:-40])
    with pytest.raises(PhotoError, match="cut short"):
        read_photo(path)


def test_the_side_file_of_a_webcam_picture_is_read(tmp_path):
    path = tmp_path / "001.png"
    cv2.imwrite(str(path), picture())
    side_file(path).write_text('schema = "capture/1"\ndevice = "camera 0"\nmode = "1920x1080 MJPG"\n', encoding="utf-8")
    meta = read_photo(path).meta
    assert (meta.device, meta.mode) == ("camera 0", "1920x1080 MJPG")
    side_file(path).write_text('schema = "capture/9"\n', encoding="utf-8")
    with pytest.raises(FileError, match="capture/9"):
        read_photo(path)
