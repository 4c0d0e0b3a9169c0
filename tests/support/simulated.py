"""A whole job without pictures: the demo's bay and typed files, corners simulated instead of rendered and found."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calib.bodies import known_boards, tape_distances, view_of
from cli.demo_bay import DemoBay, invent, true_figures, write_job
from cli.stations import Desk, Overrides, open_desk
from synthetic_images.corners import visible_corners
from vision.camera import Camera, LensProfile
from vision.camera_io import write_profile
from vision.network import Network, NetworkState, adjust_network
from vision.observations import View
from vision.sightings import PhotoSightings, Sighting

LENS_SIGMA = np.array([0.4, 0.4, 0.5, 0.5, 8e-4, 4e-3, 8e-5, 8e-5, 6e-3, 0.0, 0.0, 0.0])


@dataclass(frozen=True)
class Simulated:
    """A bay with its typed job and simulated sightings by epoch."""

    demo: DemoBay
    desk: Desk
    views: dict[str, list[View]]
    truth: dict[str, float]

    @property
    def survey_views(self) -> list[View]:
        return [view for epoch, views in self.views.items() if not epoch.startswith("check-") for view in views]

    @property
    def check_views(self) -> list[View]:
        return self.views["check-1"]

    @property
    def survey_epochs(self) -> tuple[str, ...]:
        return tuple(epoch for epoch in self.views if not epoch.startswith("check-"))


def simulate(
    folder: Path, seed: int, *, noise_px: float = 0.1, variant: str = "a4", megapixels: int = 2, demo: DemoBay | None = None
) -> Simulated:
    """A job in `folder` whose lens profile errs within its covariance and whose corners carry normal noise."""
    rng = np.random.default_rng([seed, 77])
    demo = demo or invent(seed, variant=variant, megapixels=megapixels)
    folder.mkdir(parents=True, exist_ok=True)
    write_job(demo, folder, seed)
    cam = demo.camera
    distortion = [cam.k1, cam.k2, cam.p1, cam.p2, cam.k3]
    true = Camera(cam.width_px, cam.height_px, cam.fx_px, cam.fy_px, cam.cx_px, cam.cy_px, np.array(distortion))
    believed = true.with_parameters(true.parameters + rng.normal(size=12) * LENS_SIGMA)
    profile = LensProfile("shop", believed, np.diag(LENS_SIGMA**2), make=cam.make, model=cam.model)
    write_profile(folder / "shop.lens.toml", profile, None)
    desk = open_desk(folder, Overrides())
    known = known_boards(desk.job, desk.stand)
    views: dict[str, list[View]] = {}
    for shot in demo.shots:
        if shot.epoch == "lens":
            continue
        found = []
        for board in visible_corners(demo.bay, cam, shot):
            n = len(board.corner_ids)
            if board.board in known and n >= 6:
                px = board.px + rng.normal(0.0, noise_px, (n, 2))
                found.append(Sighting(board.board, board.corner_ids, px, np.tile(np.eye(2) * noise_px**2, (n, 1, 1))))
        photo = PhotoSightings(shot.file_name, cam.width_px, cam.height_px, tuple(found))
        views.setdefault(shot.epoch, []).append(view_of(photo, "shop", shot.epoch, desk.job, known))
    return Simulated(demo, desk, views, true_figures(demo))


def surveyed(sim: Simulated, prior: NetworkState | None = None) -> Network:
    """The survey's network."""
    views = [view for view in sim.survey_views if view.seen]
    seen = {s.body for view in views for s in view.seen}
    tapes = [d for d in tape_distances(sim.desk.job) if d.a in seen and d.b in seen]
    return adjust_network(views, sim.desk.boards, sim.desk.lenses, distances=tapes, prior=prior)
