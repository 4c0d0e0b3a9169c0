"""A survey whose camera is not quite as in its lens photos: focus shifted, principal point jittering, or another camera."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from cli.stations import Overrides, open_desk
from synthetic_images.corners import visible_corners
from synthetic_images.true_camera import TrueCamera
from tests.support.simulated import Scene, Simulated, simulated
from vision.camera import Wobble
from vision.camera_io import read_profile, write_profile


def shot_cameras(camera: TrueCamera, count: int, seed: int, *, focal: float, jitter_px: float) -> list[TrueCamera]:
    """The camera at each shot: every focal length times `focal`, each principal point off by a normal draw."""
    rng = np.random.default_rng([seed, 79])
    off = rng.normal(0.0, jitter_px, (count, 2)) if jitter_px else np.zeros((count, 2))
    return [
        replace(camera, fx_px=focal * camera.fx_px, fy_px=focal * camera.fy_px, cx_px=camera.cx_px + x, cy_px=camera.cy_px + y)
        for x, y in off
    ]


def refocused(of: Scene, seed: int, *, focal: float = 1.01, jitter_px: float = 5.0) -> Scene:
    """The same bay photographed so; `simulate` still makes the lens profile from the scene's own camera."""
    shots = [shot for shot in of.demo.shots if shot.epoch != "lens"]
    cameras = shot_cameras(of.demo.camera, len(shots), seed, focal=focal, jitter_px=jitter_px)
    return Scene(of.demo, {s.file_name: visible_corners(of.demo.bay, c, s) for s, c in zip(shots, cameras, strict=True)})


def turned(of: Scene, every: int) -> Scene:
    """The scene with the camera held upright in every `every`-th photo."""
    quarter = np.eye(4)
    quarter[:2, :2] = [[0.0, -1.0], [1.0, 0.0]]
    shots = tuple(
        replace(shot, bay_from_cam=shot.bay_from_cam @ quarter) if i % every == 0 and shot.epoch != "lens" else shot
        for i, shot in enumerate(of.demo.shots)
    )
    return Scene(replace(of.demo, shots=shots), {})


def with_focus(sim: Simulated, of: Scene, folder: Path, focus: str, wobble: Wobble) -> Simulated:
    """The job with this focus and wobble in its lens profile."""
    path = folder / "shop.lens.toml"
    write_profile(path, replace(read_profile(path), focus=focus, wobble=wobble), None)
    return simulated(of, open_desk(folder, Overrides()), sim.seen)
