"""A job with a fault, run on simulated corners or on rendered photos: what was said, and how far the figures are off."""

from __future__ import annotations

import re
import shutil
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from calib.bodies import suspicions
from calib.doubts import scale_advice
from calib.paper.sheet import read_sheet
from cli.base import Exit
from cli.check_run import looked_into, outcome_of
from cli.demo_bay import CHECK, IMAGING, DemoBay, true_figures, write_job
from cli.doubting import Settled
from cli.stations import Overrides, open_desk, settled_survey
from synthetic_images.imaging import exif_of, expose, write_jpeg
from synthetic_images.render import draw_board, render_scene
from synthetic_images.rigid import inverse
from synthetic_images.scene import HALF_WIDTH_MM
from tests.support import figures as fg
from tests.support.commands import bayfix
from tests.support.faults import Fault, Ghost, Take, usual, with_takes
from tests.support.simulated import LENS_SIGMA, Scene, car, simulate, simulated, survey_of, true_lens
from vision.camera import LensProfile
from vision.camera_io import write_profile
from vision.errors import MeasurementError
from vision.parallel import in_parallel

PANEL_LIGHT = 0.35


@dataclass
class Outcome:
    """Messages of a run (refusals with their hint), whether figures came out, and their errors over U."""

    messages: list[str] = field(default_factory=list)
    refused: bool = False
    error_in_u: dict[str, float] = field(default_factory=dict)

    def said(self, fault: Fault) -> str:
        """The message that names the fault and says what to do; "" if none does."""
        hits = [m for m in self.messages if re.search(fault.says, m, re.S) and re.search(fault.advises, m, re.S)]
        return hits[0] if fault.says and hits else ""

    @property
    def worst(self) -> tuple[str, float]:
        name = max(self.error_in_u, key=lambda n: abs(self.error_in_u[n]), default="")
        return (name, self.error_in_u[name]) if name else ("", 0.0)

    def refuse(self, what: str, hint: str) -> None:
        self.messages.append(f"{what}; {hint}")
        self.refused = True

    def off(self, figures: fg.Figures, truth: Mapping[str, float]) -> None:
        self.error_in_u |= {name: z / 2.0 for name, z in fg.normalised(figures, truth).items()}


def on_corners(
    fault: Fault, of: Scene, folder: Path, seed: int, *, sound: Settled | None = None, check: bool = True
) -> Outcome:
    """The fault on simulated corners, by the stations of `bayfix survey`, `wheels` and `check` from the sightings on.

    Parameters
    ----------
    sound : Settled, optional
        The survey without any fault, taken when the fault touches the photos of the check only.
    check : bool
        Go on to the check when the fault touches the survey.
    """
    takes = fault.takes(of.demo)
    late = bool(takes) and all(take.shot.epoch == CHECK for take in takes.values())
    scene = with_takes(of, takes)
    sim = simulate(folder, seed, of=scene)
    fault.typed(folder)
    sim = simulated(scene, open_desk(folder, Overrides()), sim.seen)
    out = Outcome()
    epoch = {view.photo: name for name, views in sim.views.items() for view in views}
    try:
        views = [view for view in sim.survey_views if view.seen]
        done = sound if sound is not None and late else settled_survey(sim.desk, views)
        out.messages += [*done.remarks, *suspicions(done.network.rejected, done.network.rms_px, epoch)]
        out.messages += scale_advice(sim.desk.job, sim.desk.boards, done.network.bodies_seen)
        out.off(fg.of_car(car(sim, done.network)), sim.truth)
        if not (check or late):
            return out
        survey = survey_of(sim, done.network)
        network, moved, told = looked_into(sim.desk, survey, sim.check_views, CHECK)
        sheet = read_sheet(sim.desk.job.need_sheet())
        run = outcome_of(sim.desk, sheet, survey, CHECK, sim.check_views, (network, moved))
        out.messages += [*told, *suspicions(network.rejected, network.rms_px, epoch), *run.remarks]
        out.off(fg.of_check(run.outcome), sim.truth)
    except MeasurementError as err:
        out.refuse(err.what, err.hint or "")
    return out


def base_job(demo: DemoBay, folder: Path, seed: int, cores: int | None = None) -> None:
    """The demo's bay rendered and looked at once; faults work on copies, whose unchanged photos need no second look."""
    write_job(demo, folder, seed)
    true = true_lens(demo.camera)
    believed = true.with_parameters(true.parameters + np.random.default_rng([seed, 77]).normal(size=12) * LENS_SIGMA)
    profile = LensProfile("shop", believed, np.diag(LENS_SIGMA**2), make=demo.camera.make, model=demo.camera.model)
    write_profile(folder / "shop.lens.toml", profile, None)
    _render(usual(demo), folder, seed, cores)
    for command in ("survey", "check"):
        bayfix(command, folder, "--json")


def on_photos(fault: Fault, of: Scene, base: Path, folder: Path, seed: int, cores: int | None = None) -> Outcome:
    """The fault on rendered photos, by the commands."""
    shutil.copytree(base, folder)
    for result in folder.glob("results/*.*"):
        result.unlink()
    changed = {p: take for p, take in fault.takes(of.demo).items() if take.ghosts or _differs(of, p, take)}
    _render(changed, folder, seed, cores)
    fault.typed(folder)
    fault.pictures(folder / "photos")
    out, truth = Outcome(), fg.true_by_name(true_figures(of.demo))
    for command in ("survey", "wheels", "check"):
        outcome = bayfix(command, folder, "--json")
        if outcome.status == Exit.BAD_INPUT:
            what, _, hint = outcome.err.partition("\ntry: ")
            out.refuse(what.removeprefix("not measured: "), hint.strip())
            break
        document = outcome.document
        out.messages += document.get("remarks", [])
        out.messages += [f"{row['photo']}: {row['board']} left out: {row['reason']}" for row in _left_out(document)]
        rows = [row for row in document.get("figures", []) if "measured" in row and row["name"] in truth]
        out.error_in_u |= {row["name"]: (row["measured"] - truth[row["name"]]) / row["U"] for row in rows}
    return out


def _left_out(document: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    return [*document.get("rejected", []), *document.get("refused", [])]


def _differs(of: Scene, photo: str, take: Take) -> bool:
    """Whether a photo shows any board otherwise than in the bay as it should be, however small: detection reads small ones."""
    before, after = ({b.board: b for b in one.corners(min_square_px=4.0)} for one in (usual(of.demo)[photo], take))
    if before.keys() != after.keys():
        return True
    return any(a.px.shape != before[n].px.shape or np.abs(a.px - before[n].px).max() > 1e-6 for n, a in after.items())


def _render(takes: Mapping[str, Take], folder: Path, seed: int, cores: int | None) -> None:
    work = [(take, folder / "photos" / photo, [seed, 2, i]) for i, (photo, take) in enumerate(sorted(takes.items()))]
    for _ in in_parallel(_render_one, work, cores=cores):
        pass


def _render_one(work: tuple[Take, Path, list[int]]) -> str:
    take, path, seed = work
    cv2.setNumThreads(1)
    scene = render_scene(take.bay, take.camera, take.shot)
    for ghost in take.ghosts:
        _add(scene, take, ghost)
    image = expose(scene, take.camera, IMAGING, np.random.default_rng(seed))
    path.parent.mkdir(parents=True, exist_ok=True)
    write_jpeg(path, image, exif_of(take.camera), quality=IMAGING.quality)
    return path.name


def _add(scene: Any, take: Take, ghost: Ghost) -> None:
    """Draw a board's second image over the scene: opaque, or as a reflection inside the car's side."""
    boards = type(take.bay.boards)(tuple(_resized(b, ghost.size) if b.name == ghost.board else b for b in take.bay.boards))
    bay = type(take.bay)(**{name: getattr(take.bay, name) for name in take.bay.__slots__} | {"boards": boards})
    picture = scene.copy()
    cam_from_board = inverse(take.shot.bay_from_cam) @ ghost.bay_from_board
    nearest = np.zeros(scene.shape[:2], dtype=np.float32)
    draw_board(picture, nearest, bay, take.camera, ghost.board, cam_from_board, take.shot.bay_from_cam)
    share = PANEL_LIGHT * _panel(take) if ghost.in_panel else np.ones(scene.shape[:2], dtype=np.float32)
    scene += share[..., None] * (picture - scene)


def _resized(board: Any, size: float) -> Any:
    scale = type(board.scale)(board.scale.x * size, board.scale.y * size, 0.0, 0.0)
    return type(board)(**{name: getattr(board, name) for name in board.__slots__} | {"scale": scale})


def _panel(take: Take) -> Any:
    """Pixels whose rays meet the car's flat side between its wheels, 1 there and 0 elsewhere."""
    car_from_cam = inverse(take.bay.bay_from_car_in(take.shot.epoch)) @ take.shot.bay_from_cam
    columns, rows = np.arange(take.camera.width_px, dtype=float), np.arange(take.camera.height_px, dtype=float)
    x, y = take.camera.ideal_grid(columns, rows)
    eye = car_from_cam[:3, 3]
    rays = np.stack([x, y, np.ones_like(x)], axis=-1) @ car_from_cam[:3, :3].T
    base = take.bay.wheel("front_left").reference_in_car_mm[0]
    side = np.sign(eye[1]) * HALF_WIDTH_MM
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (side - eye[1]) / rays[..., 1]
    hit = eye + t[..., None] * rays
    inside = (t > 0) & (hit[..., 0] > 450.0) & (hit[..., 0] < base - 450.0) & (hit[..., 2] > 240.0) & (hit[..., 2] < 900.0)
    return inside.astype(np.float32)
