"""Pictures from a camera into an epoch's folder: sharp ones only, lossless, each with what took it, nothing overwritten."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import tomlkit

from vision.errors import MeasurementError
from vision.photos import CAPTURE_SCHEMA, side_file
from vision.sharpness import Sharpness, gray_of, sharpness
from vision.toml_io import write_whole
from vision.webcam import Camera, CaptureError, Frame, Mode

LENS, TEACH = "lens", "teach"
STALE_FRAMES = 4
"""Frames a driver may have kept from before the key was pressed."""
BURST = 3
"""Frames looked at for one picture: the sharpest is kept."""
BLUR_LIMIT_PX = 2.0
"""Blur (σ) above which markers of small boards do not read and corners spread: from the recall measured on renders."""
BLUR_STEP = 1.6
"""A picture this much more blurred than the best of its session is refused even below the limit."""
SHAKE_RATIO = 1.5
DARK, BRIGHT = 25.0, 250.0


@dataclass(frozen=True, slots=True)
class Taken:
    """A picture on disk, and its blur (σ), px."""

    path: Path
    blur_px: float


@dataclass(frozen=True, slots=True)
class Retake:
    """A picture that was not kept, and why, in words."""

    reason: str


def epoch_folder(job: Path, epoch: str) -> Path:
    """Where the pictures of an epoch or a touched point belong: `JOB/photos/EPOCH`, or `JOB/lens`, `JOB/teach`.

    Photos of the lens board and of a stylus that is taught stay outside `photos/`: they are of no epoch of the car.

    Raises
    ------
    MeasurementError
        No such job folder, or a name that is no epoch.
    """
    if not job.is_dir():
        raise MeasurementError(f"{job}: no such job folder", hint=f"make one: bayfix job new {job}")
    if epoch in (LENS, TEACH):
        return job / epoch
    if not re.fullmatch(r"(roll|check)-[1-9]\d*|rest|touch-[A-Za-z0-9][A-Za-z0-9_.-]*", epoch):
        raise MeasurementError(
            f"{epoch!r} is no name of an epoch",
            hint="roll-1, roll-2, … while the car is rolled, then rest, then check-1, check-2, …; "
            "touch-NAME for a touched point, teach for the stylus, lens for the lens board",
        )
    return job / "photos" / epoch


def take(camera: Camera, folder: Path, session: Sequence[Taken], *, now: datetime.datetime | None = None) -> Taken | Retake:
    """Take one picture: the sharpest of a few fresh frames, if it is sharp enough.

    Parameters
    ----------
    session : sequence of Taken
        Pictures of this session so far; their best blur is what this camera can do here.
    now : datetime, optional
        Time written beside the picture; the clock's by default.

    Raises
    ------
    CaptureError
        The camera stopped delivering, or the picture cannot be written.
    """
    for _ in range(STALE_FRAMES):
        camera.read()
    frames = [camera.read() for _ in range(BURST)]
    measured = [sharpness(gray_of(frame)) for frame in frames]
    best = min(range(BURST), key=lambda i: measured[i].blur_px if measured[i].judged else math.inf)
    reason = why_not(measured[best], float(gray_of(frames[best]).mean()), [shot.blur_px for shot in session])
    if reason:
        return Retake(reason)
    return Taken(_save(frames[best], folder, camera, measured[best], now), measured[best].blur_px)


def why_not(measured: Sharpness, brightness: float, before_px: Sequence[float]) -> str:
    """Why a picture is not good enough, in words; empty when it is.

    Parameters
    ----------
    brightness : float
        Mean grey level, 0 to 255.
    before_px : sequence of float
        Blur of the pictures kept so far.
    """
    if not measured.judged:
        if brightness < DARK:
            return "too dark: switch on more light, or take the cap off the lens"
        if brightness > BRIGHT:
            return "too bright: everything is white"
        return "nothing sharp in it: no board in view, or far out of focus"
    limit = min(BLUR_LIMIT_PX, max(BLUR_STEP * min(before_px, default=math.inf), 1.0))
    if measured.blur_px <= limit:
        return ""
    how = f"edges {measured.blur_px:.1f} px wide, at most {limit:.1f}"
    if measured.across_px > SHAKE_RATIO * measured.upright_px:
        return f"blurred sideways ({how}): the camera moved, hold it still"
    if measured.upright_px > SHAKE_RATIO * measured.across_px:
        return f"blurred up and down ({how}): the camera moved, hold it still"
    return f"blurred ({how}): out of focus, or the camera moved"


def _save(frame: Frame, folder: Path, camera: Camera, measured: Sharpness, now: datetime.datetime | None) -> Path:
    encoded, data = cv2.imencode(".png", np.ascontiguousarray(frame))
    if not encoded:
        raise CaptureError(f"the picture of {camera.device} cannot be stored as PNG")
    time = (now or datetime.datetime.now().astimezone()).replace(microsecond=0)
    try:
        path = _free_path(folder)
        # The side file first: a picture without one would pass for another camera's.
        write_whole(side_file(path), _side_text(camera.device, camera.mode, measured, time))
        write_whole(path, data.tobytes())
    except OSError as err:
        raise CaptureError(
            f"{folder}: cannot write the picture: {err.strerror or err}", hint="free some space, check access"
        ) from err
    return path


def _free_path(folder: Path) -> Path:
    """The next free name: numbers go on after the highest there, gaps stay gaps."""
    prefix = folder.name
    names = [path.name for path in folder.iterdir()] if folder.is_dir() else []
    used = [int(match[1]) for name in names if (match := re.fullmatch(rf"{re.escape(prefix)}-(\d+)\..+", name))]
    return folder / f"{prefix}-{max(used, default=0) + 1:03d}.png"


def _side_text(device: str, mode: Mode, measured: Sharpness, time: datetime.datetime) -> str:
    doc = tomlkit.document()
    doc["schema"], doc["device"], doc["mode"], doc["time"] = CAPTURE_SCHEMA, device, str(mode), time
    doc["width_px"], doc["height_px"], doc["fps"] = mode.width_px, mode.height_px, mode.fps
    for key, value, state in (("focus", mode.focus, mode.focus_state), ("exposure", mode.exposure, mode.exposure_state)):
        doc[f"{key}_state"] = state
        if not math.isnan(value):
            doc[key] = value
    doc["blur_px"] = round(measured.blur_px, 2)
    return tomlkit.dumps(doc)
