"""Photos of the lens board: tilted 20 to 50 degrees, all four corners of the picture covered, some turned by 90 degrees."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from synthetic_images.bay import Bay
from synthetic_images.rigid import Array, look_at, rigid, rot_y, rot_z
from synthetic_images.shot import Shot
from synthetic_images.true_camera import TrueCamera

LENS_BOARD = "lens-1"


@dataclass(frozen=True, slots=True)
class _Hold:
    """How the board is held: place of its centre in the picture (-1 to 1), distance in units of the one at which it is as wide
    as the picture, tilt and its direction, turn about the line of sight."""

    right: float
    down: float
    distance: float
    tilt_deg: float
    towards_deg: float
    turn_deg: float
    words: str


HOLDS = (
    _Hold(0.00, 0.00, 1.15, 22, 0, 3, "filling the picture"),
    _Hold(-0.52, -0.48, 1.75, 35, 225, 5, "top left"),
    _Hold(0.52, -0.48, 1.75, 35, 315, -6, "top right"),
    _Hold(0.52, 0.48, 1.75, 38, 45, 4, "bottom right"),
    _Hold(-0.52, 0.48, 1.75, 38, 135, -4, "bottom left"),
    _Hold(0.05, 0.00, 1.90, 30, 90, 92, "in the middle"),
    _Hold(-0.45, 0.05, 1.85, 45, 180, 86, "on the left"),
    _Hold(0.45, -0.05, 1.85, 45, 0, 95, "on the right"),
    _Hold(0.00, 0.05, 1.30, 40, 270, -3, "filling the picture"),
    _Hold(-0.10, 0.10, 2.90, 50, 60, 30, "at two arm's lengths"),
    _Hold(0.15, -0.10, 2.60, 48, 200, -35, "at two arm's lengths"),
    _Hold(0.05, 0.05, 1.40, 28, 150, 178, "upside down, filling the picture"),
)


def lens_shots(bay: Bay, camera: TrueCamera, rng: np.random.Generator, count: int = len(HOLDS)) -> list[Shot]:
    """`count` photos of the lens board in an empty bay; the list starts anew, with other jitter, after twelve."""
    board = bay.boards[LENS_BOARD]
    width = board.size_mm[0]
    full_mm = width * camera.fx_px / camera.width_px
    bay_from_cam = look_at([800.0, -500.0, 1500.0], [2600.0, 2800.0, 1500.0], math.radians(1.5))
    shots = []
    for i in range(count):
        hold = HOLDS[i % len(HOLDS)]
        cam_from_board = _held(hold, camera, rng, full_mm, board.centre_mm)
        turned = f", turned by {abs(hold.turn_deg):.0f}°" if abs(hold.turn_deg) > 10 else ""
        sentence = f"lens board {hold.words}, tilted by {hold.tilt_deg:.0f}°{turned}"
        shots.append(Shot(f"{i + 1:02d}", "lens", sentence, bay_from_cam, LENS_BOARD, cam_from_board))
    return shots


def _held(hold: _Hold, camera: TrueCamera, rng: np.random.Generator, full_mm: float, centre_mm: Array) -> Array:
    """`cam_from_board`; the hand is some degrees and centimetres off."""
    distance = full_mm * hold.distance * float(rng.uniform(0.95, 1.08))
    x = (hold.right + float(rng.uniform(-0.04, 0.04))) * camera.width_px / 2 / camera.fx_px
    y = (hold.down + float(rng.uniform(-0.04, 0.04))) * camera.height_px / 2 / camera.fy_px
    towards = math.radians(hold.towards_deg + float(rng.uniform(-15, 15)))
    tilt = math.radians(hold.tilt_deg + float(rng.uniform(-3, 3)))
    turn = math.radians(hold.turn_deg + float(rng.uniform(-2, 2)))
    rotation = rot_z(towards) @ rot_y(tilt) @ rot_z(turn - towards)
    return rigid(rotation, distance * np.array([x, y, 1.0]) - rotation @ centre_mm)
