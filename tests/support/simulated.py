"""A whole job without pictures: the demo's bay and typed files, corners simulated instead of rendered and found."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from calib.bodies import known_boards, view_of
from calib.paper.sheet import Sheet, read_sheet
from calib.pipeline import Car, car_of
from cli.check import CheckRun
from cli.check_run import on_survey, outcome_of
from cli.demo_bay import CHECK, DemoBay, invent, true_figures, write_job
from cli.kept_survey import Survey
from cli.stations import Desk, Overrides, adjusted, open_desk
from synthetic_images.bay import Bend, BodyBoard, Stand
from synthetic_images.corners import BoardCorners, visible_corners
from synthetic_images.shots import epoch_shots
from synthetic_images.true_camera import TrueCamera
from vision.boards import BoardSet
from vision.boards_io import starter_boards
from vision.camera import Camera, LensProfile
from vision.camera_io import write_profile
from vision.moved import Moved
from vision.network import Network
from vision.observations import View
from vision.sightings import PhotoSightings, Sighting

LENS_SIGMA = np.array([0.4, 0.4, 0.5, 0.5, 8e-4, 4e-3, 8e-5, 8e-5, 6e-3, 0.0, 0.0, 0.0])
BEND_SIGMA_MM = 0.25
"""Of a cylindrical bend's amplitude: the boards' usual flatness ±0.5 mm at k = 2."""


@dataclass(frozen=True)
class Scene:
    """A demo bay and which corners its photos show, exactly where."""

    demo: DemoBay
    corners: Mapping[str, tuple[BoardCorners, ...]]

    @property
    def photos(self) -> dict[str, str]:
        """Epoch of every photo of the bay by its name."""
        return {shot.file_name: shot.epoch for shot in self.demo.shots if shot.epoch != "lens"}


@dataclass(frozen=True)
class Simulated:
    """A bay with its typed job and simulated sightings by epoch."""

    demo: DemoBay
    desk: Desk
    seen: dict[str, PhotoSightings]
    views: dict[str, list[View]]
    truth: dict[str, float]

    @property
    def survey_views(self) -> list[View]:
        return [view for epoch, views in self.views.items() if not epoch.startswith("check-") for view in views]

    @property
    def check_views(self) -> list[View]:
        return self.views[CHECK]

    @property
    def survey_epochs(self) -> tuple[str, ...]:
        return tuple(epoch for epoch in self.views if not epoch.startswith("check-"))


@functools.cache
def scene(seed: int, *, variant: str = "a4", megapixels: int = 2, bends: bool = True) -> Scene:
    """The demo's bay of this seed; with `bends`, its boards are bent by what their flatness allows."""
    demo = invent(seed, variant=variant, megapixels=megapixels)
    return scene_of(bent(demo, seed) if bends else demo)


def bent(demo: DemoBay, seed: int) -> DemoBay:
    """The demo with every board bent by what its flatness allows."""
    rng = np.random.default_rng([seed, 78])
    sizes = {board.name: float(np.clip(rng.normal(0, BEND_SIGMA_MM), -0.6, 0.6)) for board in demo.bay.boards}
    bends = {name: Bend(size, float(rng.uniform(0, np.pi))) for name, size in sizes.items()}
    return replace(demo, bay=replace(demo.bay, bends=bends))


def scene_of(demo: DemoBay) -> Scene:
    shots = [shot for shot in demo.shots if shot.epoch != "lens"]
    return Scene(demo, {shot.file_name: visible_corners(demo.bay, demo.camera, shot) for shot in shots})


def with_body_boards(of: Scene) -> Scene:
    """The same bay with a board on each flank of the car, ahead of the front wheels, printed like the floor boards."""
    starter = starter_boards(of.demo.variant)
    bay, car_from_boards = of.demo.bay, []
    scales, ahead_mm = bay.boards["floor-1"].scale, bay.wheel("front_left").reference_in_car_mm[0] + 500.0
    for name, side in (("body-1", 1.0), ("body-2", -1.0)):
        # Printed face outwards, z into the door, y down; x then runs backwards on the left flank, ahead on the right one.
        rotation = np.column_stack([[-side, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, -side, 0.0]])
        matrix = np.eye(4)
        matrix[:3, :3] = rotation
        matrix[:3, 3] = np.array([ahead_mm, side * 900.0, 620.0]) - rotation @ starter[name].centre_mm
        car_from_boards.append(BodyBoard(name, matrix))
    boards = BoardSet((*bay.boards, *(replace(starter[body.name], scale=scales) for body in car_from_boards)))
    return scene_of(replace(of.demo, bay=replace(bay, boards=boards, body_boards=tuple(car_from_boards))))


def with_epochs(demo: DemoBay, change: Mapping[str, Mapping[str, Any]]) -> DemoBay:
    """The demo with the car standing or steered otherwise in the named epochs; the photos are taken from the same places."""
    epochs = tuple(replace(epoch, **change.get(epoch.name, {})) for epoch in demo.bay.epochs)
    return replace(demo, bay=replace(demo.bay, epochs=epochs))


def check_of_stand(of: Scene, stand: Stand) -> Scene:
    """Photos of a check alone, with the stand of the scene put up somewhere else."""
    old = of.demo.bay.epoch(CHECK).stand
    stand = replace(stand, boards=old.boards if old else ())
    demo = with_epochs(of.demo, {CHECK: {"stand": stand}})
    shots = tuple(epoch_shots(demo.bay, CHECK, np.random.default_rng(79), demo.camera))
    return scene_of(replace(demo, shots=shots))


def check_alone(of: Scene, change: Mapping[str, Any]) -> Scene:
    """Photos of the check alone, the car having moved since `rest` as `change` (fields of `Epoch`) says."""
    demo = with_epochs(of.demo, {CHECK: change})
    return scene_of(replace(demo, shots=tuple(shot for shot in demo.shots if shot.epoch == CHECK)))


def kicked(of: Scene, *boards: str) -> Scene:
    """Photos of the check alone, after somebody kicked floor boards by 5 mm each."""
    there = of.demo.bay
    for i, name in enumerate(boards):
        there = there.with_floor_board_moved(name, 3.0 - 7.0 * (i % 2), 4.0 - i % 2)
    return check_alone(Scene(replace(of.demo, bay=there), {}), {})


def true_lens(cam: TrueCamera) -> Camera:
    distortion = [cam.k1, cam.k2, cam.p1, cam.p2, cam.k3]
    return Camera(cam.width_px, cam.height_px, cam.fx_px, cam.fy_px, cam.cx_px, cam.cy_px, np.array(distortion))


def simulate(
    folder: Path,
    seed: int,
    *,
    noise_px: float = 0.1,
    of: Scene | None = None,
    errors: bool = True,
    typed: Callable[[DemoBay, Path, int], None] = write_job,
) -> Simulated:
    """A job in `folder`: typed values and lens profile err within their ±, corners carry normal noise, all by `seed`.

    Without `errors` only the typed values err: corners and lens are exact. `typed` writes what the shop typed.
    """
    of = of or scene(seed)
    rng = np.random.default_rng([seed, 77])
    folder.mkdir(parents=True, exist_ok=True)
    typed(of.demo, folder, seed)
    cam = of.demo.camera
    true = true_lens(cam)
    believed = true.with_parameters(true.parameters + rng.normal(size=12) * LENS_SIGMA * errors)
    profile = LensProfile("shop", believed, np.diag(LENS_SIGMA**2), make=cam.make, model=cam.model)
    write_profile(folder / "shop.lens.toml", profile, None)
    seen = {}
    for photo, boards in of.corners.items():
        found = tuple(_sighting(board, noise_px, rng if errors else None) for board in boards)
        seen[photo] = PhotoSightings(photo, cam.width_px, cam.height_px, found)
    return simulated(of, open_desk(folder, Overrides()), seen)


def simulated(of: Scene, desk: Desk, seen: dict[str, PhotoSightings]) -> Simulated:
    known = known_boards(desk.job, desk.stand)
    views: dict[str, list[View]] = {}
    for photo, epoch in of.photos.items():
        views.setdefault(epoch, []).append(view_of(seen[photo], "shop", epoch, desk.job, known))
    return Simulated(of.demo, desk, seen, views, true_figures(of.demo))


def _sighting(board: BoardCorners, noise_px: float, rng: np.random.Generator | None) -> Sighting:
    n = len(board.corner_ids)
    px = board.px if rng is None else board.px + rng.normal(0.0, noise_px, (n, 2))
    return Sighting(board.board, board.corner_ids, px, np.tile(np.eye(2) * noise_px**2, (n, 1, 1)))


def surveyed(sim: Simulated) -> Network:
    """The survey's network."""
    return adjusted(sim.desk, [view for view in sim.survey_views if view.seen])


def car(sim: Simulated, network: Network) -> Car:
    return car_of(network.poses, sim.desk.job, sim.desk.boards, sim.survey_epochs)


def survey_of(sim: Simulated, network: Network) -> Survey:
    return Survey("simulated", "today", network.state, sim.survey_epochs, {"rejected": []})


def checked(
    sim: Simulated, network: Network, *, views: Sequence[View] | None = None, sheet: Sheet | None = None, **options: Any
) -> CheckRun:
    """The check on top of a survey's network, by the stations of `bayfix check` from the sightings on."""
    survey, views = survey_of(sim, network), views or sim.check_views
    return _outcome(sim, survey, views, on_survey(sim.desk, survey, views), sheet, options)


def judged_again(
    sim: Simulated, network: Network, run: CheckRun, *, sheet: Sheet | None = None, without: Sequence[str] = ()
) -> CheckRun:
    """The same check by another sheet or job, or without a source of uncertainty."""
    return _outcome(sim, survey_of(sim, network), sim.check_views, (run.network, run.moved), sheet, {"without": without})


def _outcome(
    sim: Simulated,
    survey: Survey,
    views: Sequence[View],
    network_and_moved: tuple[Network, tuple[Moved, ...]],
    sheet: Sheet | None,
    options: Mapping[str, Any],
) -> CheckRun:
    sheet = sheet or read_sheet(sim.desk.job.need_sheet())
    return outcome_of(sim.desk, sheet, survey, CHECK, views, network_and_moved, **options)
