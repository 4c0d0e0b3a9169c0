"""A webcam that holds still: focus and exposure fixed as far as its driver lets us, and what it answered."""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.errors import MeasurementError

Frame = NDArray[np.uint8]

WARM_UP_S = 1.5
"""Time for automatic exposure and focus to settle before they are fixed."""
LOST_AFTER = 10
"""Failed reads in a row after which a camera counts as gone."""
BRIGHTNESS_STEP = 0.25
"""Relative change of brightness at which fixing the exposure is undone: the driver then had told a wrong value."""


class CaptureError(MeasurementError):
    """The camera is not there, refuses the wanted size, or stopped delivering pictures."""


class Device(Protocol):
    """What is used of `cv2.VideoCapture`."""

    def isOpened(self) -> bool: ...  # noqa: N802
    def read(self) -> tuple[bool, Frame | None]: ...
    def get(self, prop: int, /) -> float: ...
    def set(self, prop: int, value: float, /) -> bool: ...
    def getBackendName(self) -> str: ...  # noqa: N802
    def release(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Mode:
    """How a camera delivers its frames, as its driver reports it.

    `focus` and `exposure` are in the driver's own units, NaN when it does not tell. `focus_state` and `exposure_state` are
    "locked", "auto" (the driver did not let us) or "not known".
    """

    width_px: int
    height_px: int
    fps: float
    format: str
    focus: float
    focus_state: str
    exposure: float
    exposure_state: str

    def __str__(self) -> str:
        parts = [f"{self.width_px}x{self.height_px}"]
        parts += [f"{self.fps:g} fps"] if self.fps > 0 else []
        parts += [self.format] if self.format else []
        focus = "" if math.isnan(self.focus) else f" {self.focus:g}"
        exposure = "" if math.isnan(self.exposure) else f" {self.exposure:g}"
        return ", ".join([" ".join(parts), f"focus {self.focus_state}{focus}", f"exposure {self.exposure_state}{exposure}"])


class Camera(Protocol):
    """Anything that delivers frames; the tests bring their own."""

    @property
    def device(self) -> str: ...
    @property
    def mode(self) -> Mode: ...
    def read(self) -> Frame: ...
    def close(self) -> None: ...


class Webcam:
    """A camera behind `cv2.VideoCapture`, opened by `open_webcam`."""

    def __init__(self, capture: Device, device: str, mode: Mode) -> None:
        self._capture, self.device, self.mode = capture, device, mode

    def read(self) -> Frame:
        """The next frame, BGR, shape (h, w, 3).

        Raises
        ------
        CaptureError
            The camera stopped delivering, or changed its picture size.
        """
        frame = _read(self._capture, self.device)
        if frame.shape[:2] != (self.mode.height_px, self.mode.width_px):
            raise CaptureError(
                f"{self.device} changed its picture size to {frame.shape[1]}x{frame.shape[0]}",
                hint="close other programs that use the camera and start again",
            )
        return frame

    def close(self) -> None:
        self._capture.release()


def open_webcam(
    camera: str,
    width_px: int,
    height_px: int,
    *,
    name: str = "",
    focus: float | None = None,
    exposure: float | None = None,
    opener: Callable[[int | str, int], Device] | None = None,
    sleep: Callable[[float], None] = time.sleep,
) -> Webcam:
    """Open a webcam, let it settle, then fix focus and exposure where the driver allows.

    Parameters
    ----------
    camera : str
        Number of the camera (0 is the first), a device path or a stream address.
    name : str
        What pictures and lens profile call the camera; by default what the system calls it.
    focus, exposure : float, optional
        Values in the driver's own units; by default the ones it has settled at.
    opener : callable, optional
        Called with the camera and OpenCV's backend; `cv2.VideoCapture` by default.

    Raises
    ------
    CaptureError
        No such camera, no picture, or another size than asked for.
    """
    source: int | str = int(camera) if camera.isdecimal() else camera
    capture = _opened(source, opener or _video_capture)
    device = name or _system_name(source, capture)
    try:
        capture.set(cv2.CAP_PROP_FRAME_WIDTH, width_px)
        capture.set(cv2.CAP_PROP_FRAME_HEIGHT, height_px)
        frame = _read(capture, device)
        if frame.shape[:2] != (height_px, width_px):
            got = f"{frame.shape[1]}x{frame.shape[0]}"
            raise CaptureError(
                f"{device} delivers {got}, not {width_px}x{height_px}", hint=f"ask for its own size: --size {got}"
            )
        _settle(capture, device, sleep)
        focus_state = _fix_focus(capture, focus)
        exposure_state = _fix_exposure(capture, device, exposure, sleep)
        mode = Mode(
            width_px,
            height_px,
            max(0.0, float(capture.get(cv2.CAP_PROP_FPS))),
            _format_name(capture.get(cv2.CAP_PROP_FOURCC)),
            _told(capture.get(cv2.CAP_PROP_FOCUS)),
            focus_state,
            _told(capture.get(cv2.CAP_PROP_EXPOSURE)),
            exposure_state,
        )
    except BaseException:
        capture.release()
        raise
    return Webcam(capture, device, mode)


def _video_capture(source: int | str, backend: int) -> Device:
    return cv2.VideoCapture(source, backend)  # type: ignore[return-value]


def _opened(source: int | str, opener: Callable[[int | str, int], Device]) -> Device:
    """The system's own backend first: it is the one that can fix focus and exposure."""
    own = {"linux": cv2.CAP_V4L2, "win32": cv2.CAP_DSHOW, "darwin": cv2.CAP_AVFOUNDATION}.get(sys.platform, cv2.CAP_ANY)
    stream = isinstance(source, str) and "://" in source
    for backend in dict.fromkeys((cv2.CAP_ANY,) if stream else (own, cv2.CAP_ANY)):
        capture = opener(source, backend)
        if capture.isOpened():
            return capture
        capture.release()
    raise CaptureError(
        f"there is no camera {source}",
        hint="plug it in, close other programs that use it, allow camera access in the system settings; "
        "with several cameras try --camera 1",
    )


def _read(capture: Device, device: str) -> Frame:
    for _ in range(LOST_AFTER):
        delivered, frame = capture.read()
        if delivered and frame is not None and frame.size:
            return frame
    raise CaptureError(
        f"{device} delivers no picture",
        hint="check cable and plug, close other programs that use the camera; pictures taken so far are kept",
    )


def _settle(capture: Device, device: str, sleep: Callable[[float], None]) -> float:
    """Let automatic exposure and focus work on fresh frames; mean brightness of the last one, grey levels."""
    frame = _read(capture, device)
    for _ in range(15):
        sleep(WARM_UP_S / 15)
        frame = _read(capture, device)
    return float(frame.mean())


def _fix_focus(capture: Device, focus: float | None) -> str:
    """Autofocus off; "locked" only when the driver says so itself."""
    had = _told(capture.get(cv2.CAP_PROP_FOCUS))
    accepted = capture.set(cv2.CAP_PROP_AUTOFOCUS, 0)
    wanted = had if focus is None else focus
    if not math.isnan(wanted):
        set_value = capture.set(cv2.CAP_PROP_FOCUS, wanted)
        accepted = accepted and (set_value or focus is None)
    if accepted and capture.get(cv2.CAP_PROP_AUTOFOCUS) == 0:
        return "locked"
    return "auto" if capture.get(cv2.CAP_PROP_AUTOFOCUS) > 0 else "not known"


def _fix_exposure(capture: Device, device: str, exposure: float | None, sleep: Callable[[float], None]) -> str:
    """Automatic exposure off at the settled value; undone when the picture turns dark or bright by it."""
    manual, automatic = (1.0, 3.0) if capture.getBackendName() == "V4L2" else (0.0, 1.0)
    before = _settle(capture, device, sleep)
    value = _told(capture.get(cv2.CAP_PROP_EXPOSURE)) if exposure is None else exposure
    if not capture.set(cv2.CAP_PROP_AUTO_EXPOSURE, manual):
        return "not known" if math.isnan(value) else "auto"
    accepted = not math.isnan(value) and capture.set(cv2.CAP_PROP_EXPOSURE, value)
    after = _settle(capture, device, sleep)
    changed = abs(after - before) > BRIGHTNESS_STEP * max(before, 1.0)
    if exposure is None and (not accepted or changed):
        capture.set(cv2.CAP_PROP_AUTO_EXPOSURE, automatic)
        _settle(capture, device, sleep)
        return "auto"
    return "locked" if accepted else "not known"


def _told(value: float) -> float:
    """A property's value; OpenCV answers 0 or -1 for one the driver does not have."""
    return math.nan if value in (0.0, -1.0) or not math.isfinite(value) else float(value)


def _format_name(fourcc: float) -> str:
    code = int(fourcc) if math.isfinite(fourcc) and fourcc > 0 else 0
    text = code.to_bytes(4, "little", signed=False).decode("ascii", "replace") if code < 2**32 else ""
    return text if text.isalnum() else ""


def _system_name(source: int | str, capture: Device) -> str:
    """What Linux calls the camera; elsewhere its number and the system's interface, since OpenCV does not tell names."""
    number = str(source).removeprefix("/dev/video")
    told = Path("/sys/class/video4linux") / f"video{number}" / "name"
    if number.isdecimal() and told.is_file():
        return told.read_text(encoding="utf-8", errors="replace").strip()
    return f"camera {source} ({capture.getBackendName()})"
