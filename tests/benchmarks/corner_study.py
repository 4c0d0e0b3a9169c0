"""Bias and scatter of corners and poses against truth, before (cornerSubPix) and after (whole pattern), and the pixels' bound.

    python -m tests.benchmarks.corner_study [--views 4] [--repeats 6] [--json] [--out DIR]

One floor board of 5 x 4 squares, drawn exactly (own renderer) at random sub-pixel places and turns; from a middle case one
thing at a time is changed: blur, noise, contrast, tilt, size, tone curve (gamma). Per case:

- `before`: RMS error of `cv2.cornerSubPix`, started at the true corners, window as OpenCV's ChArUco detector chooses it, px;
- `after`, `bias`: RMS error of our corners, and of their mean over the repeats of one view (what noise does not explain), px;
- `bound`: RMS of the Cramer-Rao bound of the corners of a rigid board from all its pixels, light and blur unknown, px;
- `window`: RMS bound of one corner from its own half-square window alone, px;
- `pose_before`, `pose_after`: pose scatter over its bound, root mean square over all six numbers (1: nothing lost);
- `nees`: squared pose errors over the covariance stated for the corners, per number (1: the statement is true);
- `chi2`: the same for single corners; `neighbours`: correlation of the errors of adjoining corners.

A second table shows the middle case by sub-pixel phase (a coordinate's fraction of a pixel, both coordinates pooled): mean and
RMS error in each eighth of a pixel, of twice as many views; what is left of the mean beside its own scatter would be locking to
pixels. `--out` saves plots (needs matplotlib).
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from tests.benchmarks.corner_bound import corner_information, pose_information
from tests.support.fine_board import Drawn, View, draw
from vision.boards import Board, BoardSet
from vision.camera import Camera
from vision.detect import detect_boards
from vision.frames import Array

BOARD = Board("floor", 5, 4, 46.0, 34.5, "DICT_APRILTAG_36h11", 60)
WIDTH, HEIGHT, FOCAL = 340, 260, 620.0
CAMERA = Camera(WIDTH, HEIGHT, FOCAL, FOCAL, (WIDTH - 1) / 2, (HEIGHT - 1) / 2)
PHASES = 8
INK = 0.06
"""Light that print sends back, of that of paper."""


@dataclass(frozen=True)
class Case:
    blur_px: float = 0.7
    noise: float = 2.5
    contrast: float = 150.0
    tilt_deg: float = 40.0
    z_mm: float = 950.0
    gamma: float = 1.0

    def side_px(self) -> float:
        """Side of a square seen square-on."""
        return BOARD.square_mm * FOCAL / self.z_mm


SWEEPS: dict[str, tuple[float, ...]] = {
    "blur_px": (0.4, 0.7, 1.0, 1.5),
    "noise": (1.0, 2.5, 5.0),
    "contrast": (40.0, 80.0, 150.0),
    "tilt_deg": (5.0, 25.0, 40.0, 60.0, 70.0),
    "z_mm": (650.0, 950.0, 1300.0),
    "gamma": (1.0, 1.5, 2.2),
}


@dataclass(frozen=True, eq=False)
class Shown:
    """A view with its picture before noise, its true corners and what the pixels hold."""

    view: View
    light: Array
    truth: Array
    jac: Array
    information: Array
    corner_bound: Array


def shown(case: Case, views: int) -> Iterator[Shown]:
    """Views at random sub-pixel places, turns and tilt axes."""
    rng = np.random.default_rng(7)
    for _ in range(views):
        middle = tuple(np.array([WIDTH, HEIGHT]) / 2 + rng.uniform(-3, 3, 2))
        angles = rng.uniform(0, 360), rng.uniform(0, 360)
        view = View(BOARD, WIDTH, HEIGHT, FOCAL, case.z_mm, case.tilt_deg, *angles, (float(middle[0]), float(middle[1])))
        drawn = draw(view, case.blur_px)
        local = [corner_information(view, drawn, corner, 0.5, case.contrast, case.noise) for corner in BOARD.corners_mm()]
        yield Shown(
            view,
            _toned(drawn, case),
            view.project(BOARD.corners_mm()),
            view.d_px(BOARD.corners_mm()),
            pose_information(view, drawn, case.contrast, case.noise),
            np.linalg.inv(np.array(local)),
        )


def _toned(drawn: Drawn, case: Case) -> Array:
    light = (np.clip(drawn.light, 0, 1) * (1 - INK) + INK) ** (1 / case.gamma)
    black = INK ** (1 / case.gamma)
    return np.asarray(30.0 + case.contrast * (light - black) / (1 - black))


def pose_step(jac: Array, error: Array, cov: Array) -> tuple[Array, Array]:
    """Least-squares pose step of corner errors and its normal matrix."""
    weight = np.linalg.inv(cov)
    normal = np.einsum("nik,nij,njl->kl", jac, weight, jac)
    return np.linalg.solve(normal, np.einsum("nik,nij,nj->k", jac, weight, error)), normal


def sub_pix(image: np.ndarray, truth: Array) -> Array:
    """`cornerSubPix` from the true corners; its window is that of OpenCV's ChArUco detector: up to the marker, 5 px at most."""
    grid = truth.reshape(BOARD.corner_rows, BOARD.corner_columns, 2)
    side = np.median(np.linalg.norm(np.diff(grid, axis=1), axis=2))
    to_marker = float(side) * (1 - BOARD.marker_mm / BOARD.square_mm) / 2 * np.sqrt(2)
    half = int(np.clip(to_marker - 2, 1, 5))
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.01)
    start = truth.astype(np.float32).reshape(-1, 1, 2)
    return np.asarray(cv2.cornerSubPix(image, start, (half, half), (-1, -1), criteria), dtype=float).reshape(-1, 2)


def photographed(one: Shown, case: Case, rng: np.random.Generator) -> np.ndarray:
    """The picture of a view with noise of its own."""
    noisy = one.light + rng.normal(0.0, case.noise, one.light.shape)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)


def by_phase(case: Case, views: int, repeats: int) -> list[dict[str, float]]:
    """Mean and RMS errors, px, of coordinates in each eighth of a pixel; `sigma_of_mean` is what noise leaves of our mean."""
    rng = np.random.default_rng(13)
    phase, errors = [], []
    for one in shown(case, views):
        for _ in range(repeats):
            image = photographed(one, case, rng)
            found, _ = detect_boards(image, BoardSet((BOARD,)), CAMERA)
            if found and len(found[0].corner_ids) == BOARD.corner_count:
                phase.append(one.truth % 1.0)
                errors.append([sub_pix(image, one.truth) - one.truth, found[0].px - one.truth])
    at = np.floor(np.concatenate(phase).ravel() * PHASES).astype(int)
    before, after = (np.concatenate([pair[k] for pair in errors]).ravel() for k in (0, 1))
    rows = []
    for k in range(PHASES):
        mine = at == k
        row = {"phase": (k + 0.5) / PHASES, "coordinates": float(mine.sum())}
        for name, values in (("before", before[mine]), ("after", after[mine])):
            row |= {f"{name}_mean": float(values.mean()), f"{name}_rms": float(np.sqrt(np.mean(values**2)))}
        rows.append(row | {"sigma_of_mean": row["after_rms"] / float(np.sqrt(mine.sum()))})
    return rows


def measured(case: Case, views: int, repeats: int) -> dict[str, float]:
    """The figures of one case."""
    rng = np.random.default_rng(11)
    squares: dict[str, list[float]] = {}

    def add(name: str, value: float) -> None:
        squares.setdefault(name, []).append(value)

    missed = 0
    for one in shown(case, views):
        errors = []
        for _ in range(repeats):
            image = photographed(one, case, rng)
            before = sub_pix(image, one.truth) - one.truth
            step, _ = pose_step(one.jac, before, np.tile(np.eye(2), (len(before), 1, 1)))
            add("before", float(np.mean(before**2)))
            add("pose_before", float(step @ one.information @ step / 6))
            found, _ = detect_boards(image, BoardSet((BOARD,)), CAMERA)
            if not found or len(found[0].corner_ids) < BOARD.corner_count:
                missed += 1
                continue
            error = found[0].px - one.truth
            step, normal = pose_step(one.jac, error, found[0].cov_px)
            add("after", float(np.mean(error**2)))
            add("pose_after", float(step @ one.information @ step / 6))
            add("nees", float(step @ normal @ step / 6))
            add("chi2", float(np.einsum("ni,nij,nj->", error, np.linalg.inv(found[0].cov_px), error) / error.size))
            errors.append(error)
        cov = one.jac @ np.linalg.inv(one.information) @ one.jac.transpose(0, 2, 1)
        add("bound", float(np.trace(cov, axis1=1, axis2=2).mean() / 2))
        add("window", float(np.trace(one.corner_bound, axis1=1, axis2=2).mean() / 2))
        if len(errors) > 1:
            mean = np.mean(errors, axis=0)
            own = np.var(errors, axis=0, ddof=1).mean() / len(errors)
            add("bias", max(float(np.mean(mean**2) - own), 0.0))
            add("neighbours", _neighbour_correlation(np.array(errors) - mean))
    plain = ("nees", "chi2", "neighbours")
    out = {name: float(np.mean(v)) if name in plain else float(np.sqrt(np.mean(v))) for name, v in squares.items()}
    return out | {"missed": float(missed)}


def _neighbour_correlation(scatter: Array) -> float:
    """Correlation of the noise of corners next to each other along rows, both coordinates pooled."""
    grid = scatter.reshape(len(scatter), BOARD.corner_rows, BOARD.corner_columns, 2)
    left, right = grid[:, :, :-1], grid[:, :, 1:]
    return float((left * right).mean() / np.sqrt((left**2).mean() * (right**2).mean()))


def run(views: int, repeats: int) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    done: dict[Case, dict[str, float]] = {}
    for name, values in SWEEPS.items():
        for value in values:
            case = replace(Case(), **{name: value})
            if case not in done:
                done[case] = measured(case, views, repeats)
            rows.append({"sweep": name, "value": value, "case": asdict(case), "side_px": case.side_px(), **done[case]})
    return rows


COLUMNS = ("before", "after", "bias", "bound", "window", "pose_before", "pose_after", "nees", "chi2", "neighbours", "missed")


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--views", type=int, default=4)
    parser.add_argument("--repeats", type=int, default=6)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--out", type=Path, help="folder for plots")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    rows = run(asked.views, asked.repeats)
    phases = by_phase(Case(), 2 * asked.views, asked.repeats)
    if asked.out:
        from tests.benchmarks.corner_plots import plot_phases, plot_study

        plot_study(rows, asked.out)
        plot_phases(phases, asked.out)
    if asked.json:
        print(json.dumps({"sweeps": rows, "phases": phases}, indent=2))
        return
    print(f"{'':16s}" + "".join(f"{name:>12s}" for name in COLUMNS))
    for row in rows:
        values = "".join(f"{row.get(name, float('nan')):12.4f}" for name in COLUMNS)
        print(f"{row['sweep']:9s}{row['value']:7g}{values}")
    print("\n" + "".join(f"{name:>16s}" for name in phases[0]))
    for phase in phases:
        print("".join(f"{value:16.5g}" for value in phase.values()))


if __name__ == "__main__":
    main()
