"""A job folder with blank photos whose boards are known without looking: sightings lie there as a first look keeps them.

So the real commands run on a whole bay in seconds: they read every picture, match its lens, and take up the kept sightings.
"""

from __future__ import annotations

import hashlib
import io
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image

from cli.stations import Overrides, open_desk
from synthetic_images.imaging import exif_of
from synthetic_images.true_camera import TrueCamera
from tests.support.simulated import Scene, Simulated, simulate
from vision.gather import kept_at
from vision.sightings import PhotoSightings
from vision.sightings_io import to_document


def photo_job(folder: Path, seed: int, of: Scene) -> Simulated:
    """A job with the demo's photos of this scene, blank, and what `simulate` saw in them."""
    sim = simulate(folder, seed, of=of)
    for photo, seen in sim.seen.items():
        put_photo(folder, photo, seen, of.demo.camera)
    return sim


def put_photo(folder: Path, photo: str, seen: PhotoSightings, camera: TrueCamera) -> Path:
    """A blank photo `<epoch>/<name>.jpg`, its content its own, and its sightings."""
    path = folder / "photos" / photo
    path.parent.mkdir(parents=True, exist_ok=True)
    data = blank_jpeg(camera, mark=photo)
    path.write_bytes(data)
    keep(folder, data, replace(seen, photo=photo))
    return path


def keep(folder: Path, data: bytes, seen: PhotoSightings) -> None:
    """Sightings of a photo with this content as the job's cache holds them."""
    desk = open_desk(folder, Overrides())
    camera = next(iter(desk.lenses.values())).camera
    wanted = {board.name for board in desk.in_use}
    seen = replace(seen, found=tuple(s for s in seen.found if s.board in wanted))
    file = kept_at(desk.job.results_folder / "sightings", hashlib.sha256(data).hexdigest(), desk.in_use, camera)
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(json.dumps(to_document(seen)), encoding="utf-8")


def blank_jpeg(camera: TrueCamera, *, mark: str = "", size_px: tuple[int, int] | None = None) -> bytes:
    """A dark picture as this camera writes it, with `mark` in its comment so that no two are the same."""
    width, height = size_px or (camera.width_px, camera.height_px)
    picture = Image.fromarray(np.full((height, width), 12, dtype=np.uint8))
    buffer = io.BytesIO()
    picture.save(buffer, "JPEG", quality=60, exif=exif_of(camera), comment=mark.encode())
    return buffer.getvalue()
