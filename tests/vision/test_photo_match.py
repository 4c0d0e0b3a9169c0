"""A photo gets the lens profile that belongs to it, or is refused with the reason."""

from __future__ import annotations

import numpy as np
import pytest

from vision.camera import Camera, LensProfile
from vision.errors import LensError, PhotoError
from vision.photo_match import match_lens
from vision.photos import Photo, PhotoMeta


def profile(name: str = "phone", size: tuple[int, int] = (400, 300), **kind: object) -> LensProfile:
    camera = Camera(*size, 320.0, 320.0, 199.5, 149.5)
    known: dict[str, object] = {"make": "Nonesuch", "model": "N-1", "focal_length_mm": 4.25} | kind
    return LensProfile(name, camera, np.zeros((12, 12)), **known)  # type: ignore[arg-type]


def photo(size: tuple[int, int] = (400, 300), **meta: object) -> Photo:
    known: dict[str, object] = {"make": "NONESUCH", "model": "N-1", "focal_length_mm": 4.25} | meta
    return Photo("p.jpg", np.zeros(size[::-1], dtype=np.uint8), PhotoMeta(**known))  # type: ignore[arg-type]


NO_EXIF = {"make": "", "model": "", "focal_length_mm": 0.0}


def test_the_profile_of_the_same_camera_fits():
    assert match_lens(photo(), [profile("other", model="N-2"), profile()]).name == "phone"


def test_the_profile_that_says_more_wins():
    plain = profile("plain", make="", model="", focal_length_mm=0.0)
    assert match_lens(photo(), [plain, profile()]).name == "phone"


@pytest.mark.parametrize(
    ("shown", "words", "advice"),
    [
        (photo((300, 400)), "width and height are exchanged", "original"),
        (photo((800, 600)), "other size", "resolution"),
        (photo((200, 150), exif_size_px=(400, 300)), "recompressed by a messenger", "original file"),
        (photo((200, 150), **NO_EXIF), "recompressed by a messenger", "original file"),
        (photo(**NO_EXIF), "does not say which camera", "original file"),
        (photo(model="N-2"), r"other camera \(NONESUCH N-2", "calibrate this camera"),
        (photo(focal_length_mm=8.5), "other focal length", "1x lens"),
        (photo(digital_zoom=2.0), "digital zoom", "1x"),
        (photo(device="camera 0", **NO_EXIF), "capture device", "camera of the profile"),
    ],
)
def test_a_photo_that_fits_no_profile_is_refused_with_the_reason(shown, words, advice):
    with pytest.raises(PhotoError, match=words) as caught:
        match_lens(shown, [profile()])
    assert "p.jpg" in caught.value.what
    assert advice in caught.value.hint


def test_webcam_pictures_go_by_the_device():
    webcam = profile("webcam", device="camera 0", **NO_EXIF)
    assert match_lens(photo(device="camera 0", **NO_EXIF), [webcam]).name == "webcam"
    with pytest.raises(PhotoError, match="other capture device"):
        match_lens(photo(device="camera 1", **NO_EXIF), [webcam])


def test_no_profile_and_two_equal_profiles_are_refused():
    with pytest.raises(LensError, match="no lens profile"):
        match_lens(photo(), [])
    with pytest.raises(LensError, match="one, two fit equally well"):
        match_lens(photo(), [profile("one"), profile("two")])
