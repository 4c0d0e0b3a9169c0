"""Lens photos with known truth: corners from `cv2.projectPoints`, poses, noise and wobble drawn here."""

from __future__ import annotations

import cv2
import numpy as np

from vision.boards import Board, BoardSet, PrintScale
from vision.sightings import PhotoSightings, Sighting

BOARD = Board("lens-1", 9, 7, 28.0, 21.0, "DICT_APRILTAG_36h11", 100, scale=PrintScale(1.0, 1.0, 2e-4, 2e-4))
BOARDS = BoardSet((BOARD,))
WEBCAM = (1920, 1080, 1400.0, 1402.0, 965.0, 535.0, (-0.2, 0.06, 5e-4, -3e-4))
"""width, height, fx, fy, cx, cy, distortion in OpenCV's order."""


def true_parameters(camera=WEBCAM) -> np.ndarray:
    return np.array([*camera[2:6], *camera[6], *[0.0] * (8 - len(camera[6]))])


def photo(
    rng,
    name,
    camera=WEBCAM,
    *,
    tilt_deg,
    turn_deg,
    place,
    distance_mm,
    noise_px=0.1,
    wobble=(0.0, 0.0),
    warp_px=0.0,
    printed_off_mm=0.0,
    bent_mm=0.0,
):
    """One photo of the board; `place` is the board's centre in the picture as a share of width and height.

    `printed_off_mm`, shape (corners, 2), is where the corners were printed minus where they should be; `bent_mm` by how much
    the face's left and right edge depart from its mean plane.
    """
    width, height, fx, fy, cx, cy, distortion = camera
    stretch = 1.0 + 0.01 * wobble[0] * rng.normal()
    fx, fy = fx * stretch, fy * stretch
    cx, cy = np.array([cx, cy]) + wobble[1] * rng.normal(size=2)
    azimuth = np.radians(turn_deg[1])
    tilt = cv2.Rodrigues(np.radians(tilt_deg) * np.array([np.cos(azimuth), np.sin(azimuth), 0.0]))[0]
    turn = tilt @ cv2.Rodrigues(np.array([0.0, 0.0, np.radians(turn_deg[0])]))[0]
    x, y = (place[0] * width - camera[4]) / camera[2], (place[1] * height - camera[5]) / camera[3]
    shift = distance_mm * np.array([x, y, 1.0]) - turn @ BOARD.centre_mm
    matrix = np.array([[fx, 0, cx], [0, fy, cy], [0, 0, 1]])
    corners = BOARD.corners_mm()
    across = 2.0 * corners[:, 0] / BOARD.size_mm[0] - 1.0
    corners[:, :2] += printed_off_mm
    corners[:, 2] += bent_mm * (3.0 * across**2 - 1.0) / 2.0
    px = cv2.projectPoints(corners, cv2.Rodrigues(turn)[0], shift, matrix, np.array(distortion))[0].reshape(-1, 2)
    px = px + noise_px * rng.normal(size=px.shape)
    flat = BOARD.corners_mm()[:, :2] / BOARD.corners_mm()[:, :2].max(axis=0) * 2.0 - 1.0
    px += warp_px * (np.column_stack([flat**2, flat[:, 0] * flat[:, 1]]) @ rng.normal(size=(3, 2)))
    inside = np.all((px > 5) & (px < np.array([width, height]) - 5), axis=1)
    ids = np.flatnonzero(inside)
    cov = np.tile(np.eye(2) * max(noise_px, 0.01) ** 2, (len(ids), 1, 1))
    return PhotoSightings(name, width, height, (Sighting(BOARD.name, ids, px[ids], cov),))


def photos(seed, count=12, camera=WEBCAM, *, tilt_deg=(5.0, 40.0), distance_mm=(400.0, 900.0), **how):
    """A varied set as advised: everywhere in the picture, tilted to all sides, some turned by 90 degrees."""
    rng = np.random.default_rng(seed)
    out = []
    while len(out) < count:
        shot = photo(
            rng,
            f"photo-{len(out) + 1:02d}.jpg",
            camera,
            tilt_deg=rng.uniform(*tilt_deg),
            turn_deg=(rng.choice([0.0, 90.0]) + rng.normal(0.0, 10.0), rng.uniform(0.0, 360.0)),
            place=rng.uniform(0.15, 0.85, size=2),
            distance_mm=rng.uniform(*distance_mm),
            **how,
        )
        if len(shot.found[0].corner_ids) >= 12:
            out.append(shot)
    return out


def shifted(shot: PhotoSightings, corners, by_px) -> PhotoSightings:
    """The photo with some corners put elsewhere."""
    seen = shot.found[0]
    px = seen.px.copy()
    px[corners] += by_px
    return PhotoSightings(shot.photo, shot.width_px, shot.height_px, (Sighting(seen.board, seen.corner_ids, px, seen.cov_px),))


def uneven_feed(seed: int, sigma_mm: float) -> np.ndarray:
    """How far a printer with an uneven feed along x puts the corners off, shape (corners, 2), mm."""
    rng = np.random.default_rng(seed)
    x = BOARD.corners_mm()[:, 0]
    waves = sum(rng.normal() * np.sin(2 * np.pi * x / length + rng.uniform(0, 6)) for length in (55.0, 90.0, 170.0))
    off = np.column_stack([waves, np.zeros(len(x))]) + 0.3 * rng.normal(size=(len(x), 2))
    return off * sigma_mm / np.sqrt(np.mean(off**2))
