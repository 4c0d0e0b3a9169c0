"""Photos for the recall benchmark: rendered bay photos with their truth, and photos without any board that is looked for."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np

from synthetic_images.bay import Bay
from synthetic_images.corners import BoardCorners, shot_boards, visible_corners
from synthetic_images.imaging import Imaging
from synthetic_images.invent import random_bay
from synthetic_images.render import render_photo
from synthetic_images.rigid import inverse
from synthetic_images.shot import Shot
from synthetic_images.shots import demo_shots
from synthetic_images.true_camera import TrueCamera
from tests.support.clutter import KINDS, clutter
from vision.boards import BoardSet
from vision.boards_io import starter_boards
from vision.camera import Camera
from vision.frames import Pose, exp_so3

LEAST_SIDE_PX = 6.0
LARGEST_TILT_RAD = math.radians(80.0)
PREDICTED_OFF_PX = 2.0
"""How far (k = 1) other photos' prediction may be off: after the first adjustment it is well below a pixel."""


@dataclass(frozen=True, eq=False)
class Sample:
    """One rendered photo and its truth."""

    bay: Bay
    camera: TrueCamera
    shot: Shot
    gray: np.ndarray
    visible: dict[str, BoardCorners]
    imaging: Imaging
    noise: float
    dim: bool

    def predicted(self, board: str, rng: np.random.Generator) -> Pose:
        """`cam_from_board` as other photos would predict it: turned about the camera by some pixels, a little off in depth."""
        true = inverse(self.shot.bay_from_cam) @ shot_boards(self.bay, self.shot)[board]
        turn = exp_so3(rng.normal(0.0, PREDICTED_OFF_PX / self.camera.fx_px, 3))
        shift = true[:3, 3] * (1.0 + rng.normal(0.0, 0.002))
        return Pose.from_rt("cam", board, turn @ true[:3, :3], turn @ shift)


def samples(bays: int, photos: int, camera: TrueCamera) -> Iterator[Sample]:
    """Photos of invented bays, shuffled; every other one sharp and bright, the others dim, noisy and a little out of focus."""
    boards = starter_boards("a4")
    for seed in range(bays):
        rng = np.random.default_rng(seed)
        bay = random_bay(boards, rng)
        shots = [shot for shot in demo_shots(bay, rng, camera) if shot.epoch != "lens"]
        for count, k in enumerate(rng.permutation(len(shots))[:photos]):
            dim = count % 2 == 1
            noise = rng.uniform(2.0, 4.0) if dim else rng.uniform(1.0, 2.0)
            imaging = Imaging(
                blur_px=rng.uniform(0.6, 0.9) if dim else rng.uniform(0.3, 0.6),
                read_noise=0.5 * noise,
                shot_noise=0.85 * noise,
                exposure=rng.uniform(0.45, 0.75) if dim else rng.uniform(0.75, 1.1),
                quality=int(rng.integers(85, 97)),
            )
            picture = render_photo(bay, camera, shots[k], rng, imaging)
            data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, imaging.quality])[1]
            gray = np.asarray(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE), dtype=np.uint8)
            seen = visible_corners(bay, camera, shots[k], min_square_px=LEAST_SIDE_PX, max_tilt_rad=LARGEST_TILT_RAD)
            yield Sample(bay, camera, shots[k], gray, {corners.board: corners for corners in seen}, imaging, noise, dim)


def lens_of(camera: TrueCamera) -> Camera:
    distortion = np.array([camera.k1, camera.k2, camera.p1, camera.p2, camera.k3])
    return Camera(camera.width_px, camera.height_px, camera.fx_px, camera.fy_px, camera.cx_px, camera.cy_px, distortion)


def contrast_of(sample: Sample, corners: BoardCorners) -> float:
    """White minus black on the board: the spread of grey values inside the outline of its corners."""
    x0, y0 = np.floor(corners.px.min(axis=0)).astype(int)
    x1, y1 = np.ceil(corners.px.max(axis=0)).astype(int)
    low, high = np.percentile(sample.gray[y0:y1, x0:x1], [5, 95])
    return float(high - low)


def without_boards(kept: list[Sample], count: int) -> Iterator[tuple[str, np.ndarray, BoardSet, Camera | None]]:
    """Name, picture, boards to look for and lens: bay photos mirrored, bay photos searched for other ids, then clutter."""
    boards = starter_boards("a4")
    done = 0
    for sample in kept[: count // 3]:
        lens = lens_of(sample.camera)
        yield f"mirrored {sample.shot.file_name}", np.ascontiguousarray(sample.gray[:, ::-1]), boards, lens
        yield f"other ids {sample.shot.file_name}", sample.gray, _other_ids(boards), lens
        done += 2
    for k in range(max(count - done, 0)):
        kind = KINDS[k % len(KINDS)]
        yield f"{kind} {k}", clutter(kind, k, 1280, 720), boards, None


def _other_ids(boards: BoardSet) -> BoardSet:
    highest = max(board.first_id + board.marker_count for board in boards)
    fits = [board for board in boards if board.first_id + highest + board.marker_count <= 587]
    return BoardSet(tuple(replace(board, first_id=board.first_id + highest) for board in fits))
