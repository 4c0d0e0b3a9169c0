"""What the person sees while pictures are taken: a window with the live picture, or a countdown in the terminal."""

from __future__ import annotations

import math
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Literal, Protocol

from cli.base import talk

if TYPE_CHECKING:
    from vision.webcam import Frame

Wish = Literal["take", "stop", ""]
TAKE_KEYS = {ord(" "), 10, 13}
STOP_KEYS = {ord("q"), ord("Q"), 27}
SHOWN_WIDTH_PX = 1280


class Viewfinder(Protocol):
    """Shows a frame with its words and says what the person wishes."""

    has_keys: bool

    def show(self, frame: Frame, taken: int, left_s: float, message: str) -> Wish: ...


@contextmanager
def open_viewfinder(title: str, window_wanted: bool) -> Iterator[Viewfinder]:
    """A window where there is a display and OpenCV can open one, else the countdown."""
    if not (window_wanted and has_display()):
        yield Countdown()
        return
    # OpenCV's Qt looks for fonts it does not bring and says so in every window; must be set before the first one.
    os.environ.setdefault("QT_LOGGING_RULES", "*.warning=false")
    import cv2

    try:
        cv2.namedWindow(title, cv2.WINDOW_AUTOSIZE | cv2.WINDOW_GUI_NORMAL)
    except cv2.error:
        talk("no window can be opened here: counting down in the terminal instead")
        yield Countdown()
        return
    try:
        yield Window(title)
    finally:
        cv2.destroyWindow(title)


def has_display() -> bool:
    if sys.platform in ("win32", "darwin"):
        return "SSH_CONNECTION" not in os.environ
    return bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))


class Window:
    """The live picture, scaled down, with large letters; keys and mouse clicks are read from it."""

    has_keys = True

    def __init__(self, title: str) -> None:
        import cv2

        self._title, self._clicked = title, False
        cv2.setMouseCallback(title, self._mouse)

    def _mouse(self, event: int, *_: object) -> None:
        import cv2

        self._clicked = self._clicked or event == cv2.EVENT_LBUTTONDOWN

    def show(self, frame: Frame, taken: int, left_s: float, message: str) -> Wish:
        import cv2

        scale = min(1.0, SHOWN_WIDTH_PX / frame.shape[1])
        view = cv2.resize(frame, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        countdown = f"   next in {math.ceil(left_s)} s" if left_s > 0 else ""
        lines = [f"{taken} taken{countdown}", message.strip("\a")]
        lines = [line for line in lines if line]
        cv2.rectangle(view, (0, 0), (view.shape[1], 28 + 45 * len(lines)), (50, 50, 50), cv2.FILLED)
        for i, line in enumerate(lines):
            size = 1.1 if i == 0 else 0.8
            cv2.putText(view, _ascii(line), (20, 50 + 45 * i), cv2.FONT_HERSHEY_SIMPLEX, size, (255, 255, 255), 2, cv2.LINE_AA)
        cv2.imshow(self._title, view)
        key = cv2.waitKey(1) & 0xFF
        clicked, self._clicked = self._clicked, False
        if key in STOP_KEYS or cv2.getWindowProperty(self._title, cv2.WND_PROP_VISIBLE) < 1:
            return "stop"
        return "take" if clicked or key in TAKE_KEYS else ""


class Countdown:
    """Whole seconds to the next picture, on stderr; there are no keys."""

    has_keys = False

    def __init__(self) -> None:
        self._said = -1

    def show(self, frame: Frame, taken: int, left_s: float, message: str) -> Wish:  # noqa: ARG002
        seconds = max(0, math.ceil(left_s))
        if seconds != self._said and seconds > 0:
            talk(f"{seconds} ...")
        self._said = seconds
        return ""


def _ascii(text: str) -> str:
    # OpenCV's letters know ASCII only.
    return text.encode("ascii", "replace").decode("ascii")
