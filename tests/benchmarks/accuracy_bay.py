"""One bay of the accuracy campaign: simulated or rendered, measured by the commands' own stations, and the bound beside it.

The bound is the covariance of the adjustment linearised at the *true* values, with exact corners weighted by the true noise law
and everything the shop knows beforehand as priors of the size they are drawn with: the Cramér–Rao bound of this estimator's
model, priors counted as observations (van Trees 1968). `tests/truth/test_accuracy_bound.py` compares it with a dense Fisher
matrix that shares no code with the measuring side.
"""

from __future__ import annotations

import math
import time
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from calib.geometry.lines import FLOOR, thrust_direction
from calib.paper.sheet import read_sheet
from calib.pipeline import Car, car_of, check_of
from cli.stations import Overrides, open_desk
from synthetic_images.bay import FloorBoard
from synthetic_images.corners import BoardCorners
from synthetic_images.rigid import Array, inverse
from tests.benchmarks.noise_law import FOUND, LAW, NoiseLaw
from tests.benchmarks.reference_bay import CHECK, TrueBay, true_bay
from tests.benchmarks.typed_job import corner_sigma_px, taped, true_thrust_to_marks_deg, turn_between, write_lens, write_typed
from tests.support import figures as fg
from tests.support.simulated import Scene, Simulated, car, checked, scene_of, simulated, surveyed
from vision.frames import Estimate, Pose
from vision.network import Network, adjust_network
from vision.network_start import Start
from vision.observations import View
from vision.sightings import PhotoSightings, Sighting

FIGURES = (
    "thrust_direction_deg",
    "thrust_to_marks_deg",
    "thrust_angle_deg",
    "rear_toe_left_deg",
    "rear_toe_right_deg",
    "front_toe_left_deg",
    "front_toe_right_deg",
    "camber_front_left_deg",
    "camber_front_right_deg",
    "camber_rear_left_deg",
    "camber_rear_right_deg",
    *fg.PLACEMENT,
)
ALIGNMENT = ("thrust_direction_deg", *FIGURES[3:11])
"""Linearly independent figures of the car; the thrust angle follows from the rear toes."""
GROSS_PX = (2.0, 40.0)
BUMP_MM, BUMP_DEG = 3.0, 0.2


@dataclass(frozen=True, slots=True)
class Trial:
    """What is asked of a bay.

    Attributes
    ----------
    outliers : float
        Share of corners that are somewhere else, by 2 to 40 px.
    bump : str
        "": nobody touched a board; "check": a floor board seen in the check was bumped before it; "survey": one was bumped
        before the last roll epoch.
    as_found : bool
        Corners state their σ as detection states it now, not as it is.
    """

    seed: int
    camera: str
    variant: str = "a3"
    outliers: float = 0.0
    bump: str = ""
    rendered: bool = False
    as_found: bool = False
    reference: bool = False


@dataclass
class Row:
    """One measured bay, deg and mm: error, standard uncertainty and bound of every figure; what went wrong, if anything."""

    seed: int
    camera: str
    blur_px: float
    noise: float
    error: dict[str, float] = field(default_factory=dict)
    over_feet: dict[str, float] = field(default_factory=dict)
    u: dict[str, float] = field(default_factory=dict)
    bound: dict[str, float] = field(default_factory=dict)
    nees: dict[str, tuple[float, int]] = field(default_factory=dict)
    sigma0: tuple[float, float, float] = (0.0, 0.0, 0.0)
    remarks: list[str] = field(default_factory=list)
    seconds: dict[str, float] = field(default_factory=dict)
    failed: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Measurement:
    """Figures with their joint estimates, and the thrust direction to the taped floor marks."""

    figures: fg.Figures
    joint: Mapping[str, Estimate]
    marks: Estimate


def bay_of(trial: Trial) -> TrueBay:
    rng = None if trial.reference else np.random.default_rng([trial.seed, 0])
    return true_bay(trial.camera, trial.variant, rng)


def bumped(one: TrueBay, rng: np.random.Generator) -> tuple[TrueBay, str]:
    """The bay after somebody kicked a floor board, and its name."""
    names = {
        c.board
        for shot in one.shots
        if shot.epoch == CHECK
        for c in scene_of(replace(one.demo, shots=(shot,))).corners[shot.file_name]
    }
    name = str(rng.choice(sorted(n for n in names if n.startswith("floor"))))
    way, turn = rng.uniform(0, 2 * math.pi), math.radians(BUMP_DEG) * rng.choice([-1.0, 1.0])

    def kick(board: FloorBoard) -> FloorBoard:
        dx, dy = BUMP_MM * math.cos(way), BUMP_MM * math.sin(way)
        return replace(board, x_mm=board.x_mm + dx, y_mm=board.y_mm + dy, turn_rad=board.turn_rad + turn)

    boards = tuple(kick(b) if b.name == name else b for b in one.bay.floor_boards)
    return replace(one, bay=replace(one.bay, floor_boards=boards)), name


def scene_in(one: TrueBay, trial: Trial, rng: np.random.Generator) -> tuple[Scene, str]:
    """True corners of all photos; the later ones after the bump, when there was one."""
    if not trial.bump:
        return scene_of(one.demo), ""
    after, name = bumped(one, rng)
    late = {CHECK} if trial.bump == "check" else {"roll-3", "rest", CHECK}
    parts = [
        scene_of(replace(bay.demo, shots=tuple(s for s in one.shots if (s.epoch in late) == is_late)))
        for bay, is_late in ((one, False), (after, True))
    ]
    return Scene(one.demo, parts[0].corners | parts[1].corners), name


def sighting(sigma_px: float, corners: BoardCorners, law: NoiseLaw, rng: np.random.Generator, outliers: float) -> Sighting:
    """Corners with normal noise of σ, their stated σ off as the law says, some of them somewhere else."""
    n = len(corners.corner_ids)
    px = corners.px + rng.normal(0.0, sigma_px, (n, 2))
    wild = rng.random(n) < outliers
    way, far = rng.uniform(0, 2 * math.pi, n), rng.uniform(*GROSS_PX, n)
    px[wild] += (far[:, None] * np.column_stack([np.cos(way), np.sin(way)]))[wild]
    stated = sigma_px * law.stated * math.exp(law.scatter * rng.normal())
    return Sighting(corners.board, corners.corner_ids, px, np.tile(np.eye(2) * stated**2, (n, 1, 1)))


def simulated_job(
    one: TrueBay, scene: Scene, folder: Path, law: NoiseLaw, rng: np.random.Generator | None, outliers: float = 0.0
) -> Simulated:
    """Typed files and simulated sightings; without a generator everything is exact, and weighted by the true law."""
    write_typed(one, folder, rng)
    write_lens(one, folder, law, rng)
    shots = {shot.file_name: shot for shot in one.shots}
    seen = {}
    for photo, boards in scene.corners.items():
        found = []
        for corners in boards:
            sigma = corner_sigma_px(one, shots[photo], corners, law)
            if rng:
                found.append(sighting(sigma, corners, law, rng, outliers))
            else:
                cov = np.tile(np.eye(2) * sigma**2, (len(corners.corner_ids), 1, 1))
                found.append(Sighting(corners.board, corners.corner_ids, corners.px, cov))
        seen[photo] = PhotoSightings(photo, one.camera.width_px, one.camera.height_px, tuple(found))
    return simulated(scene, open_desk(folder, Overrides()), seen)


def measurement(one: TrueBay, measured: Car, placed: Estimate) -> Measurement:
    """All figures of a car and a placement."""
    extra = thrust_to_marks(one, measured)
    rows = fg.of_car(measured) | fg.of_estimate(extra) | fg.of_estimate(placed)
    return Measurement(rows, {"alignment": measured.figures.estimate, "placement": placed}, extra)


def thrust_to_marks(one: TrueBay, measured: Car) -> Estimate:
    """Thrust direction from the line between the two taped floor marks, seen from above, + to the left."""
    a, b = taped(one)
    boards = typed_marks(one)

    def angle(state: Any) -> Array:
        up = state[FLOOR].rotation[:, 2]
        return np.array([turn_between(state[b].apply(boards[b]) - state[a].apply(boards[a]), thrust_direction(state), up)])

    bodies = [a, b, FLOOR, "axle:rear_left", "axle:rear_right"]
    return measured.poses.of(bodies).propagate(["thrust_to_marks_rad"], angle)


def typed_marks(one: TrueBay) -> dict[str, Array]:
    """Centre marks by board in the frame the measuring side gives it; the true print differs by micrometres."""
    return {board.name: board.centre_mm for board in one.bay.boards}


def bound_network(one: TrueBay, exact: Simulated, views: list[View], datum: str, prior: Network | None) -> Network:
    """The network linearised at the truth: exact corners, started at the true poses."""
    bay_from_datum = body_pose(one, datum)

    def pose(matrix: Array, target: str, source: str) -> Pose:
        return Pose.from_matrix(target, source, matrix)

    shots = {shot.file_name: shot for shot in one.shots}
    views = [view for view in views if view.seen]
    photos = {v.photo: pose(inverse(shots[v.photo].bay_from_cam) @ bay_from_datum, "cam", "survey") for v in views}
    bodies = {s.body: pose(inverse(bay_from_datum) @ body_pose(one, s.body), "survey", s.body) for v in views for s in v.seen}
    start = Start(photos, bodies, ())
    desk = exact.desk
    if prior is not None:
        return adjust_network(views, desk.boards, desk.lenses, prior=prior.state, robust=False, start=start)
    from calib.bodies import tape_distances

    tapes = [t for t in tape_distances(desk.job) if t.a in bodies and t.b in bodies]
    return adjust_network(views, desk.boards, desk.lenses, distances=tapes, datum=datum, robust=False, start=start)


def body_pose(one: TrueBay, body: str) -> Array:
    board, _, epoch = body.partition("@")
    return one.bay.board_poses(epoch or "rest")[board]


def bounds(
    one: TrueBay, folder: Path, law: NoiseLaw = LAW, scene: Scene | None = None
) -> tuple[Measurement, Simulated, Network, Network]:
    """The bound of every figure of this bay, as `u`, with the networks of survey and check it comes from."""
    scene = scene or scene_of(one.demo)
    exact = simulated_job(one, scene, folder, law, None)
    datum = one.bay.floor_boards[3].name
    survey = bound_network(one, exact, exact.survey_views, datum, None)
    check = bound_network(one, exact, exact.check_views, datum, survey)
    sheet = read_sheet(exact.desk.job.need_sheet())
    after = car_of(check.poses, exact.desk.job, exact.desk.boards, exact.survey_epochs)
    outcome = check_of(after, exact.desk.job, sheet, exact.desk.stand, exact.desk.boards, CHECK)
    return measurement(one, car(exact, survey), outcome.placement.measured), exact, survey, check


def true_figures(one: TrueBay) -> dict[str, float]:
    return one.figures | {"thrust_to_marks_deg": true_thrust_to_marks_deg(one)}


def run_simulated(trial: Trial, folder: Path) -> Row:
    """One bay from simulated corners."""
    clock, law = Clock(), FOUND[trial.camera] if trial.as_found else LAW
    one, rng = bay_of(trial), np.random.default_rng([trial.seed, 1])
    scene, kicked = scene_in(one, trial, rng)
    clock("bay")
    sim = simulated_job(one, scene, folder / "typed", law, rng, trial.outliers)
    clock("corners")
    row = new_row(trial, one)
    network = surveyed(sim)
    clock("survey")
    measured = car(sim, network)
    clock("car")
    run = checked(sim, network)
    clock("check")
    fill(row, one, measurement(one, measured, run.outcome.placement.measured))
    row.sigma0 = (network.sigma0, measured.fit.sigma0, run.network.sigma0)
    row.remarks = [f"{m.body} moved by {m.shift_mm:.1f} mm" for m in run.moved] + ([f"{kicked} was kicked"] if kicked else [])
    bound(row, one, folder, law, scene if not trial.bump else None)
    clock("bound")
    row.seconds = clock.seconds
    return row


def new_row(trial: Trial, one: TrueBay) -> Row:
    return Row(trial.seed, trial.camera, one.imaging.blur_px, 2.0 * one.imaging.read_noise)


def bound(row: Row, one: TrueBay, folder: Path, law: NoiseLaw, scene: Scene | None = None) -> None:
    limits = bounds(one, folder / "exact", law, scene)[0]
    row.bound = {name: limits.figures[name].u for name in FIGURES}


def fill(row: Row, one: TrueBay, found: Measurement) -> None:
    """Errors, uncertainties and normalised squares of a measurement."""
    truth = true_figures(one)
    row.error = fg.errors(found.figures, truth, FIGURES)
    feet = one.figures_over_feet | {"thrust_to_marks_deg": truth["thrust_to_marks_deg"]}
    row.over_feet = fg.errors(found.figures, feet, FIGURES)
    row.u = {name: found.figures[name].u for name in FIGURES}
    for group, names in (("alignment", ALIGNMENT), ("placement", fg.PLACEMENT)):
        inside = [name.replace("_deg", "_rad") for name in names]
        part = found.joint[group].of(inside)
        gap = np.array([math.radians(row.error[n]) if n.endswith("_deg") else row.error[n] for n in names])
        row.nees[group] = (float(gap @ np.linalg.solve(part.cov, gap)), len(names))


class Clock:
    """Seconds of CPU by stage."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self.last = time.process_time()

    def __call__(self, stage: str) -> None:
        now = time.process_time()
        self.seconds[stage], self.last = now - self.last, now
