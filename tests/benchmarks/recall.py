"""Are boards found where they can be read, nothing where there is none, and are the corners where they are said to be?

    python -m tests.benchmarks.recall [--bays 2] [--photos 40] [--empty 200] [--size 1080p|12mp] [--lens-unknown] [--json]

Rendered bay photos with blur of sigma 0.3 to 0.9 px, noise up to sigma 4 of 255, Bayer mosaic, vignetting and JPEG. A board
counts for recall when it is wholly visible, its median square's shortest projected side is at least 22 px, it is tilted by at
most 65 degrees, and its contrast is at least 100 of 255. Found: at least six corners accepted, none off by more than 3 sigma +
0.3 px. Photos without a board: the same photos mirrored, the same photos searched for boards of other ids, and clutter.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from synthetic_images.bay import Bay
from synthetic_images.corners import BoardCorners, true_px, visible_corners
from synthetic_images.imaging import Imaging
from synthetic_images.invent import random_bay
from synthetic_images.render import render_photo
from synthetic_images.shot import Shot
from synthetic_images.shots import demo_shots
from synthetic_images.true_camera import TrueCamera, still_camera, webcam
from tests.support.clutter import KINDS, clutter
from vision.boards import BoardSet
from vision.boards_io import starter_boards
from vision.camera import Camera
from vision.detect import detect_boards
from vision.frames import Array
from vision.sightings import Sighting

SIDE_PX = 22.0
TILT_RAD = math.radians(65.0)
LEAST_CONTRAST = 100.0
SIDES_PX = (6.0, 10.0, 14.0, 18.0, 22.0, 30.0, 1000.0)


@dataclass(frozen=True, eq=False)
class Sample:
    """One rendered photo and its truth."""

    bay: Bay
    camera: TrueCamera
    shot: Shot
    gray: np.ndarray
    visible: dict[str, BoardCorners]


@dataclass
class Tally:
    """Counts over all photos; `by_side` holds (found, all) of wholly visible boards by shortest side."""

    due: int = 0
    found: int = 0
    reported: int = 0
    wrong: int = 0
    hidden_corners: int = 0
    missed: list[str] = field(default_factory=list)
    errors: list[Array] = field(default_factory=list)
    normalised: list[Array] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)
    by_side: dict[str, list[int]] = field(default_factory=dict)


def samples(bays: int, photos: int, camera: TrueCamera) -> Iterator[Sample]:
    """Photos of invented bays, shuffled, each with its own blur, noise and light."""
    boards = starter_boards("a4")
    for seed in range(bays):
        rng = np.random.default_rng(seed)
        bay = random_bay(boards, rng)
        shots = [shot for shot in demo_shots(bay, rng, camera) if shot.epoch != "lens"]
        for k in rng.permutation(len(shots))[:photos]:
            noise = rng.uniform(1.0, 4.0)
            imaging = Imaging(
                blur_px=rng.uniform(0.3, 0.9),
                read_noise=0.5 * noise,
                shot_noise=0.85 * noise,
                exposure=rng.uniform(0.7, 1.1),
                quality=int(rng.integers(85, 97)),
            )
            picture = render_photo(bay, camera, shots[k], rng, imaging)
            data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, imaging.quality])[1]
            gray = np.asarray(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE), dtype=np.uint8)
            seen = visible_corners(bay, camera, shots[k], min_square_px=SIDES_PX[0], max_tilt_rad=math.radians(80.0))
            yield Sample(bay, camera, shots[k], gray, {corners.board: corners for corners in seen})


def lens_of(camera: TrueCamera) -> Camera:
    distortion = np.array([camera.k1, camera.k2, camera.p1, camera.p2, camera.k3])
    return Camera(camera.width_px, camera.height_px, camera.fx_px, camera.fy_px, camera.cx_px, camera.cy_px, distortion)


def contrast_of(sample: Sample, corners: BoardCorners) -> float:
    """White minus black on the board: the spread of grey values inside the outline of its corners."""
    x0, y0 = np.floor(corners.px.min(axis=0)).astype(int)
    x1, y1 = np.ceil(corners.px.max(axis=0)).astype(int)
    low, high = np.percentile(sample.gray[y0:y1, x0:x1], [5, 95])
    return float(high - low)


def score(sample: Sample, found: tuple[Sighting, ...], tally: Tally) -> None:
    names = {sighting.board: sighting for sighting in found}
    good: set[str] = set()
    for name, sighting in names.items():
        truth = true_px(sample.bay, sample.camera, sample.shot, name)
        error = sighting.px - truth[sighting.corner_ids]
        sigma = np.sqrt(np.linalg.eigvalsh(sighting.cov_px)[:, -1])
        off = np.linalg.norm(error, axis=1) > 3.0 * sigma + 0.3
        seen = sample.visible.get(name)
        tally.hidden_corners += len(set(sighting.corner_ids) - set(seen.corner_ids if seen is not None else ()))
        tally.reported += 1
        tally.wrong += bool(off.any())
        tally.errors.append(error)
        tally.normalised.append(np.einsum("ni,nij,nj->n", error, np.linalg.inv(sighting.cov_px), error) / 2)
        if not off.any() and len(sighting.corner_ids) >= 6:
            good.add(name)
    for name, corners in sample.visible.items():
        if len(corners.corner_ids) == sample.bay.boards[name].corner_count and corners.tilt_rad <= TILT_RAD:
            _count(sample, name, corners, name in good, tally)


def _count(sample: Sample, name: str, corners: BoardCorners, good: bool, tally: Tally) -> None:
    k = int(np.searchsorted(SIDES_PX, corners.square_px, side="right")) - 1
    cell = tally.by_side.setdefault(f"{SIDES_PX[k]:g}+", [0, 0])
    cell[0] += good
    cell[1] += 1
    if corners.square_px >= SIDE_PX and contrast_of(sample, corners) >= LEAST_CONTRAST:
        tally.due += 1
        tally.found += good
        if not good:
            where = f"{sample.shot.file_name} {name}: side {corners.square_px:.0f} px"
            tally.missed.append(f"{where}, {math.degrees(corners.tilt_rad):.0f} deg")


def false_finds(kept: list[Sample], count: int) -> tuple[int, list[str]]:
    """Photos without a board that were searched, and the boards reported in them."""
    boards = starter_boards("a4")
    highest = max(board.first_id + board.marker_count for board in boards)
    others = BoardSet(
        tuple(
            replace(board, first_id=board.first_id + highest) for board in boards if 2 * highest < 587 or board.first_id < 200
        )
    )
    reported: list[str] = []
    searched = 0
    for sample in kept[: count // 3]:
        mirrored = np.ascontiguousarray(sample.gray[:, ::-1])
        for what, gray, searched_for in (("mirrored", mirrored, boards), ("other ids", sample.gray, others)):
            found, _ = detect_boards(gray, searched_for, lens_of(sample.camera))
            reported += [f"{what} {sample.shot.file_name}: {sighting.board}" for sighting in found]
            searched += 1
    for k in range(max(count - searched, 0)):
        kind = KINDS[k % len(KINDS)]
        found, _ = detect_boards(clutter(kind, k, 1280, 720), boards, None)
        reported += [f"{kind} {k}: {sighting.board}" for sighting in found]
        searched += 1
    return searched, reported


def run(bays: int, photos: int, empty: int, camera: TrueCamera, *, lens_known: bool) -> dict[str, object]:
    boards = starter_boards("a4")
    tally = Tally()
    kept: list[Sample] = []
    for sample in samples(bays, photos, camera):
        kept.append(sample)
        start = time.process_time()
        found, _ = detect_boards(sample.gray, boards, lens_of(camera) if lens_known else None)
        tally.seconds.append(time.process_time() - start)
        score(sample, found, tally)
    error, square = np.concatenate(tally.errors), np.concatenate(tally.normalised)
    searched, reported = false_finds(kept, empty)
    return {
        "photos": len(kept),
        "boards_due": tally.due,
        "boards_found": tally.found,
        "recall": tally.found / max(tally.due, 1),
        "boards_reported": tally.reported,
        "boards_with_a_wrong_corner": tally.wrong,
        "hidden_corners_accepted": tally.hidden_corners,
        "missed": tally.missed,
        "by_side_px": {
            side: f"{a} of {b}" for side, (a, b) in sorted(tally.by_side.items(), key=lambda item: float(item[0][:-1]))
        },
        "corner_rms_px": float(np.sqrt(np.mean(error**2))),
        "corner_bias_px": [float(v) for v in error.mean(axis=0)],
        "corner_worst_px": float(np.linalg.norm(error, axis=1).max()),
        "normalised_error": float(square.mean()),
        "photos_without_a_board": searched,
        "false_finds": reported,
        "seconds_per_photo": float(np.mean(tally.seconds)),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--bays", type=int, default=2)
    parser.add_argument("--photos", type=int, default=40, help="photos of each bay")
    parser.add_argument("--empty", type=int, default=200, help="photos without a board")
    parser.add_argument("--size", choices=("1080p", "12mp"), default="1080p")
    parser.add_argument("--lens-unknown", action="store_true")
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    camera = webcam() if asked.size == "1080p" else still_camera()
    result = run(asked.bays, asked.photos, asked.empty, camera, lens_known=not asked.lens_unknown)
    if asked.json:
        print(json.dumps(result, indent=2))
        return
    for name, value in result.items():
        print(f"{name:28s} {value}")


if __name__ == "__main__":
    main()
