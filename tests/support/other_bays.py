"""The same job seen another way: the whole bay carried elsewhere, or in a mirror. What is measured must follow."""

from __future__ import annotations

import math
import shutil
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import tomlkit

from cli.stations import Overrides, open_desk
from synthetic_images.bay import Floor, FloorBoard
from synthetic_images.rigid import apply, rigid, rot_z
from tests.support.figures import Figures
from tests.support.simulated import Scene, Simulated, scene_of, simulated
from vision.boards import Board
from vision.camera import LensProfile
from vision.camera_io import write_profile
from vision.sightings import PhotoSightings, Sighting

SIDED = (
    "thrust_angle_deg",
    "front_direction_to_thrust_deg",
    "lateral_mm",
    "yaw_deg",
    "roll_deg",
    "setback_front_mm",
    "setback_rear_mm",
    "diagonal_difference_mm",
    "wheelbase_difference_mm",
)
"""Figures whose sign a mirror turns."""
IN_FLOOR_FRAME = ("thrust_direction_deg", "centreline_direction_deg", "midpoint")
"""Told in the frame of the first floor board, which a mirror turns in its own way."""


def carried(of: Scene, shift_mm: tuple[float, float, float], turn_rad: float) -> Scene:
    """Bay, car and photographer carried along the ground, up or down, and turned about the upright."""
    new_from_old = rigid(rot_z(turn_rad), shift_mm)
    bay = of.demo.bay
    floor_boards = tuple(_carried_board(board, new_from_old, turn_rad) for board in bay.floor_boards)
    there = replace(
        bay,
        floor=_carried_floor(bay.floor, shift_mm, turn_rad),
        floor_boards=floor_boards,
        bay_from_car=new_from_old @ bay.bay_from_car,
    )
    shots = tuple(replace(shot, bay_from_cam=new_from_old @ shot.bay_from_cam) for shot in of.demo.shots)
    return scene_of(replace(of.demo, bay=there, shots=shots))


def _carried_board(board: FloorBoard, new_from_old: np.ndarray, turn_rad: float) -> FloorBoard:
    x, y, _ = apply(new_from_old, [board.x_mm, board.y_mm, 0.0])
    return replace(board, x_mm=float(x), y_mm=float(y), turn_rad=board.turn_rad + turn_rad)


def _carried_floor(floor: Floor, shift_mm: tuple[float, float, float], turn_rad: float) -> Floor:
    """Height of the new floor at a point = height of the old one where the point came from, plus the lift."""
    c, s = math.cos(turn_rad), math.sin(turn_rad)
    dx, dy, dz = shift_mm

    def turned(kx: float, ky: float) -> tuple[float, float]:
        return c * kx - s * ky, s * kx + c * ky

    waves = []
    for amplitude, kx, ky, phase in floor.waves:
        nx, ny = turned(kx, ky)
        waves.append((amplitude, nx, ny, phase - nx * dx - ny * dy))
    slope_x, slope_y = turned(floor.slope_x, floor.slope_y)
    lift = dz - slope_x * dx - slope_y * dy
    waves.append((lift, 0.0, 0.0, math.pi / 2.0))  # a wave without length lifts everything
    return Floor(slope_x, slope_y, tuple(waves))


def mirrored(sim: Simulated, folder: Path) -> Simulated:
    """The job as it looks in a mirror that swaps the car's left and right, in `folder`.

    A mirrored board is a good board again once its corners are numbered from the other end of each row; a mirrored picture is
    one by a lens whose principal point and decentring are mirrored. So nothing is approximate here.
    """
    shutil.copytree(sim.desk.job.folder, folder, ignore=shutil.ignore_patterns("photos", "results"))
    _rewrite(folder / "job.toml", _swap_wheels)
    _rewrite(folder / "stand.toml", _mirror_stand)
    profile = sim.desk.lenses["shop"]
    write_profile(folder / "shop.lens.toml", _mirrored_lens(profile), None)
    desk = open_desk(folder, Overrides())
    seen = {photo: _mirrored_photo(sightings, sim) for photo, sightings in sim.seen.items()}
    of = Scene(sim.demo, {photo: () for photo in seen})
    return simulated(of, desk, seen)


def _rewrite(path: Path, change) -> None:  # noqa: ANN001 - a function of a TOML document
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    change(document)
    path.write_text(tomlkit.dumps(document), encoding="utf-8")


def _swap_wheels(document) -> None:  # noqa: ANN001
    wheels = document["wheels"].unwrap()
    table = tomlkit.table(is_super_table=True)
    for name, entry in wheels.items():
        table.add(swapped(name), entry)
    document["wheels"] = table


def _mirror_stand(document) -> None:  # noqa: ANN001
    for board in document["board"]:
        board["right_mm"] = -float(board["right_mm"])
        board["turn_deg"] = -float(board["turn_deg"])


def _mirrored_lens(profile: LensProfile) -> LensProfile:
    camera = profile.camera
    parameters = camera.parameters.copy()
    parameters[2] = camera.width_px - 1 - parameters[2]
    parameters[7] = -parameters[7]  # p2: fx fy cx cy k1 k2 p1 p2 ...
    return replace(profile, camera=camera.with_parameters(parameters))


def _mirrored_photo(seen: PhotoSightings, sim: Simulated) -> PhotoSightings:
    found = tuple(_mirrored_sighting(s, sim.desk.boards[s.board], seen.width_px) for s in seen.found)
    return replace(seen, found=found)


def _mirrored_sighting(sighting: Sighting, board: Board, width_px: int) -> Sighting:
    across = board.corner_columns
    row, column = np.divmod(sighting.corner_ids, across)
    ids = row * across + (across - 1 - column)
    order = np.argsort(ids)
    px = sighting.px.copy()
    px[:, 0] = width_px - 1 - px[:, 0]
    cov = sighting.cov_px * np.array([[1.0, -1.0], [-1.0, 1.0]])
    return replace(sighting, corner_ids=ids[order], px=px[order], cov_px=cov[order])


def swapped(name: str) -> str:
    """A name with left and right exchanged."""
    return name.replace("left", "\0").replace("right", "left").replace("\0", "right")


def in_the_mirror(figures: Figures) -> Figures:
    """Figures by the names they have for the other side; those in the floor's own frame left out."""
    return {swapped(name): figure for name, figure in figures.items() if not any(part in name for part in IN_FLOOR_FRAME)}


def sides_turned() -> Mapping[str, float]:
    return dict.fromkeys(SIDED, -1.0)
