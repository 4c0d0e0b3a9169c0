"""A job folder with blank photos whose boards are known without looking: sightings lie there as a first look keeps them.

So the real commands run on a whole bay in seconds: they read every picture, match its lens, and take up the kept sightings.
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image

from cli.kept_survey import keep_survey
from cli.stations import Desk, Overrides, Sighted, open_desk
from synthetic_images.imaging import exif_of
from synthetic_images.true_camera import TrueCamera
from tests.support.simulated import Scene, Simulated, simulate, surveyed
from vision.detect import DEFAULTS
from vision.gather import SeenPhoto
from vision.kept import first_look_key, first_look_text, kept_at, photo_file
from vision.sightings import PhotoSightings


def photo_job(folder: Path, seed: int, of: Scene) -> Simulated:
    """A job with the demo's photos of this scene, blank, and what `simulate` saw in them."""
    sim = simulate(folder, seed, of=of)
    put_photos(sim, folder, sim.seen)
    return sim


def put_photos(
    sim: Simulated, folder: Path, seen: Mapping[str, PhotoSightings], *, below: str = "photos", held: tuple[str, ...] = ()
) -> None:
    """Blank photos `<epoch>/<name>.jpg` in the job's folder (or a copy of it), each with its sightings.

    `held` boards are looked for besides the job's.
    """
    put_looked(replace(open_desk(folder, Overrides()), held=held), sim.demo.camera, folder / below, seen)


def put_looked(desk: Desk, camera: TrueCamera, folder: Path, seen: Mapping[str, PhotoSightings]) -> None:
    """Blank photos in the folder, each with its sightings as a look at this desk finds them."""
    for photo, sightings in seen.items():
        path = folder / photo
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(blank_jpeg(camera, mark=photo))
        _keep(desk, path, sightings)


def every_board(sim: Simulated) -> tuple[str, ...]:
    """Boards a check looks for when it says what stands there instead of the right target: `held` of a second `put_photos`."""
    return tuple(board.name for board in sim.desk.boards if board.is_charuco)


def four_photos(sim: Simulated, folder: Path) -> Path:
    """Four usable photos of epoch rest; the folder they lie in."""
    put_photos(sim, folder, {f"rest/{i:02d}.jpg": sim.seen[f"rest/{i:02d}.jpg"] for i in (1, 2, 3, 4)})
    return folder / "photos" / "rest"


def _keep(desk: Desk, path: Path, seen: PhotoSightings) -> None:
    profiles = [desk.profiles[lens] for lens in desk.job.lens]
    wanted = {board.name for board in desk.in_use}
    seen = replace(seen, found=tuple(s for s in seen.found if s.board in wanted))
    key = first_look_key(photo_file(path), desk.in_use, profiles, DEFAULTS)
    file = kept_at(desk.job.results_folder / "sightings", key)
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(first_look_text(seen, profiles[0].name), encoding="utf-8")


def blank_jpeg(camera: TrueCamera, *, mark: str = "", size_px: tuple[int, int] | None = None) -> bytes:
    """A dark picture as this camera writes it, with `mark` in its comment so that no two are the same."""
    width, height = size_px or (camera.width_px, camera.height_px)
    picture = Image.fromarray(np.full((height, width), 12, dtype=np.uint8))
    buffer = io.BytesIO()
    picture.save(buffer, "JPEG", quality=60, exif=exif_of(camera), comment=mark.encode())
    return buffer.getvalue()


def kept_survey(sim: Simulated) -> None:
    """Adjust the simulated survey and keep it in the job as `bayfix survey` does, without any photo."""
    keep_survey(sim.desk, Sighted(seen_photos(sim), survey_photos(sim), surveyed(sim)))


def seen_photos(sim: Simulated) -> tuple[SeenPhoto, ...]:
    """The survey's photos as a look at them would give them."""
    folder = sim.desk.job.photos_folder
    digest = {photo: hashlib.sha256(repr(seen).encode()).hexdigest() for photo, seen in sim.seen.items()}
    return tuple(
        SeenPhoto(folder / photo, next(iter(sim.desk.lenses)), digest[photo], sim.seen[photo]) for photo in survey_photos(sim)
    )


def survey_photos(sim: Simulated) -> dict[str, str]:
    """Epoch of every photo of the survey."""
    return {view.photo: epoch for epoch in sim.survey_epochs for view in sim.views[epoch]}
