"""Are boards found where they can be read, nothing where there is none, and are the corners where they are said to be?

    python -m tests.benchmarks.recall [--bays 2] [--photos 40] [--empty 200] [--size 1080p|12mp] [--lens-unknown]
                                      [--real FOLDER] [--json] [--out DIR]

Rendered bay photos, half of them sharp (blur of sigma 0.3 to 0.6 px, noise up to 2 of 255), half dim (0.6 to 0.9 px, up to 4),
with Bayer mosaic, vignetting and JPEG. A board is due when it is wholly visible, tilted by at most 70 degrees and its median
square's shortest projected side is at least 16 px (sharp) or 20 px (dim). Found: at least six corners, none off by more than
3 sigma + 0.3 px; in the photo alone, and in a survey, where other photos predict the board to some pixels and a second look is
taken. Photos without a board: bay photos mirrored, bay photos searched for other ids, clutter, and the pictures of `--real`.
Where `pupil-apriltags` is installed, markers that it and we both read are compared. `--out` saves plots (needs matplotlib).
"""

from __future__ import annotations

import argparse
import json
import math
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np

from synthetic_images.corners import true_px
from synthetic_images.true_camera import TrueCamera, still_camera, webcam
from tests.benchmarks.recall_photos import Sample, contrast_of, lens_of, samples, without_boards
from vision.boards import BoardSet
from vision.boards_io import starter_boards
from vision.camera import Camera
from vision.detect import detect_boards
from vision.frames import Array
from vision.markers import read_markers
from vision.sightings import Sighting
from vision.visible import could_be_read

SHARP_SIDE_PX, DIM_SIDE_PX = 16.0, 20.0
TILT_DEG = 70.0


@dataclass(frozen=True)
class Row:
    """One wholly visible board in one photo: what it looked like, and whether it was found alone and with a prediction."""

    name: str
    side_px: float
    tilt_deg: float
    blur_px: float
    noise: float
    contrast: float
    dim: bool
    alone: bool
    survey: bool

    @property
    def due(self) -> bool:
        return self.tilt_deg <= TILT_DEG and self.side_px >= (DIM_SIDE_PX if self.dim else SHARP_SIDE_PX)


@dataclass
class Tally:
    rows: list[Row] = field(default_factory=list)
    reported: int = 0
    wrong: list[str] = field(default_factory=list)
    hidden_corners: int = 0
    errors: list[Array] = field(default_factory=list)
    normalised: list[Array] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)


def looked_at(sample: Sample, lens: Camera | None, rng: np.random.Generator, tally: Tally) -> None:
    """First look, then a second one at all boards that the photo could show by a prediction and that were not found."""
    boards = sample.bay.boards
    starter = BoardSet(tuple(board for board in starter_boards("a4") if board.name in boards))
    start = time.process_time()
    first, _ = detect_boards(sample.gray, starter, lens)
    tally.seconds.append(time.process_time() - start)
    names = {sighting.board for sighting in first}
    predicted = {name: sample.predicted(name, rng) for name in sample.visible if name not in names}
    predicted = {n: p for n, p in predicted.items() if could_be_read(p, lens_of(sample.camera), boards[n])}
    wanted = BoardSet(tuple(board for board in starter if board.name in predicted))
    second = detect_boards(sample.gray, wanted, lens_of(sample.camera), predicted=predicted)[0] if predicted else ()
    alone = {sighting.board for sighting in first if _right(sample, sighting, tally)}
    later = {sighting.board for sighting in second if _right(sample, sighting, tally)}
    for name, corners in sample.visible.items():
        if len(corners.corner_ids) == boards[name].corner_count:
            tally.rows.append(
                Row(
                    f"{sample.shot.file_name} {name}",
                    corners.square_px,
                    math.degrees(corners.tilt_rad),
                    sample.imaging.blur_px,
                    sample.noise,
                    contrast_of(sample, corners),
                    sample.dim,
                    name in alone,
                    name in alone | later,
                )
            )


def _right(sample: Sample, sighting: Sighting, tally: Tally) -> bool:
    error = sighting.px - true_px(sample.bay, sample.camera, sample.shot, sighting.board)[sighting.corner_ids]
    sigma = np.sqrt(np.linalg.eigvalsh(sighting.cov_px)[:, -1])
    off = bool((np.linalg.norm(error, axis=1) > 3.0 * sigma + 0.3).any())
    seen = sample.visible.get(sighting.board)
    tally.hidden_corners += len(set(sighting.corner_ids) - set(seen.corner_ids if seen is not None else ()))
    tally.reported += 1
    if off:
        tally.wrong.append(f"{sample.shot.file_name} {sighting.board}")
    tally.errors.append(error)
    tally.normalised.append(np.einsum("ni,nij,nj->n", error, np.linalg.inv(sighting.cov_px), error) / 2)
    return not off and len(sighting.corner_ids) >= 6


def agreement(grays: Sequence[np.ndarray]) -> dict[str, int]:
    """Markers that the AprilTag library and we both read at one place, and how many of them under two ids."""
    import pupil_apriltags

    library = pupil_apriltags.Detector("tag36h11", quad_decimate=1.0)
    counts = {"both": 0, "disagree": 0, "only_ours": 0, "only_theirs": 0}
    for gray in grays:
        ours = read_markers(gray, list(starter_boards("a4")))
        theirs = [tag for tag in library.detect(gray) if tag.hamming == 0]
        middle = ours.corners_px.mean(axis=1)
        matched = set()
        for tag in theirs:
            gap = np.linalg.norm(middle - (np.asarray(tag.center) - 0.5), axis=1) if len(ours) else np.full(1, np.inf)
            k = int(np.argmin(gap))
            if gap[k] > 4.0:
                counts["only_theirs"] += 1
                continue
            matched.add(k)
            counts["both"] += 1
            counts["disagree"] += int(ours.ids[k]) != tag.tag_id
        counts["only_ours"] += len(ours) - len(matched)
    return counts


def false_finds(kept: list[Sample], count: int, real: Path | None) -> tuple[int, list[str]]:
    """Photos without a board that were searched, and the boards reported in them."""
    reported, searched = [], 0
    for name, gray, boards, lens in without_boards(kept, count):
        reported += [f"{name}: {sighting.board}" for sighting in detect_boards(gray, boards, lens)[0]]
        searched += 1
    for path in sorted(real.rglob("*")) if real else []:
        gray_or_none = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE) if path.suffix in (".jpg", ".png") else None
        if gray_or_none is not None:
            found = detect_boards(np.asarray(gray_or_none, dtype=np.uint8), starter_boards("a4"), None)[0]
            reported += [f"{path.name}: {sighting.board}" for sighting in found]
            searched += 1
    return searched, reported


def summary(tally: Tally) -> dict[str, object]:
    error, square = np.concatenate(tally.errors), np.concatenate(tally.normalised)
    out: dict[str, object] = {"photos": len(tally.seconds)}
    for kind, dim in (("sharp", False), ("dim", True)):
        due = [row for row in tally.rows if row.due and row.dim == dim]
        out[f"{kind}_due"] = len(due)
        out[f"{kind}_recall_in_survey"] = float(np.mean([row.survey for row in due])) if due else math.nan
        out[f"{kind}_recall_single_photo"] = float(np.mean([row.alone for row in due])) if due else math.nan
    missed = [row for row in tally.rows if row.due and not row.survey]
    return out | {
        "missed": [f"{row.name}: side {row.side_px:.0f} px, {row.tilt_deg:.0f} deg" for row in missed],
        "boards_reported": tally.reported,
        "boards_with_a_wrong_corner": tally.wrong,
        "hidden_corners_accepted": tally.hidden_corners,
        "corner_rms_px": float(np.sqrt(np.mean(error**2))),
        "corner_bias_px": [float(v) for v in error.mean(axis=0)],
        "corner_worst_px": float(np.linalg.norm(error, axis=1).max()),
        "normalised_error": float(square.mean()),
        "seconds_per_photo": float(np.mean(tally.seconds)),
    }


def run(bays: int, photos: int, empty: int, camera: TrueCamera, real: Path | None, lens_known: bool) -> tuple[dict, Tally]:
    tally, rng = Tally(), np.random.default_rng(1)
    kept: list[Sample] = []
    for sample in samples(bays, photos, camera):
        kept.append(sample)
        looked_at(sample, lens_of(camera) if lens_known else None, rng, tally)
    searched, reported = false_finds(kept, empty, real)
    result = summary(tally) | {"photos_without_a_board": searched, "false_finds": reported}
    try:
        return result | {"markers_with_apriltag_library": agreement([sample.gray for sample in kept])}, tally
    except ImportError:
        return result | {"markers_with_apriltag_library": "pupil-apriltags is not installed"}, tally


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--bays", type=int, default=2)
    parser.add_argument("--photos", type=int, default=40, help="photos of each bay")
    parser.add_argument("--empty", type=int, default=200, help="photos without a board")
    parser.add_argument("--size", choices=("1080p", "12mp"), default="1080p")
    parser.add_argument("--lens-unknown", action="store_true")
    parser.add_argument("--real", type=Path, help="folder of photos that show none of our boards")
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--out", type=Path, help="folder for plots")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    camera = webcam() if asked.size == "1080p" else still_camera()
    result, tally = run(asked.bays, asked.photos, asked.empty, camera, asked.real, not asked.lens_unknown)
    if asked.out:
        from tests.benchmarks.recall_plots import plot_recall

        plot_recall(tally.rows, asked.out)
    if asked.json:
        print(json.dumps(result, indent=2))
        return
    for name, value in result.items():
        print(f"{name:32s} {value}")


if __name__ == "__main__":
    main()
