"""What happens to a job's picture files: copied, saved again, mirrored, or taken while the camera moved."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from pathlib import Path

import cv2
import numpy as np
from PIL import Image


def copied(photos: Path, one: str, other: str) -> None:
    shutil.copy(photos / one, photos / other)


def saved_again(photos: Path, one: str, other: str) -> None:
    """The picture opened and saved by an editor that keeps what the file says of its making."""
    with Image.open(photos / one) as picture:
        picture.save(photos / other, quality=88, exif=picture.getexif())


def drifted(photos: Path, drift_px: Mapping[str, tuple[float, float]]) -> None:
    """Photos whose rows were read while the camera moved: every row shifted along x and y, px over 1000 rows."""
    for name, (dx, dy) in drift_px.items():
        with Image.open(photos / name) as picture:
            exif, pixels = picture.getexif(), np.asarray(picture)
        rows, columns = np.meshgrid(*(np.arange(size, dtype=np.float32) for size in pixels.shape[:2]), indexing="ij")
        share = (rows - pixels.shape[0] / 2) / 1000.0
        moved = cv2.remap(pixels, columns - dx * share, rows - dy * share, cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)
        Image.fromarray(moved).save(photos / name, quality=95, exif=exif)


def drifts_of_a_hand(photos: Path) -> dict[str, tuple[float, float]]:
    """Each photo by its own 1 px over 1000 rows: 0.7° a second with rows read in 1/60 s at a focal length of 1400 px."""
    rng = np.random.default_rng(5)
    names = sorted(path.relative_to(photos).as_posix() for path in photos.glob("*/*.jpg") if path.parent.name != "lens")
    return {name: (float(x), float(y)) for name, (x, y) in zip(names, rng.normal(0.0, 1.0, (len(names), 2)), strict=True)}


def flipped(photos: Path, one: str) -> None:
    with Image.open(photos / one) as picture:
        mirrored, exif = picture.transpose(Image.Transpose.FLIP_LEFT_RIGHT), picture.getexif()
    mirrored.save(photos / one, quality=94, exif=exif)
