from __future__ import annotations

import math

import cv2
import pytest

from tests.support.fake_camera import SIZE, FakeDevice
from vision.webcam import CaptureError, open_webcam


def opened(device: FakeDevice, **options):
    return open_webcam("7", *SIZE, opener=lambda _source, _backend: device, sleep=lambda _seconds: None, **options)


def test_focus_and_exposure_are_fixed_where_they_have_settled():
    device = FakeDevice()
    camera = opened(device)
    assert (camera.mode.focus_state, camera.mode.focus) == ("locked", 35.0)
    assert (camera.mode.exposure_state, camera.mode.exposure) == ("locked", 156.0)
    assert device.properties[cv2.CAP_PROP_AUTOFOCUS] == 0.0
    assert device.properties[cv2.CAP_PROP_AUTO_EXPOSURE] == 1.0
    assert str(camera.mode) == "640x480 30 fps YUYV, focus locked 35, exposure locked 156"
    assert camera.device == "camera 7 (V4L2)"
    assert camera.read().shape == (480, 640, 3)


def test_values_asked_for_are_set():
    device = FakeDevice()
    camera = opened(device, focus=20.0, exposure=80.0, name="my webcam")
    assert (camera.mode.focus, camera.mode.exposure) == (20.0, 80.0)
    assert camera.device == "my webcam"


def test_a_driver_that_refuses_is_reported_not_believed():
    keeps_autofocus = opened(FakeDevice(refuses={cv2.CAP_PROP_AUTOFOCUS}))
    assert keeps_autofocus.mode.focus_state == "auto"
    fixed_lens = opened(
        FakeDevice(properties={cv2.CAP_PROP_AUTOFOCUS: -1.0, cv2.CAP_PROP_FOCUS: -1.0}, refuses={cv2.CAP_PROP_AUTOFOCUS})
    )
    assert fixed_lens.mode.focus_state == "not known"
    assert math.isnan(fixed_lens.mode.focus)
    keeps_exposure = opened(FakeDevice(refuses={cv2.CAP_PROP_AUTO_EXPOSURE}))
    assert keeps_exposure.mode.exposure_state == "auto"


@pytest.mark.parametrize("factor", [0.3, 2.0])
def test_fixing_the_exposure_is_undone_when_the_picture_turns_dark_or_bright(factor):
    device = FakeDevice(brightness_when_fixed=factor)
    camera = opened(device)
    assert camera.mode.exposure_state == "auto"
    assert device.properties[cv2.CAP_PROP_AUTO_EXPOSURE] == 3.0
    wanted = opened(FakeDevice(brightness_when_fixed=factor), exposure=80.0)
    assert wanted.mode.exposure_state == "locked"


def test_no_camera_is_said_with_what_to_do():
    tried = []

    def opener(_source, backend):
        tried.append(FakeDevice(opens=False))
        assert backend in (cv2.CAP_ANY, cv2.CAP_V4L2, cv2.CAP_DSHOW, cv2.CAP_AVFOUNDATION)
        return tried[-1]

    with pytest.raises(CaptureError, match="there is no camera 3") as caught:
        open_webcam("3", *SIZE, opener=opener, sleep=lambda _seconds: None)
    assert "plug it in" in caught.value.hint
    assert all(device.released for device in tried)


def test_another_size_and_a_dead_camera_are_refused_and_released():
    small = FakeDevice(size=(320, 240))
    with pytest.raises(CaptureError, match="delivers 320x240, not 640x480") as caught:
        opened(small)
    assert "--size 320x240" in caught.value.hint
    assert small.released
    dead = FakeDevice(delivers=False)
    with pytest.raises(CaptureError, match=r"camera 7 \(V4L2\) delivers no picture"):
        opened(dead)
    assert dead.released


def test_a_camera_pulled_out_or_switched_to_another_size_stops_the_session():
    device = FakeDevice()
    camera = opened(device)
    device.size = (320, 240)
    with pytest.raises(CaptureError, match="changed its picture size to 320x240"):
        camera.read()
    device.delivers = False
    with pytest.raises(CaptureError, match="delivers no picture"):
        camera.read()
    camera.close()
    assert device.released
