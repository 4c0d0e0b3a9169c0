"""A simulated job in which a stylus was taught and points were touched: truth, and what the photos show, without pictures."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from calib.paper.stylus import Stylus, scale_of, write_stylus
from synthetic_images.bay import Bay
from synthetic_images.corners import BoardCorners, visible_corners
from synthetic_images.rigid import apply
from synthetic_images.shot import Shot
from synthetic_images.touches import TEACH, TrueStylus, teach_shots, touch_epoch, touch_shots, true_stylus, with_stylus
from synthetic_images.true_camera import TrueCamera
from tests.support.photo_job import put_photos
from tests.support.simulated import BEND_SIGMA_MM, Simulated
from vision.boards_io import starter_boards
from vision.sightings import PhotoSightings, Sighting

BOARD = "stylus-1"


@dataclass(frozen=True)
class Place:
    """Where a point is, mm in the bay, and the direction away from what it is on."""

    mm: np.ndarray
    outward: np.ndarray


@dataclass(frozen=True)
class Touched:
    """A bay with a stylus, the true places of its points, and the sightings of its photos by name."""

    bay: Bay
    stylus: TrueStylus
    points: Mapping[str, Place]
    shots: tuple[Shot, ...]
    seen: Mapping[str, PhotoSightings]

    def photos_of(self, folder: str) -> dict[str, PhotoSightings]:
        return {photo: one for photo, one in self.seen.items() if photo.startswith(f"{folder}/")}


def usual_places(bay: Bay) -> dict[str, Place]:
    """The middle of the bumper, and two marks on the floor before the car some 1.2 m apart."""
    x = bay.wheel("front_left").reference_in_car_mm[0] + 850.0
    bumper = apply(bay.bay_from_car_in("rest"), np.array([x, 12.0, 520.0]))
    marks = {"mark-a": _mark(bay, 4150.0, -560.0), "mark-b": _mark(bay, 4210.0, 610.0)}
    return {"bumper": Place(bumper, np.array([1.0, 0.0, 0.3])), **marks}


def _mark(bay: Bay, x: float, y: float) -> Place:
    return Place(np.array([x, y, bay.floor.height_mm(x, y)]), np.array([0.35, 0.0, 1.0]))


def rim_places(bay: Bay, wheel: str, prefix: str, radius_mm: float = 205.0) -> dict[str, Place]:
    """Three places on a rim's outer flange, at the sides and on top; the stylus comes from outboard."""
    pose = bay.bay_from_wheel(wheel, "rest")
    ahead, outboard = bay.bay_from_car_in("rest")[:3, 0], pose[:3, 2]
    up = np.cross(outboard, ahead) if wheel.endswith("right") else np.cross(ahead, outboard)
    out = {}
    for i, angle in enumerate(np.radians([-15.0, 90.0, 195.0])):
        away = np.cos(angle) * ahead + np.sin(angle) * up
        away = away - (away @ outboard) * outboard
        place = pose[:3, 3] + radius_mm * away / np.linalg.norm(away)
        out[f"{prefix}-{i + 1}"] = Place(place, outboard + np.array([0.0, 0.0, 0.4]))
    return out


def dimple(bay: Bay) -> np.ndarray:
    """Between the four floor boards before the car."""
    x, y = 4250.0, 30.0
    return np.array([x, y, bay.floor.height_mm(x, y)])


def touched(
    sim: Simulated,
    seed: int,
    *,
    places: Mapping[str, Place] | None = None,
    noise_px: float = 0.1,
    teach: int = 12,
    touch: int = 6,
    bends: bool = True,
    like: str = "rest",
) -> Touched:
    """The stylus is taught in `teach` photos, every place is touched in `touch`; corners carry normal noise.

    The bay stands meanwhile as in the epoch `like`.
    """
    rng = np.random.default_rng([seed, 91])
    nominal = starter_boards("a4")[BOARD]
    stylus = true_stylus(nominal, rng)
    places = usual_places(sim.demo.bay) if places is None else places
    epochs = [TEACH, *map(touch_epoch, places)]
    bay = with_stylus(sim.demo.bay, nominal, rng, epochs, bend_sigma_mm=BEND_SIGMA_MM if bends else 0.0, like=like)
    camera = sim.demo.camera
    shots = teach_shots(bay, camera, rng, stylus, dimple(bay), teach) if teach else []
    for name, place in places.items():
        shots += touch_shots(bay, camera, rng, stylus, name, place.mm, place.outward, touch)
    return Touched(bay, stylus, places, tuple(shots), photographed(bay, camera, shots, noise_px, rng))


def photographed(
    bay: Bay, camera: TrueCamera, shots: Sequence[Shot], noise_px: float, rng: np.random.Generator
) -> dict[str, PhotoSightings]:
    """What a good detector sees in the shots, by photo name, with normal noise."""
    seen = {}
    for shot in shots:
        found = tuple(_sighting(one, noise_px, rng) for one in visible_corners(bay, camera, shot))
        seen[shot.file_name] = PhotoSightings(shot.file_name, camera.width_px, camera.height_px, found)
    return seen


def put_touches(sim: Simulated, folder: Path, there: Touched) -> None:
    """Blank photos of the touched points below `photos/`, those of the teaching in `teach/`, as a look at them is kept."""
    teach = {photo: one for photo, one in there.seen.items() if photo.startswith(f"{TEACH}/")}
    others = {photo: one for photo, one in there.seen.items() if photo not in teach}
    put_photos(sim, folder, others, held=(BOARD,))
    put_photos(sim, folder, teach, below=".", held=(BOARD,))


def name_true_stylus(sim: Simulated, folder: Path, there: Touched) -> None:
    """A stylus file that says where the tip is, as if it had been taught, named in the job."""
    cov, scale = np.diag([0.03, 0.07, 0.05]) ** 2, scale_of(sim.desk.boards[BOARD])
    stylus = Stylus(BOARD, np.array(there.stylus.tip_mm), cov, scale, 0.1, (), (), datetime.date(2026, 3, 1))
    write_stylus(folder / "stylus.toml", stylus)
    path = folder / "job.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("sheet = ", 'stylus = "stylus.toml"\nsheet = ', 1), encoding="utf-8")


def without_board(seen: PhotoSightings, *boards: str) -> PhotoSightings:
    return replace(seen, found=tuple(s for s in seen.found if s.board not in boards))


def _sighting(board: BoardCorners, noise_px: float, rng: np.random.Generator) -> Sighting:
    n = len(board.corner_ids)
    px = board.px + rng.normal(0.0, noise_px, (n, 2))
    return Sighting(board.board, board.corner_ids, px, np.tile(np.eye(2) * noise_px**2, (n, 1, 1)))
