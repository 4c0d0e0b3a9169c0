"""How corners found on renders scatter about the truth, and what is stated of them: the law the simulated campaign draws from.

    python -m tests.benchmarks.noise_law [--photos 60] [--camera 1080p|12mp] [--flat] [--rows FILE] [--json]

Photos of random bays around the reference bay, each with blur, noise and light of its own, Bayer mosaic and JPEG; boards found
with the true lens and bars measured as the reference bay says. A straight edge of contrast C under noise n, blurred by a
Gaussian of s px, tells its place over L px to n² 2√π s / (C² L) (Fisher information of a shifted edge, ∫g² = 1/(2√π s)); here
L grows with the squares' side a:

    σ² = floor² + (gain · n/C)² · s/a,   s² = blur² + 0.5²

That is each corner's own noise. On a bent board all corners are off together besides, by `together` times the tangent of the
tilt, the same way in every photo: within a corner's window the face curves, so that the board seems to lie some 0.01 mm deeper
than it does. That moves a board, not one photo against another, and the simulated campaign leaves it out. Printed too: how much
the stated σ is too large or small, and how it scatters from board to board.
"""

from __future__ import annotations

import argparse
import json
import math
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from scipy.optimize import minimize

from synthetic_images.background import light
from synthetic_images.corners import BoardCorners, shot_boards, visible_corners
from synthetic_images.imaging import Imaging, vignette
from synthetic_images.render import render_photo
from synthetic_images.rigid import Array, apply
from synthetic_images.shot import Shot
from tests.benchmarks.reference_bay import CAMERAS, TrueBay, true_bay
from tests.support.simulated import true_lens
from vision.boards import NOMINAL_BAR_MM, BoardSet, PrintScale
from vision.boards_io import starter_boards
from vision.detect import detect_boards
from vision.parallel import in_parallel

WHITE, BLACK = 0.84, 0.05
"""Reflectance of paper and ink in the renders."""
OUTLIER_PX = 1.0
PIXEL_BLUR = 0.5
"""Of the sensor itself: pixel and mosaic, σ in px."""


@dataclass(frozen=True, slots=True)
class NoiseLaw:
    """σ (k = 1) per pixel coordinate of corners, and how the stated σ departs from it.

    Attributes
    ----------
    floor_px, gain : float
        See the module.
    stated : float
        Typical stated σ over true σ.
    scatter : float
        σ of the logarithm of that ratio from sighting to sighting: how wrong the weights are.
    """

    floor_px: float
    gain: float
    stated: float = 1.0
    scatter: float = 0.0

    def sigma_px(self, noise: Array | float, contrast: Array | float, blur_px: Array | float, side_px: Array | float) -> Array:
        spread = np.hypot(blur_px, PIXEL_BLUR)
        return np.asarray(np.sqrt(self.floor_px**2 + (self.gain * np.asarray(noise) / contrast) ** 2 * spread / side_px))


LAW = NoiseLaw(floor_px=0.003, gain=3.2, stated=1.0, scatter=0.2)
"""Own noise of corners on bent boards, both cameras; stated as on flat ones (renders of 2026-11)."""
FOUND = {"1080p": replace(LAW, stated=2.8, scatter=0.45), "12mp": replace(LAW, stated=3.4, scatter=0.31)}
"""As stated of boards bent within ±0.5 mm: their bends pass for noise of the corners (`vision.judging`, 2026-11)."""


@dataclass(frozen=True, slots=True)
class Row:
    """One board found in one photo: what it was seen under, RMS error per coordinate, stated σ, mean error, corners."""

    noise: float
    contrast: float
    blur_px: float
    side_px: float
    tilt_rad: float
    error_px: float
    stated_px: float
    shared_px: float
    corners: int


def seen_under(one: TrueBay, shot: Shot, corners: BoardCorners) -> tuple[float, float]:
    """Noise (σ of 255) on the middle grey of a board and its contrast (white − black of 255) in a photo."""
    board, camera, imaging = one.bay.boards[corners.board], one.camera, one.imaging
    centre = apply(shot_boards(one.bay, shot)[corners.board], board.centre_mm)
    x, y = np.clip(corners.px.mean(axis=0).round().astype(int), 0, [camera.width_px - 1, camera.height_px - 1])
    bright = float(light(centre)) * imaging.exposure * float(vignette(camera, imaging.vignetting)[y, x])
    return noise_at(imaging, bright * (WHITE + BLACK) / 2), 255.0 * bright * (WHITE - BLACK)


def measured_boards(one: TrueBay, rng: np.random.Generator) -> BoardSet:
    """The boards with their bars measured as well as the reference bay says."""
    pm = one.known["bars_pm_mm"] / NOMINAL_BAR_MM
    runs = {run: scale + rng.normal(0.0, pm / 2, 2) for run, scale in one.run_scale.items()}
    return BoardSet(tuple(replace(board, scale=PrintScale(*runs[board.print_run], pm)) for board in starter_boards("a3")))


def noise_at(imaging: Imaging, level: float) -> float:
    return float(np.sqrt(imaging.read_noise**2 + imaging.shot_noise**2 * level))


def look(work: tuple[int, str, bool]) -> list[dict[str, float]]:
    """Two photos of the bay of a seed."""
    cv2.setNumThreads(1)
    seed, camera, flat = work
    rng = np.random.default_rng([seed, 5])
    one = true_bay(camera, rng=rng)
    if flat:
        one = replace(one, bay=replace(one.bay, bends={}))
    boards = measured_boards(one, rng)
    rows = []
    for k in rng.choice(len(one.shots), 2, replace=False):
        shot = one.shots[int(k)]
        picture = render_photo(one.bay, one.camera, shot, rng, one.imaging)
        data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, one.imaging.quality])[1]
        gray = np.asarray(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE), dtype=np.uint8)
        true = {c.board: c for c in visible_corners(one.bay, one.camera, shot, min_square_px=8.0)}
        for sighting in detect_boards(gray, boards, true_lens(one.camera))[0]:
            seen = true.get(sighting.board)
            if seen is None:
                continue
            both, i, j = np.intersect1d(sighting.corner_ids, seen.corner_ids, return_indices=True)
            error = sighting.px[i] - seen.px[j]
            good = np.linalg.norm(error, axis=1) < OUTLIER_PX
            if good.sum() < 6:
                continue
            noise, contrast = seen_under(one, shot, seen)
            stated = np.sqrt(np.mean(np.einsum("nii->ni", sighting.cov_px[i][good])))
            rms, mean = np.sqrt(np.mean(error[good] ** 2)), np.sqrt(np.mean(error[good].mean(axis=0) ** 2))
            rows.append(
                asdict(
                    Row(noise, contrast, one.imaging.blur_px, seen.square_px, seen.tilt_rad, rms, stated, mean, int(good.sum()))
                )
            )
    return rows


def fitted(rows: list[Row]) -> NoiseLaw:
    """The law under which the corners' own errors are likeliest (normal law; rare bad boards count in full)."""
    c = {name: np.array([getattr(row, name) for row in rows]) for name in Row.__dataclass_fields__}
    n = c["corners"]
    own = np.maximum(c["error_px"] ** 2 - c["shared_px"] ** 2, 1e-8) * n / (n - 1)

    def loss(p: Array) -> float:
        square = NoiseLaw(*np.exp(p)).sigma_px(c["noise"], c["contrast"], c["blur_px"], c["side_px"]) ** 2
        return float(np.average(np.log(square) + own / square, weights=n))

    floor, gain = np.exp(minimize(loss, np.log([0.006, 2.5]), method="Nelder-Mead").x)
    law = NoiseLaw(float(floor), float(gain))
    stated = np.sqrt(np.average((c["stated_px"] / of_rows(law, rows)) ** 2, weights=n))
    ratio = np.log(np.sqrt(own) / c["stated_px"])
    spread = 1.4826 * float(np.median(np.abs(ratio - np.median(ratio))))
    # the RMS of n corners scatters by itself: χ² of about 2 n - 2
    by_chance = float(np.mean(1.0 / (2.0 * (2.0 * n - 2.0))))
    return replace(law, stated=float(stated), scatter=math.sqrt(max(spread**2 - by_chance, 0.0)))


def of_rows(law: NoiseLaw, rows: list[Row]) -> Array:
    """σ the law expects of every row."""
    return np.array([law.sigma_px(r.noise, r.contrast, r.blur_px, r.side_px) for r in rows])


def together(rows: list[Row]) -> float:
    """How far all corners of a board are off together, px per tangent of the tilt."""
    square = [(r.shared_px**2 - (r.error_px**2 - r.shared_px**2) / (r.corners - 1)) / np.tan(r.tilt_rad) ** 2 for r in rows]
    return float(np.sqrt(max(np.average(square, weights=[r.corners for r in rows]), 0.0)))


def summary(rows: list[Row]) -> dict[str, Any]:
    law = fitted(rows)
    error, stated, n = (np.array([getattr(row, name) for row in rows]) for name in ("error_px", "stated_px", "corners"))
    sigma = of_rows(law, rows)
    return {
        "sightings": len(rows),
        "law": asdict(law),
        "together": together(rows),
        "rms_px": float(np.sqrt(np.average(error**2, weights=n))),
        "stated_rms_px": float(np.sqrt(np.average(stated**2, weights=n))),
        "error_over_law": float(np.sqrt(np.average((error / sigma) ** 2, weights=n))),
        "error_over_stated": float(np.sqrt(np.average((error / stated) ** 2, weights=n))),
        "by_side_px": _by(np.array([r.side_px for r in rows]), (8, 16, 20, 26, 34, 50, 80, 999), error, sigma, stated),
        "by_blur_px": _by(np.array([r.blur_px for r in rows]), (0.4, 0.6, 0.8, 1.0, 1.2), error, sigma, stated),
        "by_tilt_deg": _by(np.degrees([r.tilt_rad for r in rows]), (0, 30, 45, 55, 63, 70), error, sigma, stated),
    }


def _by(value: Array, edges: tuple[float, ...], error: Array, sigma: Array, stated: Array) -> dict[str, list[float]]:
    """Count, RMS error, RMS of error over law, of error over stated."""
    out = {}
    for low, high in zip(edges, edges[1:], strict=False):
        part = (value >= low) & (value < high)
        if part.any():
            rms = (np.sqrt(np.mean(v[part] ** 2)) for v in (error, error / sigma, error / stated))
            out[f"{low}-{high}"] = [int(part.sum()), *(round(float(v), 4) for v in rms)]
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos", type=int, default=80)
    parser.add_argument("--camera", choices=CAMERAS, default="1080p")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--cores", type=int, default=2)
    parser.add_argument("--flat", action="store_true", help="boards that are not bent")
    parser.add_argument("--rows", type=Path, help="add the boards to this file, and fit all it holds")
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    work = [(seed, asked.camera, asked.flat) for seed in range(asked.first, asked.first + asked.photos // 2)]
    rows = []
    for some in in_parallel(look, work, cores=asked.cores):
        rows += [Row(**row) for row in some]
        if asked.rows:
            with asked.rows.open("a", encoding="utf-8") as file:
                file.writelines(json.dumps(row) + "\n" for row in some)
    if asked.rows:
        rows = [Row(**json.loads(line)) for line in asked.rows.read_text(encoding="utf-8").splitlines()]
    result = summary(rows)
    if asked.json:
        print(json.dumps(result, indent=1))
        return
    for name, value in result.items():
        print(f"{name:20s} {value}")


if __name__ == "__main__":
    main()
