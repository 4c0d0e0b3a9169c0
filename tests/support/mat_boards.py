"""A mat with two boards on the floor before the car of a simulated job; its marks are those of `tests.support.touched`."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np

from synthetic_images.bay import Bay, FloorBoard
from tests.support.simulated import CHECK, Simulated
from tests.support.touched import photographed, usual_places
from vision.boards import BoardSet
from vision.boards_io import starter_boards
from vision.sightings import PhotoSightings

BOARDS = ("body-1", "body-2")
"""Boards of the starter set that this job has no other use for."""
MARKS = {"right": "mark-a", "left": "mark-b"}
PLACES = (FloorBoard("body-1", 4290.0, -240.0, 0.4), FloorBoard("body-2", 4310.0, 270.0, -0.2))
MAT_TURN_RAD, MAT_AT_MM = math.radians(25.0), np.array([3900.0, -700.0])
PM_MM, TURN_PM_DEG = 0.6, 0.1


def with_mat(bay: Bay) -> Bay:
    """The bay with the boards of the mat on the floor."""
    starter, scale = starter_boards("a4"), bay.boards["floor-1"].scale
    boards = (replace(starter[name], scale=scale) for name in BOARDS)
    return replace(bay, boards=BoardSet((*bay.boards, *boards)), floor_boards=(*bay.floor_boards, *PLACES))


def mat_photos(sim: Simulated, seed: int) -> dict[str, PhotoSightings]:
    """The photos of the check as they show the mat's boards."""
    shots = [shot for shot in sim.demo.shots if shot.epoch == CHECK]
    return photographed(with_mat(sim.demo.bay), sim.demo.camera, shots, 0.1, np.random.default_rng([seed, 17]))


def on_mat(x_mm: float, y_mm: float) -> np.ndarray:
    """A place of the bay in the mat's own frame."""
    c, s = math.cos(MAT_TURN_RAD), math.sin(MAT_TURN_RAD)
    return np.array([[c, s], [-s, c]]) @ (np.array([x_mm, y_mm]) - MAT_AT_MM)


def mat_text(sim: Simulated, seed: int, *, off_mm: float = 0.0) -> str:
    """A mat file, each value wrong within its ±; mark "right" besides by `off_mm` along the mat's x."""
    rng = np.random.default_rng([seed, 18])
    bay = with_mat(sim.demo.bay)
    poses = bay.board_poses(CHECK)
    rows = ['schema = "mat/1"\n']
    for name, point in MARKS.items():
        x, y = on_mat(*usual_places(sim.demo.bay)[point].mm[:2]) + rng.normal(0.0, PM_MM / 2, 2)
        x += off_mm if name == "right" else 0.0
        rows.append(f'[[mark]]\nname = "{name}"\nx_mm = {x:.2f}\ny_mm = {y:.2f}\npm_mm = {PM_MM}\n')
    for name in BOARDS:
        centre = (poses[name] @ np.append(bay.boards[name].centre_mm, 1.0))[:2]
        x, y = on_mat(*centre) + rng.normal(0.0, PM_MM / 2, 2)
        turn = math.degrees(math.atan2(poses[name][1, 0], poses[name][0, 0]) - MAT_TURN_RAD) + rng.normal(0.0, TURN_PM_DEG / 2)
        rows.append(
            f'[[board]]\nname = "{name}"\nx_mm = {x:.2f}\ny_mm = {y:.2f}\nturn_deg = {turn:.3f}\npm_mm = {PM_MM}\n'
            f"turn_pm_deg = {TURN_PM_DEG}\n"
        )
    return "\n".join(rows)


def name_mat(job: Path, *, stand: bool) -> None:
    """The mat file named in the job, beside its stand file or instead of it."""
    text = (job / "job.toml").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if stand or not line.startswith("stand = ")]
    at = next(i for i, line in enumerate(lines) if line.startswith("sheet = "))
    lines.insert(at, 'stands = { floor-mat = "mat.toml" }')
    (job / "job.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
