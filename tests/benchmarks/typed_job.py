"""What the shop of a campaign bay measured and typed, each value within its ±, and the lens profile its lens photos give."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from synthetic_images import truth
from synthetic_images.bay import Bay
from synthetic_images.corners import BoardCorners, visible_corners
from synthetic_images.rigid import Array, apply, rigid, rot_x, rot_y, rot_z
from synthetic_images.shot import Shot
from tests.benchmarks.noise_law import NoiseLaw, seen_under
from tests.benchmarks.reference_bay import CHECK, ModeBend, ReferenceBay, TrueBay, mean_floor
from tests.support.simulated import true_lens
from vision.boards import NOMINAL_BAR_MM, BoardSet, PrintScale
from vision.boards_io import starter_boards, write_boards
from vision.camera import LensProfile
from vision.camera_io import write_profile

LENS = ("fx_px", "fy_px", "cx_px", "cy_px", "k1", "k2", "p1", "p2", "k3")
LENS_STEPS = (1e-2, 1e-2, 1e-2, 1e-2, 1e-5, 1e-5, 1e-6, 1e-6, 1e-5)


def write_typed(one: TrueBay, folder: Path, rng: np.random.Generator | None) -> None:
    """boards.toml, sheet.toml, stand.toml, job.toml in `folder`; without a generator every value is the true one."""
    folder.mkdir(parents=True, exist_ok=True)
    error = _errors(rng)
    write_boards(folder / "boards.toml", typed_boards(one, error))
    (folder / "sheet.toml").write_text(_sheet(one), encoding="utf-8")
    (folder / "stand.toml").write_text(_stand(one, error), encoding="utf-8")
    (folder / "job.toml").write_text(_job(one, error), encoding="utf-8")


def _errors(rng: np.random.Generator | None) -> Callable[[float], float]:
    """An error whose half-width at k = 2 is given."""
    return lambda pm: float(rng.normal(0.0, pm / 2)) if rng else 0.0


def typed_boards(one: TrueBay, error: Callable[[float], float]) -> BoardSet:
    """The starter boards with the measured bars of each print run."""
    pm = one.known["bars_pm_mm"] / NOMINAL_BAR_MM
    measured = {run: [float(s) + error(pm) for s in scale] for run, scale in one.run_scale.items()}
    starter = starter_boards("a3" if one.variant == "a3" else "a4")
    own_pm = PrintScale().own_pm
    return BoardSet(tuple(replace(b, scale=PrintScale(*measured[b.print_run], pm, own_pm)) for b in starter))


def _sheet(one: TrueBay) -> str:
    stand = one.reference["stand"]
    rows = "".join(
        f'[{n}]\nvalue = {stand[f"{n}_mm"]}\nunit = "mm"\ntolerance = 500.0\n' for n in ("distance", "lateral", "height")
    )
    rows += "".join(f'[{n}]\nvalue = 0.0\nunit = "deg"\ntolerance = 5.0\n' for n in ("yaw", "pitch", "roll"))
    head = 'schema = "placement-sheet/1"\ntarget = "panel"\norigin = "front-axle"\nline = "thrust"\nside = "ahead"\n'
    return head + rows + '[provenance]\ndocument = "invented"\nedition = "1"\ntyped_by = "campaign"\n'


def _stand(one: TrueBay, error: Callable[[float], float]) -> str:
    known, stand = one.known, one.bay.epoch(CHECK).stand
    assert stand is not None
    place, behind = known["stand_place_pm_mm"], known["stand_behind_pm_mm"]
    turn, parallel = known["stand_turn_pm_deg"], known["stand_parallel_pm_deg"]
    out = 'schema = "stand/1"\n'
    for board in stand.boards:
        rows = {
            "right_mm": board.right_mm + error(place),
            "up_mm": board.up_mm + error(place),
            "behind_mm": board.behind_mm + error(behind),
            "turn_deg": math.degrees(board.turn_rad) + error(turn),
            "right_pm_mm": place,
            "up_pm_mm": place,
            "behind_pm_mm": behind,
            "turn_pm_deg": turn,
            "parallel_pm_deg": parallel,
        }
        out += f'[[board]]\nname = "{board.name}"\n' + "".join(f"{key} = {value!r}\n" for key, value in rows.items())
    return out


def _job(one: TrueBay, error: Callable[[float], float]) -> str:
    known = one.known
    names = ", ".join(f'"{board.name}"' for board in one.bay.floor_boards)
    out = 'schema = "job/1"\nlens = ["shop.lens.toml"]\nboards = "boards.toml"\nsheet = "sheet.toml"\nstand = "stand.toml"\n'
    # the job's one number for floor and motion: its half is the σ of heave (and of a foot), 0.015° per mm the σ of tilt
    out += f"floor = [{names}]\nfloor_pm_mm = {2.0 * known['sigma_heave_mm']}\n"
    for wheel in one.bay.wheels:
        pm = known["standoff_pm_mm"]
        out += f'[wheels.{wheel.position}]\nboard = "{wheel.board}"\n'
        out += f"standoff_mm = {wheel.mount.standoff_mm + error(pm)!r}\nstandoff_pm_mm = {pm}\n"
    a, b = taped(one)
    length = tape_mm(one.bay, a, b) + error(known["tape_pm_mm"])
    return out + f'[[distance]]\na = "{a}"\nb = "{b}"\nmm = {length!r}\npm_mm = {known["tape_pm_mm"]}\n'


def taped(one: TrueBay) -> tuple[str, str]:
    """Two floor boards about as far apart as the tape is long, along the car's left side."""
    left = [board for board in one.reference["floor"] if board["y_mm"] > 1000.0]
    length = one.known["tape_mm"]
    pairs = [
        (abs(abs(p["x_mm"] - q["x_mm"]) - length), p["name"], q["name"]) for p in left for q in left if p["x_mm"] < q["x_mm"]
    ]
    return min(pairs)[1:]


def tape_mm(bay: Bay, a: str, b: str) -> float:
    boards = {board.name: board for board in bay.floor_boards}
    marks = [apply(bay.bay_from_floor_board(boards[name]), bay.boards[name].centre_mm) for name in (a, b)]
    return float(np.linalg.norm(marks[0] - marks[1]))


def turn_between(start: Array, end: Array, up: Array) -> float:
    """Angle from one direction to another as seen from above, rad, counter-clockwise."""
    flat = start - up * (start @ up)
    return math.atan2(float(np.cross(flat, end) @ up), float(flat @ end))


def true_thrust_to_marks_deg(one: TrueBay, floor: ReferenceBay | None = None, bay: ReferenceBay | None = None) -> float:
    """Thrust direction of `floor`'s car from the line between the taped marks of `bay`, seen from above its mean floor."""
    bay, (a, b) = bay or one.bay, taped(one)
    floor = floor or mean_floor(bay)
    boards = {board.name: board for board in bay.floor_boards}
    marks = [apply(bay.bay_from_floor_board(boards[n]), bay.boards[n].centre_mm) for n in (a, b)]
    return math.degrees(turn_between(marks[1] - marks[0], truth.thrust_direction(floor), truth.floor_plane(floor)[1]))


def write_lens(one: TrueBay, folder: Path, law: NoiseLaw, rng: np.random.Generator | None) -> None:
    """The profile of the lens photos: true lens plus an error from its covariance (none without a generator)."""
    cov, lens = lens_covariance(one, law), true_lens(one.camera)
    if rng:
        lens = lens.with_parameters(lens.parameters + np.append(rng.multivariate_normal(np.zeros(9), cov[:9, :9]), np.zeros(3)))
    profile = LensProfile("shop", lens, cov, make=one.camera.make, model=one.camera.model)
    write_profile(folder / "shop.lens.toml", profile, None)


def lens_covariance(one: TrueBay, law: NoiseLaw) -> Array:
    """Covariance (12, 12) of the lens from its photos: poses, print scale and bend of the lens board unknown beside it."""
    rows = [_lens_rows(one, shot, law) for shot in one.lens_shots]
    own = 9 + 2 + 3
    normal = np.zeros((own, own))
    for common, pose in rows:
        inner = np.linalg.solve(pose.T @ pose, pose.T @ common)
        normal += common.T @ (common - pose @ inner)
    board = one.bay.boards[one.lens_shots[0].lens_board]
    starter = starter_boards("a3" if one.variant == "a3" else "a4")[board.name]
    sigma_scale = math.hypot(one.known["bars_pm_mm"] / NOMINAL_BAR_MM, PrintScale().own_pm) / 2
    sigma = np.array([sigma_scale] * 2 + [starter.flatness_pm_mm / 2 / math.sqrt(3)] * 3)
    normal[range(9, own), range(9, own)] += 1.0 / sigma**2
    cov = np.zeros((12, 12))
    cov[:9, :9] = np.linalg.inv(normal)[:9, :9]
    return cov


def _lens_rows(one: TrueBay, shot: Shot, law: NoiseLaw) -> tuple[Array, Array]:
    """Whitened derivatives of a lens photo's corners, by lens, scale, bend (2 n, 14) and by the board's pose (2 n, 6)."""
    (seen,) = visible_corners(one.bay, one.camera, shot)
    board, camera, place = one.bay.boards[seen.board], one.camera, shot.cam_from_lens_board
    assert place is not None
    flat = board.corners_mm()[seen.corner_ids]
    sigma = corner_sigma_px(one, shot, seen, law)

    def px(step: Array) -> Array:
        cam = replace(camera, **{n: getattr(camera, n) + d for n, d in zip(LENS, step[:9], strict=True)})
        points = flat.copy()
        points[:, :2] += (flat - board.centre_mm)[:, :2] * step[9:11]
        points[:, 2] += ModeBend(0.0, 0.0, tuple(step[11:14])).depth_mm(board, flat[:, 0], flat[:, 1])
        turn = rot_x(step[14]) @ rot_y(step[15]) @ rot_z(step[16])
        return cam.project(apply(place, apply(rigid(turn, step[17:20]), points))).ravel()

    steps = np.array([*LENS_STEPS, 1e-5, 1e-5, 1e-2, 1e-2, 1e-2, 1e-5, 1e-5, 1e-5, 1e-2, 1e-2, 1e-2])
    jac = np.column_stack([(px(d) - px(-d)) / (2 * h) for h, d in zip(steps, np.diag(steps), strict=True)]) / sigma
    return jac[:, :14], jac[:, 14:]


def corner_sigma_px(one: TrueBay, shot: Shot, seen: BoardCorners, law: NoiseLaw) -> float:
    """σ of each corner of a board in a photo, per coordinate."""
    noise, contrast = seen_under(one, shot, seen)
    return float(law.sigma_px(noise, contrast, one.imaging.blur_px, seen.square_px))
