"""Boards in one photo: markers once for all boards, then a guided second look at every corner a board must have.

Whatever markers were read give a rough map from the board to the photo; every corner is predicted, registered to sub-pixel
and accepted or refused by contrast, likeness and residual; the map is refitted, and the look repeated.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.boardmap import BoardMap, fit_map, map_from_pose, refit_map
from vision.boards import Board, BoardSet
from vision.camera import Camera
from vision.corners import Fits, fit_points
from vision.frames import Array, Pose
from vision.markers import Markers, read_markers
from vision.photos import Photo
from vision.sightings import PhotoSightings, Refusal, Sighting
from vision.template import PIXEL_VARIANCE

NEED_CORNERS = 6


@dataclass(frozen=True, slots=True)
class Settings:
    """Limits of the guided look.

    Attributes
    ----------
    marker_sigma_px : float
        How well the corners of a decoded marker are known (k = 1).
    predicted_sigma_px : float
        How well a pose handed over from other photos predicts corners (k = 1).
    least_contrast : float
        Grey levels between white and black; also at least `least_contrast_share` of the board's median.
    least_correlation : float
    worst_quarter : float
        Largest RMS misfit of a quarter of a corner's window, over the contrast.
    residual_px : float
        A corner may be off its map by 3 sigma and this.
    largest_tilt_deg : float
    floor_px : float
        Smallest standard deviation claimed for a corner.
    """

    marker_sigma_px: float = 0.4
    predicted_sigma_px: float = 3.0
    least_contrast: float = 12.0
    least_contrast_share: float = 0.25
    least_correlation: float = 0.8
    worst_quarter: float = 0.2
    residual_px: float = 0.3
    largest_tilt_deg: float = 78.0
    floor_px: float = 0.01


DEFAULTS = Settings()
Found = tuple[tuple[Sighting, ...], tuple[Refusal, ...]]


def sightings_in(photo: Photo, boards: BoardSet, camera: Camera | None = None) -> PhotoSightings:
    """All boards of a photo; `camera` is the lens profile's, None while the lens is not known yet."""
    found, refused = detect_boards(photo.gray, boards, camera)
    return PhotoSightings(photo.name, photo.width_px, photo.height_px, found, refused)


def detect_boards(
    gray: NDArray[np.uint8],
    boards: BoardSet,
    camera: Camera | None = None,
    *,
    predicted: Mapping[str, Pose] | None = None,
    settings: Settings = DEFAULTS,
) -> Found:
    """Boards seen in the photo with their corners, and boards refused with the reason.

    Parameters
    ----------
    gray : ndarray of uint8, shape (height, width)
        Unturned.
    camera : Camera or None
        The lens, as far as it is known.
    predicted : mapping of board name to Pose, optional
        `cam_from_board` as other photos predict it: a look is taken although no marker was read; needs `camera`. Such a board
        is accepted only when its marker pattern is confirmed.

    Raises
    ------
    ValueError
        Predictions without a camera.
    """
    if predicted and camera is None:
        raise ValueError("predicted poses need the camera")
    picture = gray.astype(np.float32)
    dictionaries = dict.fromkeys(board.dictionary for board in boards if board.is_charuco)
    markers = {name: read_markers(gray, name) for name in dictionaries}
    found: list[Sighting] = []
    refused: list[Refusal] = []
    for board in boards:
        if not board.is_charuco:
            continue
        mine = markers[board.dictionary].only(board.marker_ids)
        pose = (predicted or {}).get(board.name)
        if len(mine) == 0 and pose is None:
            continue
        outcome = _look(picture, board, mine, camera, pose, settings)
        if isinstance(outcome, Sighting):
            found.append(outcome)
        elif len(mine) > 0:
            refused.append(outcome)
    return tuple(found), tuple(refused)


def _look(
    picture: np.ndarray, board: Board, markers: Markers, camera: Camera | None, pose: Pose | None, settings: Settings
) -> Sighting | Refusal:
    size = (picture.shape[1], picture.shape[0])
    start, used = _map_from_markers(board, markers, camera, size, settings)
    if start is None and pose is not None and camera is not None:
        start = map_from_pose(board, pose, camera, settings.predicted_sigma_px)
    if start is None:
        return Refusal(board.name, "the markers read contradict each other", len(markers))
    return _guided(picture, board, start, used, settings)


def _map_from_markers(
    board: Board, markers: Markers, camera: Camera | None, size: tuple[int, int], settings: Settings
) -> tuple[BoardMap | None, int]:
    """Map from the largest set of markers that agree, and how many they are."""
    if len(markers) == 0:
        return None, 0
    model = board.marker_corners_mm()[markers.ids - board.first_id]
    sigma = np.tile(np.eye(2) * settings.marker_sigma_px**2, (4, 1, 1))
    side = np.linalg.norm(np.diff(markers.corners_px, axis=1), axis=2).mean(axis=1)
    best: NDArray[np.bool_] | None = None
    for pair in _pairs(len(markers)):
        trial = fit_map(
            board,
            model[pair].reshape(-1, 3),
            markers.corners_px[pair].reshape(-1, 2),
            np.tile(sigma, (len(pair), 1, 1)),
            camera,
            size,
        )
        if trial is None:
            continue
        gap = (
            np.linalg.norm(trial.project(model.reshape(-1, 3)) - markers.corners_px.reshape(-1, 2), axis=1)
            .reshape(-1, 4)
            .max(axis=1)
        )
        agree = np.nan_to_num(gap, nan=np.inf) < 0.35 * side + 1.0
        if best is None or agree.sum() > best.sum():
            best = agree
        if best.all():
            break
    if best is None or not best.any():
        return None, 0
    n = int(best.sum())
    cov = np.tile(np.eye(2) * settings.marker_sigma_px**2, (4 * n, 1, 1))
    return fit_map(board, model[best].reshape(-1, 3), markers.corners_px[best].reshape(-1, 2), cov, camera, size), n


def _pairs(n: int) -> list[list[int]]:
    """All markers together first, then pairs far apart in the list, then single ones."""
    everything = [list(range(n))]
    pairs = [[i, j] for gap in range(n - 1, 0, -1) for i in range(n - gap) for j in (i + gap,)]
    return everything + pairs[:40] + ([[i] for i in range(n)] if n > 1 else [])


def _guided(picture: np.ndarray, board: Board, start: BoardMap, markers_read: int, settings: Settings) -> Sighting | Refusal:
    points = board.corners_mm()
    current, blur = start, np.eye(2) * (0.8**2 + PIXEL_VARIANCE)
    fits: Fits | None = None
    ids = np.arange(0)
    good = np.zeros(0, dtype=bool)
    for turn in range(4):
        ids = _within_reach(picture, board, current, points)
        if len(ids) < 4:
            return Refusal(board.name, _too_few(len(ids), "lie in the photo"), markers_read)
        side = _side_px(board, current, points[ids])
        far = np.sqrt(np.linalg.eigvalsh(current.predicted_cov(points[ids]))[:, -1])
        reach = float(np.clip(3 * np.median(far) + 1.0, 1.5, max(0.3 * side, 1.5)))
        source, extra = picture, np.zeros((2, 2))
        if turn == 0 and np.median(far) > 0.5:
            coarse = float(np.clip(np.median(far), 1.0, max(0.12 * side, 1.0)))
            source, extra = cv2.GaussianBlur(picture, (0, 0), coarse), np.eye(2) * coarse**2
        fits = fit_points(source, board, current, points[ids], blur + extra, reach_px=min(reach, 8.0))
        good = _acceptable(fits, settings)
        if good.sum() < 4:
            return Refusal(board.name, _too_few(int(good.sum()), "can be made out"), markers_read)
        if turn > 0 or extra[0, 0] == 0:
            blur = _stepped(blur, fits.blur_step, side)
        cov = fits.cov_px + np.eye(2) * settings.floor_px**2
        refitted, good = _robust_refit(current, points[ids], fits.px, cov, good, settings)
        if refitted is None:
            return Refusal(board.name, "the corners do not lie on one plane", markers_read)
        current = refitted
    assert fits is not None
    return _verdict(board, current, ids, fits, good, blur, markers_read, settings)


def _too_few(seen: int, how: str) -> str:
    return f"too few corners: {seen} {how}, {NEED_CORNERS} needed"


def _within_reach(picture: np.ndarray, board: Board, current: BoardMap, points: Array) -> NDArray[np.int64]:
    """Corners predicted inside the photo, well enough that registration can start."""
    px = current.project(points)
    h, w = picture.shape
    inside = np.isfinite(px).all(axis=1)
    inside &= (np.nan_to_num(px, nan=-1.0) > 2).all(axis=1) & (np.nan_to_num(px, nan=1e9) < [w - 3, h - 3]).all(axis=1)
    ids = np.flatnonzero(inside)
    if len(ids) == 0:
        return ids
    far = np.sqrt(np.linalg.eigvalsh(current.predicted_cov(points[ids]))[:, -1])
    d_xy = current.jacobian(points[ids])[0] * board.square_mm
    shortest = np.linalg.svd(d_xy, compute_uv=False)[:, -1]
    return np.asarray(ids[(far < 0.25 * shortest) & (shortest > 4.0)])


def _side_px(board: Board, current: BoardMap, points: Array) -> float:
    """Median of the shorter projected side of a square, px."""
    d_xy = current.jacobian(points)[0] * board.square_mm
    return float(np.median(np.linalg.norm(d_xy, axis=1).min(axis=1)))


def _acceptable(fits: Fits, settings: Settings) -> NDArray[np.bool_]:
    likely = fits.correlation > settings.least_correlation
    typical = float(np.median(fits.contrast[likely])) if likely.any() else 0.0
    enough = np.maximum(settings.least_contrast, settings.least_contrast_share * typical)
    calm = fits.worst_quarter < settings.worst_quarter
    return np.asarray(likely & calm & (fits.contrast > enough) & (fits.inside > 0.8))


def _stepped(blur: Array, step: Array, side_px: float) -> Array:
    """Blur covariance after one step, kept positive and below a third of a square."""
    moved = blur + np.array([[step[0], step[1]], [step[1], step[2]]])
    values, axes = np.linalg.eigh(moved)
    values = np.clip(values, 0.3**2, np.clip(0.35 * side_px, 1.0, 12.0) ** 2)
    return np.asarray(axes @ np.diag(values) @ axes.T)


def _robust_refit(
    current: BoardMap, points: Array, px: Array, cov: Array, good: NDArray[np.bool_], settings: Settings
) -> tuple[BoardMap | None, NDArray[np.bool_]]:
    """Refit the map to the accepted corners; corners off it by more than 3 sigma and the allowance are dropped, worst first."""
    good = good.copy()
    while True:
        fitted = refit_map(current, points[good], px[good], cov[good] + np.eye(2) * 0.05**2)
        if fitted is None:
            return None, good
        gap = np.linalg.norm(px - fitted.project(points), axis=1)
        sigma = np.sqrt(np.linalg.eigvalsh(cov + fitted.predicted_cov(points))[:, -1])
        excess = np.where(good, gap - 3 * sigma - settings.residual_px, -1.0)
        worst = int(np.argmax(excess))
        if excess[worst] <= 0:
            return fitted, good
        good[excess > 0.5 * excess[worst]] = False
        if good.sum() < 4:
            return None, good


def _verdict(
    board: Board,
    current: BoardMap,
    ids: NDArray[np.int64],
    fits: Fits,
    good: NDArray[np.bool_],
    blur: Array,
    markers_read: int,
    settings: Settings,
) -> Sighting | Refusal:
    if good.sum() < NEED_CORNERS:
        return Refusal(board.name, _too_few(int(good.sum()), "can be made out"), markers_read)
    kept = ids[good]
    cov = fits.cov_px[good] + np.eye(2) * settings.floor_px**2
    cov = cov * _misfit_factor(current, board.corners_mm()[kept], fits.px[good], cov)
    grid = np.column_stack([kept % board.corner_columns, kept // board.corner_columns])
    if np.ptp(grid[:, 0]) < 1 or np.ptp(grid[:, 1]) < 1:
        return Refusal(board.name, "only one line of corners can be made out", markers_read)
    return Sighting(
        board.name, kept, fits.px[good], cov, markers_read, float(np.sqrt(max(np.trace(blur) / 2 - PIXEL_VARIANCE, 0.0)))
    )


def _misfit_factor(current: BoardMap, points: Array, px: Array, cov: Array) -> float:
    """max(1, chi² / degrees of freedom) of the corners about their smooth map: what the corners' own noise does not explain."""
    freedom = 2 * len(points) - 8
    gap = px - current.project(points)
    chi2 = float(np.einsum("ni,nij,nj->", gap, np.linalg.inv(cov), gap))
    return max(1.0, chi2 / freedom) if freedom >= 4 else 1.0
