"""An independent Cramér–Rao bound of one bay: a dense Fisher matrix by finite differences through the synthetic camera.

    python -m tests.benchmarks.fisher [--seed 1] [--camera 1080p|12mp] [--reference] [--json]

Shares no code with the measuring side: the unknowns are the bay's own (where a wheel stands, its toe, how its board is mounted,
how the car moved; `fisher_unknowns.py`), the observations are `TrueCamera`'s pixels, the typed values and what is believed of
scales, bends, floor and motion (van Trees 1968); the figures are those of `synthetic_images.truth`. No photo is eliminated, no
Jacobian is written down. What it bounds is any estimator, not ours: it weighs floor heights, and both stand boards' typed
places, as well as can be.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from synthetic_images.corners import visible_corners
from synthetic_images.misprint import Misprint
from synthetic_images.rigid import Array, apply, inverse, rigid, rot_x, rot_y, rot_z
from synthetic_images.true_camera import TrueCamera
from tests.benchmarks.fisher_unknowns import MM, RAD, Unknown, bay_unknowns
from tests.benchmarks.noise_law import LAW, NoiseLaw
from tests.benchmarks.reference_bay import (
    CAMERAS,
    CHECK,
    ReferenceBay,
    TrueBay,
    figures_over,
    mean_floor,
    true_bay,
)
from tests.benchmarks.typed_job import (
    LENS,
    LENS_STEPS,
    corner_sigma_px,
    lens_covariance,
    tape_mm,
    taped,
    true_thrust_to_marks_deg,
)
from tests.support.figures import true_by_name


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """Corners of one board in one photo; `rows` are its rows of the design matrix."""

    photo: int
    board: str
    epoch: str
    corners: Array
    sigma_px: float
    rows: slice


def sightings(one: TrueBay, law: NoiseLaw) -> list[Seen]:
    """All corners a good detector could see, with their place in the design matrix.

    Wheel boards in the check are left out: the job does not count on the car having stayed.
    """
    out, row = [], 0
    wheels = {wheel.board for wheel in one.bay.wheels}
    for k, shot in enumerate(one.shots):
        for c in visible_corners(one.bay, one.camera, shot):
            if shot.epoch == CHECK and c.board in wheels:
                continue
            n = 2 * len(c.corner_ids)
            sigma = corner_sigma_px(one, shot, c, law)
            out.append(Seen(k, c.board, shot.epoch, c.corner_ids, sigma, slice(row, row + n)))
            row += n
    return out


def pixels(bay: ReferenceBay, camera: TrueCamera, cam_from_bay: Array, seen: Seen) -> Array:
    """Whitened pixels (2 n,) of the corners seen."""
    points = bay.printed_points(seen.board, bay.boards[seen.board].corners_mm())[seen.corners]
    px = camera.project(apply(cam_from_bay @ board_pose(bay, seen.board, seen.epoch), points))
    return np.asarray(px.ravel() / seen.sigma_px)


def board_pose(bay: ReferenceBay, name: str, epoch: str) -> Array:
    """`bay_from_board` of one board alone."""
    for floor_board in bay.floor_boards:
        if floor_board.name == name:
            return bay.bay_from_floor_board(floor_board)
    for wheel in bay.wheels:
        if wheel.board == name:
            return bay.bay_from_wheel(wheel.position, epoch) @ bay.wheel_from_board(wheel.position)
    stand = bay.epoch(epoch).stand
    for attached in stand.boards if stand else ():
        if attached.name == name:
            return bay.bay_from_stand_board(attached, epoch)
    raise KeyError(name)


def design(one: TrueBay, unknowns: list[Unknown], law: NoiseLaw) -> Array:
    """Whitened derivatives of all corners and the tape by all unknowns, then lens, photos, and printed places; a row a
    coordinate."""
    bay = replace(one.bay, target=one.bay.bay_from_target(CHECK))
    eyes = [inverse(shot.bay_from_cam) for shot in one.shots]
    seen = sightings(one, law)
    first, prints = len(unknowns), len(LENS) + 6 * len(eyes)
    out = np.zeros((seen[-1].rows.stop + 1, first + prints + len(print_sigmas(one))))
    for j, unknown in enumerate(unknowns):
        up, down = unknown.change(bay, unknown.step), unknown.change(bay, -unknown.step)
        for s in seen:
            if (not unknown.boards or s.board in unknown.boards) and unknown.epoch in ("", s.epoch):
                gap = pixels(up, one.camera, eyes[s.photo], s) - pixels(down, one.camera, eyes[s.photo], s)
                out[s.rows, j] = gap / (2 * unknown.step)
        a, b = taped(one)
        if any(name in unknown.boards for name in (a, b)):
            out[-1, j] = (tape_mm(up, a, b) - tape_mm(down, a, b)) / (2 * unknown.step) / (one.known["tape_pm_mm"] / 2)
    _lens_columns(one, bay, eyes, seen, out[:, first : first + len(LENS)])
    _photo_columns(one, bay, eyes, seen, out[:, first + len(LENS) : first + prints])
    _print_columns(one, bay, eyes, seen, out[:, first + prints :])
    return out


def print_sigmas(one: TrueBay) -> Array:
    """σ of every corner's printed place, mm: board by board, corner by corner, x then y."""
    return np.concatenate([np.full(2 * board.corner_count, board.print_pm_mm / 2.0) for board in one.bay.boards])


def _print_columns(one: TrueBay, bay: ReferenceBay, eyes: list[Array], seen: list[Seen], out: Array) -> None:
    """All corners of a board are shifted together; a corner's own rows are those by its own place."""
    counts = [2 * board.corner_count for board in one.bay.boards]
    first = dict(zip((board.name for board in one.bay.boards), np.cumsum([0, *counts[:-1]]).tolist(), strict=True))
    for s in seen:
        for axis in (0, 1):
            gap = _pixels_misprinted(one, bay, eyes, s, axis, MM) - _pixels_misprinted(one, bay, eyes, s, axis, -MM)
            rows = np.arange(s.rows.start, s.rows.stop)
            out[rows, first[s.board] + 2 * np.repeat(s.corners, 2) + axis] = gap / (2 * MM)


def _pixels_misprinted(one: TrueBay, bay: ReferenceBay, eyes: list[Array], s: Seen, axis: int, d: float) -> Array:
    board = bay.boards[s.board]
    shift = np.zeros((board.corner_rows, board.corner_columns, 2))
    shift += bay.misprints[s.board].shift_mm if s.board in bay.misprints else 0.0
    shift[..., axis] += d
    there = replace(bay, misprints={**bay.misprints, s.board: Misprint(shift)})
    return pixels(there, one.camera, eyes[s.photo], s)


def _lens_columns(one: TrueBay, bay: ReferenceBay, eyes: list[Array], seen: list[Seen], out: Array) -> None:
    for j, (name, step) in enumerate(zip(LENS, LENS_STEPS, strict=True)):
        up, down = (replace(one.camera, **{name: getattr(one.camera, name) + d}) for d in (step, -step))
        for s in seen:
            out[s.rows, j] = (pixels(bay, up, eyes[s.photo], s) - pixels(bay, down, eyes[s.photo], s)) / (2 * step)


def _photo_columns(one: TrueBay, bay: ReferenceBay, eyes: list[Array], seen: list[Seen], out: Array) -> None:
    steps = (RAD, RAD, RAD, MM, MM, MM)
    for s in seen:
        for k, step in enumerate(steps):
            up, down = (_moved_eye(eyes[s.photo], k, d) for d in (step, -step))
            out[s.rows, 6 * s.photo + k] = (pixels(bay, one.camera, up, s) - pixels(bay, one.camera, down, s)) / (2 * step)


def _moved_eye(cam_from_bay: Array, k: int, d: float) -> Array:
    step = np.zeros(6)
    step[k] = d
    return rigid(rot_x(step[0]) @ rot_y(step[1]) @ rot_z(step[2]), step[3:]) @ cam_from_bay


def figure_jacobian(one: TrueBay, unknowns: list[Unknown], names: list[str]) -> Array:
    """Derivatives of the figures (deg, mm) over the mean floor, which stays where it is."""
    bay = replace(one.bay, target=one.bay.bay_from_target(CHECK))
    floor = mean_floor(one.bay)

    def figures(changed: ReferenceBay) -> Array:
        still = replace(changed, floor_boards=floor.floor_boards, boards=floor.boards, lifts_mm={})
        values = true_by_name(figures_over(still, changed))
        values["thrust_to_marks_deg"] = true_thrust_to_marks_deg(one, still, changed)
        return np.array([values[name] for name in names])

    out = np.zeros((len(names), len(unknowns)))
    for j, unknown in enumerate(unknowns):
        if unknown.figured:
            up, down = unknown.change(bay, unknown.step), unknown.change(bay, -unknown.step)
            out[:, j] = (figures(up) - figures(down)) / (2 * unknown.step)
    return out


def bound(one: TrueBay, names: list[str], law: NoiseLaw = LAW, *, second_board: bool = True) -> dict[str, float]:
    """Cramér–Rao bound (σ, k = 1; deg and mm) of the named figures.

    `second_board` counts what the stand file says of the second stand board too.
    """
    unknowns = bay_unknowns(one, second_board=second_board)
    a = design(one, unknowns, law)
    normal = a.T @ a
    n, m, prints = len(unknowns), len(LENS), print_sigmas(one)
    p = len(normal) - len(prints)
    sigma = np.array([unknown.sigma for unknown in unknowns])
    normal[range(n), range(n)] += np.where(np.isfinite(sigma), 1.0 / sigma**2, 0.0)
    normal[range(p, len(normal)), range(p, len(normal))] += 1.0 / prints**2
    normal[n : n + m, n : n + m] += np.linalg.inv(lens_covariance(one, law)[:m, :m])
    scale = 1.0 / np.sqrt(np.diag(normal))
    jac = np.zeros((len(names), len(normal)))
    jac[:, :n] = figure_jacobian(one, unknowns, names)
    half = np.linalg.solve(np.linalg.cholesky(normal * scale[:, None] * scale), (jac * scale).T)
    return dict(zip(names, np.sqrt((half**2).sum(axis=0)).tolist(), strict=True))


def compared(one: TrueBay, law: NoiseLaw = LAW) -> dict[str, dict[str, float]]:
    """The adjustment's own bound beside the dense one, and what this were without the second stand board's typed place."""
    import tempfile
    from pathlib import Path

    from tests.benchmarks.accuracy_bay import FIGURES, bounds

    with tempfile.TemporaryDirectory() as folder:
        ours = bounds(one, Path(folder), law)[0].figures
    first, both = (bound(one, list(FIGURES), law, second_board=flag) for flag in (False, True))
    return {name: {"ours": ours[name].u, "dense": both[name], "dense by one stand board": first[name]} for name in FIGURES}


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--camera", choices=CAMERAS, default="1080p")
    parser.add_argument("--reference", action="store_true", help="the reference bay itself instead of a random one")
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    rng = None if asked.reference else np.random.default_rng([asked.seed, 0])
    result: dict[str, Any] = compared(true_bay(asked.camera, rng=rng))
    if asked.json:
        print(json.dumps(result, indent=1))
        return
    for name, row in result.items():
        words = ", ".join(f"{what} {value:.5f}" for what, value in row.items())
        print(f"{name:24s} {words}, ours over dense {row['ours'] / row['dense']:.3f}")


if __name__ == "__main__":
    main()
