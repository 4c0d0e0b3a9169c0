"""A webcam that is not there: frames of a board, and a driver that answers as it is told to."""

from __future__ import annotations

import functools
import math
from collections.abc import Iterable, Iterator
from itertools import chain, repeat

import cv2
import numpy as np

from vision.webcam import CaptureError, Mode

SIZE = (640, 480)


@functools.cache
def _chessboard() -> np.ndarray:
    """Squares of 40 px, turned by 0.1 rad; every pixel is the mean of 4 x 4 samples."""
    width, height = SIZE
    y, x = np.mgrid[0 : 4 * height, 0 : 4 * width].astype(np.float32) / 4.0
    u, v = x * math.cos(0.1) + y * math.sin(0.1), y * math.cos(0.1) - x * math.sin(0.1)
    return cv2.resize(60.0 + 130.0 * ((u // 40 + v // 40) % 2), SIZE, interpolation=cv2.INTER_AREA)


def board_frame(blur_px: float = 0.7, *, shake_px: int = 0, gain: float = 1.0, seed: int = 1) -> np.ndarray:
    """A BGR frame of a turned chessboard with noise, blurred by a Gaussian and, for shake, by a sideways box."""
    picture = _chessboard()
    if blur_px:
        picture = cv2.GaussianBlur(picture, (0, 0), blur_px)
    if shake_px:
        picture = cv2.blur(picture, (shake_px, 1))
    noisy = gain * picture + np.random.default_rng(seed).normal(0.0, 2.0, picture.shape)
    return cv2.cvtColor(np.clip(noisy, 0, 255).astype(np.uint8), cv2.COLOR_GRAY2BGR)


def sharp_mode() -> Mode:
    return Mode(*SIZE, 30.0, "MJPG", 35.0, "locked", math.nan, "auto")


class FakeCamera:
    """Delivers the frames in order, the last one for ever; a None in between is a camera that is gone."""

    def __init__(self, frames: Iterable[np.ndarray | None], device: str = "bench camera") -> None:
        self.device, self.mode, self.closed = device, sharp_mode(), False
        self._frames = self._endless(list(frames))

    @staticmethod
    def _endless(frames: list[np.ndarray | None]) -> Iterator[np.ndarray | None]:
        return chain(frames, repeat(frames[-1]))

    def read(self) -> np.ndarray:
        frame = next(self._frames)
        if frame is None:
            raise CaptureError(f"{self.device} delivers no picture", hint="check cable and plug")
        return frame

    def close(self) -> None:
        self.closed = True


class FakeDevice:
    """The few calls of `cv2.VideoCapture` that are used, with a driver's whims.

    `refuses`: properties that cannot be set. `brightness_when_fixed`: what the picture does when the exposure is fixed.
    """

    def __init__(
        self,
        size: tuple[int, int] = SIZE,
        properties: dict[int, float] | None = None,
        refuses: Iterable[int] = (),
        brightness_when_fixed: float = 1.0,
        opens: bool = True,
        delivers: bool = True,
    ) -> None:
        self.properties = {
            cv2.CAP_PROP_FPS: 30.0,
            cv2.CAP_PROP_FOURCC: float(cv2.VideoWriter.fourcc(*"YUYV")),
            cv2.CAP_PROP_AUTOFOCUS: 1.0,
            cv2.CAP_PROP_FOCUS: 35.0,
            cv2.CAP_PROP_AUTO_EXPOSURE: 3.0,
            cv2.CAP_PROP_EXPOSURE: 156.0,
            **(properties or {}),
        }
        self.size, self.refuses, self.factor = size, set(refuses), brightness_when_fixed
        self.opens, self.delivers, self.released, self.sets = opens, delivers, False, []

    def isOpened(self) -> bool:  # noqa: N802
        return self.opens

    def read(self) -> tuple[bool, np.ndarray | None]:
        if not self.delivers:
            return False, None
        fixed = self.properties[cv2.CAP_PROP_AUTO_EXPOSURE] != 3.0
        level = int(min(255.0, 120.0 * (self.factor if fixed else 1.0)))
        return True, np.full((self.size[1], self.size[0], 3), level, np.uint8)

    def get(self, prop: int) -> float:
        return self.properties.get(prop, 0.0)

    def set(self, prop: int, value: float) -> bool:
        self.sets.append((prop, value))
        if prop in self.refuses or prop not in self.properties:
            return False
        self.properties[prop] = value
        return True

    def getBackendName(self) -> str:  # noqa: N802
        return "V4L2"

    def release(self) -> None:
        self.released = True
