"""Boards in one photo: markers once for all boards, then a guided look at every board that showed at least one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vision.boardmap import BoardMap, fit_map, map_from_pose, nominal_camera, refit_map
from vision.boards import Board, BoardSet
from vision.camera import Camera
from vision.chessboard import find_chessboard
from vision.errors import PoseError
from vision.frames import Array, Pose
from vision.guided import Start, look_at
from vision.judging import Settings
from vision.markers import Markers, read_markers
from vision.photos import Photo
from vision.pose import planar_poses
from vision.sightings import PhotoSightings, Refusal, Sighting

DEFAULTS = Settings()
NO_MARKERS = Markers(np.zeros(0, dtype=np.int64), np.zeros((0, 4, 2)), np.zeros(0))
CLEAR_SCORE = 0.85
"""One marker alone makes a refusal worth telling when its bits correlate this well."""
LEAST_NOISE = 0.5
ENOUGH_BLOCKS = 100_000
PAIRS = 40
FEW_MARKERS = 2


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
    read: bool = True,
    settings: Settings = DEFAULTS,
) -> tuple[tuple[Sighting, ...], tuple[Refusal, ...]]:
    """Boards seen in the photo with their corners, and boards refused with the reason.

    Parameters
    ----------
    gray : ndarray of uint8, shape (height, width)
        Unturned.
    camera : Camera or None
        The lens, as far as it is known.
    predicted : mapping of board name to Pose, optional
        `cam_from_board` as other photos predict it: a look is taken although no marker was read; needs `camera`. Such a board
        is found only when its marker pattern is confirmed, and never listed as refused.
    read : bool
        Read markers; without them boards are looked for where they are predicted and nowhere else.

    Raises
    ------
    ValueError
        Predictions without a camera, or a camera of another image size.
    """
    if predicted and camera is None:
        raise ValueError("predicted poses need the camera")
    if camera is not None and (camera.width_px, camera.height_px) != gray.shape[::-1]:
        raise ValueError(f"camera of {camera.width_px}x{camera.height_px} px, photo of {gray.shape[1]}x{gray.shape[0]} px")
    markers = _all_markers(gray, boards) if read else {board.dictionary: NO_MARKERS for board in boards}
    noise = noise_of(gray)
    found: list[Sighting] = []
    refused: list[Refusal] = []
    for board in boards:
        if not board.is_charuco:
            grid = find_chessboard(gray, board)
            if isinstance(grid, Sighting):
                found.append(grid)
            else:
                refused.append(grid)
            continue
        mine = markers[board.dictionary].only(board.marker_ids)
        pose = (predicted or {}).get(board.name)
        starts = _starts(board, mine, camera, pose, gray.shape, settings)
        outcomes = [s if isinstance(s, Refusal) else look_at(gray, board, s, noise, settings) for s in starts]
        sighted = [outcome for outcome in outcomes if isinstance(outcome, Sighting)]
        failed = [outcome for outcome in outcomes if isinstance(outcome, Refusal)]
        if sighted:
            found.append(max(sighted, key=lambda s: len(s.corner_ids)))
        elif failed and (len(mine) > 1 or mine.scores.max(initial=0.0) > CLEAR_SCORE):
            refused.append(failed[0])
    return tuple(found), tuple(refused)


def noise_of(gray: NDArray[np.uint8]) -> float:
    """Standard deviation of the photo's noise, grey levels (Immerkaer 1996, with the median instead of the mean).

    Of a large photo every so many rows: `ENOUGH_BLOCKS` tell the median to a third of a percent.
    """
    h, w = (size // 3 * 3 for size in gray.shape)
    every = max(1, h * w // 9 // ENOUGH_BLOCKS)
    rows = _second_difference(gray[:h].reshape(-1, 3, gray.shape[1])[::every].astype(np.int16), 1)
    response = _second_difference(rows[:, :w].reshape(len(rows), -1, 3), 2)
    return max(LEAST_NOISE, float(np.median(np.abs(response))) / (0.6745 * 6.0))


def _second_difference(values: NDArray[np.int16], axis: int) -> NDArray[np.int16]:
    """First − 2 × second + third of the three values along an axis."""
    first, second, third = np.moveaxis(values, axis, 0)
    return np.asarray(first - 2 * second + third, dtype=np.int16)


def _all_markers(gray: NDArray[np.uint8], boards: BoardSet) -> dict[str, Markers]:
    dictionaries = dict.fromkeys(board.dictionary for board in boards if board.is_charuco)
    return {name: read_markers(gray, [board for board in boards if board.dictionary == name]) for name in dictionaries}


def _starts(
    board: Board, markers: Markers, camera: Camera | None, pose: Pose | None, shape: tuple[int, ...], settings: Settings
) -> list[Start | Refusal]:
    """Where the look may start, or why it cannot; nothing when there is nothing to look for."""
    starts: list[Start | Refusal] = []
    if pose is not None and camera is not None:
        nothing = np.zeros((0, 3)), np.zeros((0, 2))
        board_map = map_from_pose(board, pose, camera, settings.predicted_sigma_px)
        starts += [Start(board_map, *nothing, 0, predicted=True)] if board_map is not None else []
    if len(markers) == 0:
        return starts
    size = (shape[1], shape[0])
    maps, agree = _largest_agreement(board, markers, camera, size, settings)
    if not maps:
        return [*starts, Refusal(board.name, "the markers read contradict each other", len(markers))]
    rest = markers.where(~agree)
    if len(rest) >= 2 and _largest_agreement(board, rest, camera, size, settings)[1].sum() >= 2:
        return [Refusal(board.name, "seen at two places: two prints of the same board?", len(markers))]
    model = board.marker_corners_mm()[markers.ids[agree] - board.first_id].reshape(-1, 3)
    px = markers.corners_px[agree].reshape(-1, 2)
    return [*(Start(board_map, model, px, int(agree.sum())) for board_map in maps), *starts]


def _largest_agreement(
    board: Board, markers: Markers, camera: Camera | None, size: tuple[int, int], settings: Settings
) -> tuple[list[BoardMap], NDArray[np.bool_]]:
    """Maps from the largest set of markers that agree on one, and which markers they are."""
    model = board.marker_corners_mm()[markers.ids - board.first_id]
    best = np.zeros(len(markers), dtype=bool)
    for subset in _subsets(len(markers)):
        for trial in _maps_from(board, model[subset], markers.corners_px[subset], camera, size, settings):
            agree = _agreeing(trial, model, markers.corners_px)
            if agree.sum() > best.sum():
                best = agree
        if best.all():
            break
    if not best.any():
        return [], best
    return _maps_from(board, model[best], markers.corners_px[best], camera, size, settings), best


def _maps_from(
    board: Board, model: Array, px: Array, camera: Camera | None, size: tuple[int, int], settings: Settings
) -> list[BoardMap]:
    """The map through markers (n, 4, 3) mm and (n, 4, 2) px; through one or two markers, a map for each planar pose."""
    points, seen = model.reshape(-1, 3), px.reshape(-1, 2)
    cov = np.tile(np.eye(2) * settings.marker_sigma_px**2, (len(points), 1, 1))
    if len(model) > FEW_MARKERS:
        fitted = fit_map(board, points, seen, cov, camera, size)
        return [fitted] if fitted is not None else []
    lens = camera or nominal_camera(*size)
    try:
        poses = planar_poses(points, seen, cov, lens)
    except PoseError:
        return []
    starts = [
        map_from_pose(board, Pose.from_rt("cam", board.name, fit.rotation, fit.translation), lens, settings.marker_sigma_px)
        for fit in poses
        if fit is not None
    ]
    fitted_maps = [refit_map(replace(s, rigid=camera is not None), points, seen, cov) for s in starts if s is not None]
    return [fitted for fitted in fitted_maps if fitted is not None]


def _agreeing(trial: BoardMap, model: Array, px: Array) -> NDArray[np.bool_]:
    """Markers all of whose corners lie within a third of their side of where the map has them."""
    side = np.linalg.norm(px - np.roll(px, 1, axis=1), axis=2).mean(axis=1)
    gap = np.linalg.norm(trial.project(model.reshape(-1, 3)) - px.reshape(-1, 2), axis=1).reshape(-1, 4).max(axis=1)
    return np.asarray(np.nan_to_num(gap, nan=np.inf) < 0.3 * side + 1.0)


def _subsets(n: int) -> list[list[int]]:
    """All markers together first, then pairs, those far apart in the list first, then single ones."""
    pairs = [[i, i + gap] for gap in range(n - 1, 0, -1) for i in range(n - gap)]
    return [list(range(n)), *pairs[:PAIRS], *([i] for i in range(n) if n > 1)]
