"""Sharp frames out of a video clip, evenly over what moved in it; each is written as a picture of its own.

What moved is the sum of the picture's changes, seen coarsely: a clip that stands still for a while gives no
frames there. The sharpest frame of each equal part of it is taken, if it is sharp enough to read boards. A rolling shutter
shears what moves fast: such a frame is blurred along the motion too and falls out by that; what is left of it the finding of
boards judges (`smear.py`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import tomlkit
from numpy.typing import NDArray

from vision.capture import why_not
from vision.errors import FileError, MeasurementError
from vision.frames import Array
from vision.photos import CAPTURE_SCHEMA, side_file
from vision.sharpness import gray_of, sharpness
from vision.toml_io import write_whole

COARSE_PX = 40
"""Width of the picture in which changes are summed: noise and compression are averaged out."""
STEP_LEVELS = 1.0
"""Mean change, grey levels, that is no noise: so much must have come together since the last step, however slowly."""
LEAST_MOVES = 3.0
"""Sum of changes, grey levels, of a clip in which something moves."""
LOOKED_AT = 5
"""Frames of each part, those with most detail, whose sharpness is measured."""
LEAST_PARTS, MOST_PARTS = 3, 40


@dataclass(frozen=True, slots=True, eq=False)
class Clip:
    """A video file: size, frames a second, the sum of what moved up to each frame (grey levels), and each frame's detail.

    `detail` is the variance of the Laplacian: of frames of one scene the larger is the sharper.
    """

    path: Path
    width_px: int
    height_px: int
    fps: float
    moved: Array
    detail: Array


@dataclass(frozen=True, slots=True, eq=False)
class ChosenFrame:
    """A frame to keep: its number in the clip, its blur (σ, px), its pixels."""

    number: int
    blur_px: float
    pixels: NDArray[np.uint8]


def read_clip(path: Path) -> Clip:
    """Look through a video file once.

    Raises
    ------
    FileError
        No such file, or one that cannot be read as a video.
    MeasurementError
        Nothing moves in it.
    """
    if not path.is_file():
        raise FileError(f"{path}: no such file", hint="check the name given on the command line")
    moved, detail, before, shape = [], [], None, (0, 0)
    for frame in _frames(path):
        gray = gray_of(frame)
        shape = (gray.shape[1], gray.shape[0])
        size = (COARSE_PX, max(1, COARSE_PX * shape[1] // shape[0]))
        picture = cv2.resize(gray.astype(np.float32), size, interpolation=cv2.INTER_AREA)
        change = 0.0 if before is None else float(np.abs(picture - before).mean())
        moved.append(change if change > STEP_LEVELS else 0.0)
        detail.append(float(cv2.Laplacian(gray, cv2.CV_32F).var()))
        if before is None or moved[-1]:
            before = picture
    if not moved:
        raise FileError(
            f"{path}: cannot be read as a video", hint="use a clip as the camera wrote it (MP4, MOV or AVI), not an album link"
        )
    total = np.cumsum(moved)
    if total[-1] < LEAST_MOVES:
        raise MeasurementError(
            f"{path}: nothing moves in this clip of {len(moved)} frames", hint="film while the car is rolled slowly"
        )
    return Clip(path, *shape, _fps(path), np.asarray(total, dtype=float), np.array(detail))


def choose(clip: Clip, parts: int) -> tuple[list[ChosenFrame], list[str]]:
    """The sharpest frame of each part of the motion, and why a part gave none.

    Raises
    ------
    MeasurementError
        Fewer than three parts gave a frame.
    """
    edges = np.linspace(0.0, clip.moved[-1], parts + 1)
    wanted: dict[int, int] = {}
    for part in range(parts):
        inside = np.flatnonzero((clip.moved >= edges[part]) & (clip.moved <= edges[part + 1]))
        likely = inside[np.argsort(-clip.detail[inside])][:LOOKED_AT]
        wanted |= {int(number): part for number in likely if int(number) not in wanted}
    best: dict[int, ChosenFrame] = {}
    reasons: dict[int, str] = {}
    for number, frame in enumerate(_frames(clip.path)):
        if number not in wanted:
            continue
        part, gray = wanted[number], gray_of(frame)
        measured = sharpness(gray)
        reason = why_not(measured, float(gray.mean()), [])
        if reason:
            reasons[part] = reason
        elif part not in best or measured.blur_px < best[part].blur_px:
            best[part] = ChosenFrame(number, measured.blur_px, frame)
    told = [f"part {part + 1} of {parts}: no frame kept, {reasons[part]}" for part in sorted(reasons) if part not in best]
    if len(best) < LEAST_PARTS:
        said = next(iter(reasons.values()), "too few frames")
        raise MeasurementError(
            f"{clip.path}: {len(best)} frames are sharp enough, at least {LEAST_PARTS} are needed ({said})",
            hint="roll more slowly, give more light or a shorter exposure, and hold the camera still",
        )
    return [best[part] for part in sorted(best)], told


def write_frame(frame: ChosenFrame, clip: Clip, path: Path, device: str) -> None:
    """The frame as PNG, with what took it beside it (`capture/1`).

    Raises
    ------
    FileError
        The folder cannot be written.
    """
    doc = tomlkit.document()
    doc["schema"], doc["device"], doc["mode"] = CAPTURE_SCHEMA, device, f"frame {frame.number} of {clip.path.name}"
    doc["width_px"], doc["height_px"], doc["fps"] = clip.width_px, clip.height_px, round(clip.fps, 3)
    doc["blur_px"] = round(frame.blur_px, 2)
    encoded, data = cv2.imencode(".png", np.ascontiguousarray(frame.pixels))
    try:
        # The side file first: a picture without one would pass for another camera's.
        write_whole(side_file(path), tomlkit.dumps(doc))
        write_whole(path, data.tobytes() if encoded else b"")
    except OSError as err:
        raise FileError(f"{path}: cannot be written: {err.strerror or err}", hint="make room, or see to the folder") from err


def _frames(path: Path) -> Iterator[NDArray[np.uint8]]:
    """The frames as stored: a mark that says how to turn them is not followed, as with photos."""
    video = cv2.VideoCapture(str(path))
    try:
        video.set(cv2.CAP_PROP_ORIENTATION_AUTO, 0)
        while video.isOpened():
            there, frame = video.read()
            if not there:
                return
            yield np.asarray(frame, dtype=np.uint8)
    finally:
        video.release()


def _fps(path: Path) -> float:
    video = cv2.VideoCapture(str(path))
    try:
        return float(video.get(cv2.CAP_PROP_FPS))
    finally:
        video.release()
