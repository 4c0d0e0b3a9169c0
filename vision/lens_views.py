"""From sightings to the arrays of the lens adjustment; boards that cannot be used are refused with the reason."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vision.boards import Board, BoardSet
from vision.errors import LensError
from vision.frames import Array
from vision.lens_state import Views
from vision.observations import bend_modes, bend_sigma_mm
from vision.sightings import PhotoSightings, Sighting

FEWEST_CORNERS = 8
"""A homography takes 4; with 8 a wrong corner shows."""
FEWEST_PHOTOS = 4
LEAST_WIDTH = 0.04
"""A board whose corners lie within a narrower strip (part of its length) tells no tilt."""


@dataclass(frozen=True, slots=True)
class ViewName:
    """Which board in which photo a view is; `photo` counts the photos given."""

    photo: int
    board: str
    corner_ids: tuple[int, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Gathered:
    """Arrays of all usable views, their names, and the reason of every photo that has none."""

    views: Views
    names: tuple[ViewName, ...]
    boards: tuple[str, ...]
    reasons: dict[int, str]


def one_size(sightings: Sequence[PhotoSightings]) -> tuple[int, int]:
    """The image size all photos share.

    Raises
    ------
    LensError
        No photos; photos of several sizes; photos with width and height exchanged. Names the fewer ones.
    """
    if not sightings:
        raise LensError("no photos to calibrate a lens from", hint="photograph the lens board from about 12 directions")
    sizes = Counter((photo.width_px, photo.height_px) for photo in sightings)
    common = sizes.most_common(1)[0][0]
    odd = [photo for photo in sightings if (photo.width_px, photo.height_px) != common]
    if not odd:
        return common
    names = ", ".join(f"{photo.photo} ({photo.width_px}x{photo.height_px})" for photo in odd)
    if all((photo.height_px, photo.width_px) == common for photo in odd):
        raise LensError(
            f"photos turned after they were taken: {names}; the others are {common[0]}x{common[1]} px",
            hint="use the originals: hold the camera either way, but do not let a program turn the pixels",
        )
    raise LensError(
        f"photos of several sizes: {names}; the others are {common[0]}x{common[1]} px",
        hint="a lens profile is for one resolution: leave the named photos out or take them again",
    )


def gather(sightings: Sequence[PhotoSightings], boards: BoardSet) -> Gathered:
    """All usable views of all photos."""
    usable: list[tuple[ViewName, Sighting]] = []
    reasons: dict[int, str] = {}
    for number, photo in enumerate(sightings):
        why = [f"{refusal.board}: {refusal.reason}" for refusal in photo.refused]
        for sighting in photo.found:
            fault = _fault(boards[sighting.board], sighting)
            if fault:
                why.append(f"{sighting.board}: {fault}")
            else:
                ids = tuple(int(i) for i in sighting.corner_ids)
                usable.append((ViewName(number, sighting.board, ids), sighting))
        if not any(name.photo == number for name, _ in usable):
            reasons[number] = "; ".join(why) or "no board found"
    if len({name.photo for name, _ in usable}) < FEWEST_PHOTOS:
        raise too_few(sightings, reasons)
    used = tuple(dict.fromkeys(name.board for name, _ in usable))
    return Gathered(_arrays(usable, [boards[name] for name in used]), tuple(name for name, _ in usable), used, reasons)


def too_few(sightings: Sequence[PhotoSightings], reasons: dict[int, str]) -> LensError:
    """The refusal of a set with fewer than `FEWEST_PHOTOS` usable photos, naming the others."""
    usable = len(sightings) - len(reasons)
    listed = "".join(f"\n  {sightings[number].photo}: {reason}" for number, reason in sorted(reasons.items()))
    return LensError(
        f"{usable} of {len(sightings)} photos are usable, at least {FEWEST_PHOTOS} are needed (12 are better){listed}",
        hint="photograph the lens board from about 12 directions, tilted 20 to 45 degrees, sharp, in every part of the picture",
    )


def _fault(board: Board, sighting: Sighting) -> str:
    n = len(sighting.corner_ids)
    if n < FEWEST_CORNERS:
        return f"{n} corners, {FEWEST_CORNERS} needed"
    if not (np.all(np.isfinite(sighting.px)) and np.all(np.isfinite(sighting.cov_px))):
        raise ValueError(f"sighting of {sighting.board} holds numbers that are not finite")
    for points in (_centred(board)[sighting.corner_ids, :2], sighting.px):
        spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
        if spread[1] < LEAST_WIDTH * spread[0]:
            return "all corners close to one line"
    return ""


def _centred(board: Board) -> Array:
    return np.asarray(board.corners_mm() - board.centre_mm)


def _arrays(usable: Sequence[tuple[ViewName, Sighting]], boards: Sequence[Board]) -> Views:
    index = {board.name: i for i, board in enumerate(boards)}
    photos = {number: i for i, number in enumerate(dict.fromkeys(name.photo for name, _ in usable))}
    bends = [bend_modes(board, np.arange(board.corner_count)) for board in boards]
    warps = [warp_shapes(board) for board in boards]
    flat = [_centred(board) for board in boards]
    cov = np.concatenate([sighting.cov_px for _, sighting in usable])
    root = np.linalg.cholesky(np.linalg.inv(cov)).transpose(0, 2, 1)
    return Views(
        points_mm=np.concatenate([flat[index[s.board]][s.corner_ids] for _, s in usable]),
        bend=np.concatenate([bends[index[s.board]][s.corner_ids] for _, s in usable]),
        warp=np.concatenate([warps[index[s.board]][s.corner_ids] for _, s in usable]),
        px=np.concatenate([s.px for _, s in usable]),
        root_weight=np.ascontiguousarray(root),
        view=np.repeat(np.arange(len(usable)), [len(s.px) for _, s in usable]),
        corner=np.concatenate([s.corner_ids for _, s in usable]).astype(np.int64),
        photo_of_view=np.array([photos[name.photo] for name, _ in usable], dtype=np.int64),
        board_of_view=np.array([index[s.board] for _, s in usable], dtype=np.int64),
        board_sigma=np.array([board_sigmas(board) for board in boards]),
        most_corners=max(board.corner_count for board in boards),
    )


def warp_shapes(board: Board) -> Array:
    """Quadratic shapes over the corners, shape (n, 3): along x, crossed, along y; each between -1 and 1."""
    half = np.maximum(np.abs(_centred(board)[:, :2]).max(axis=0), 1e-9)
    u, v = (_centred(board)[:, :2] / half).T
    return np.column_stack([2.0 * u * u - 1.0, u * v, 2.0 * v * v - 1.0])


def board_sigmas(board: Board) -> Array:
    """σ of aspect (relative) and of the three bend amplitudes (mm), by the half-widths stated for the board.

    The two axes' scales are measured one by one, so their errors add; the overall scale changes no camera parameter.
    """
    scale = board.scale
    aspect = np.sqrt(2.0) * np.hypot(scale.common_pm / 2.0, scale.own_pm / 2.0)
    bend = max(bend_sigma_mm(board), 1e-6)
    return np.array([max(float(aspect), 1e-9), bend, bend, bend])
