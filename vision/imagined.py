"""Sightings of photos not yet taken: which corners a photo will show, where, and how surely.

A straight edge of contrast C under noise n, blurred by a Gaussian of s px, tells its place over L px to n² 2√π s / (C² L)
(Fisher information of a shifted edge). With the squares' side a for L this is the law that `python -m
tests.benchmarks.noise_law` fits to renders: σ² = floor² + (gain · n/C)² · s/a, s² = blur² + 0.5².
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.boards import Board, BoardSet, dictionary_size
from vision.camera import Camera, LensProfile
from vision.errors import BoardError
from vision.frames import Array, Pose
from vision.network_start import NotTiedError, Start
from vision.observations import View
from vision.sightings import PhotoSightings, Sighting
from vision.visible import could_be_read

FLOOR_PX, GAIN, PIXEL_BLUR_PX = 0.003, 3.2, 0.5
EDGE_PX, LEAST_CORNERS = 4.0, 6
SMALLEST_SQUARE_PX, SMALLEST_DIM_PX = 13.0, 17.0
"""Shortest side of a square that a survey mostly reads where other photos predict the board (`python -m
tests.benchmarks.recall`)."""
STEEPEST_RAD = math.radians(70.0)
FACE_THICK_MM = 20.0
"""What lies nearer behind a face is on the same thing: a board whose face is a little behind another's."""


@dataclass(frozen=True, slots=True)
class Light:
    """How the photos will look: noise (σ of 255), contrast of ink to paper (of 255), blur (σ, px)."""

    noise: float
    contrast: float
    blur_px: float
    smallest_square_px: float = SMALLEST_SQUARE_PX

    def corner_sigma_px(self, side_px: Array | float) -> Array:
        """σ (k = 1) per coordinate of a corner whose squares have this side."""
        spread = math.hypot(self.blur_px, PIXEL_BLUR_PX)
        return np.asarray(np.sqrt(FLOOR_PX**2 + (GAIN * self.noise / self.contrast) ** 2 * spread / np.asarray(side_px)))


LIGHTS = {"good": Light(3.0, 170.0, 0.8), "dim": Light(5.0, 90.0, 1.0, SMALLEST_DIM_PX)}


@dataclass(frozen=True, slots=True)
class Solid:
    """An upright box that hides what is behind it, mm, in the frame the cameras are given in."""

    low: tuple[float, float, float]
    high: tuple[float, float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Face:
    """A flat rectangle that hides what is behind it, seen from either side: a board, the face of a target.

    `world_from_face` has x and y in the rectangle's plane; it reaches from `low` to `high` there, mm.
    """

    world_from_face: Pose
    low: tuple[float, float]
    high: tuple[float, float]


def imagine(
    photo: str,
    world_from_cam: Pose,
    camera: Camera,
    boards: BoardSet,
    standing: Mapping[str, Pose],
    solids: Sequence[Solid | Face],
    light: Light,
) -> PhotoSightings:
    """What a photo will show, free of errors, with the covariance it will have.

    Parameters
    ----------
    photo : str
        Its name.
    standing : mapping of board name to Pose
        `world_from_board` of the boards that stand there then.
    """
    found = []
    cam_from_world = world_from_cam.inverse()
    eye = world_from_cam.translation_mm
    for name, world_from_board in standing.items():
        board = boards[name]
        cam_from_board = Pose("cam", name, cam_from_world.transform * world_from_board.transform)
        if not could_be_read(cam_from_board, camera, board) or _tilt_rad(cam_from_board, board) > STEEPEST_RAD:
            continue
        corners = board.corners_mm()
        clear = ~hidden(eye, world_from_board.apply(corners), solids)
        seen = _sighting(board, cam_from_board, camera, clear, light)
        if seen is not None:
            found.append(seen)
    return PhotoSightings(photo, camera.width_px, camera.height_px, tuple(found))


def _sighting(board: Board, cam_from_board: Pose, camera: Camera, clear: NDArray[np.bool_], light: Light) -> Sighting | None:
    px = camera.project(cam_from_board.apply(board.corners_mm()))
    size = np.array([camera.width_px, camera.height_px]) - 1.0
    seen = clear & (px > EDGE_PX).all(axis=1) & (px < size - EDGE_PX).all(axis=1)
    side = shortest_side_px(px, board)
    if seen.sum() < LEAST_CORNERS or side < light.smallest_square_px:
        return None
    sigma = float(light.corner_sigma_px(side))
    ids = np.flatnonzero(seen).astype(np.int64)
    return Sighting(board.name, ids, px[ids], np.tile(np.eye(2) * sigma**2, (len(ids), 1, 1)))


def shortest_side_px(px: Array, board: Board) -> float:
    """Median length of the squares' sides along the board's axis that is seen shortest."""
    grid = px.reshape(board.corner_rows, board.corner_columns, 2)
    return min(float(np.median(np.linalg.norm(np.diff(grid, axis=axis), axis=2))) for axis in (0, 1))


def hidden(eye_mm: Array, points_mm: Array, solids: Sequence[Solid | Face]) -> NDArray[np.bool_]:
    """Which points (n, 3) have a solid or a face between them and the eye, shape (n,)."""
    out = np.zeros(len(points_mm), dtype=bool)
    for solid in solids:
        out |= _behind_face(eye_mm, points_mm, solid) if isinstance(solid, Face) else _behind_box(eye_mm, points_mm, solid)
    return out


def _behind_box(eye_mm: Array, points_mm: Array, box: Solid) -> NDArray[np.bool_]:
    """The slab test (Kay and Kajiya 1986)."""
    way = points_mm - eye_mm
    way = np.where(np.abs(way) < 1e-9, 1e-9, way)
    a, b = (np.array(box.low) - eye_mm) / way, (np.array(box.high) - eye_mm) / way
    enters, leaves = np.minimum(a, b).max(axis=1), np.maximum(a, b).min(axis=1)
    return np.asarray((enters < leaves) & (leaves > 0.0) & (enters < 1.0 - 1e-6))


def _behind_face(eye_mm: Array, points_mm: Array, face: Face) -> NDArray[np.bool_]:
    face_from_world = face.world_from_face.inverse()
    eye, points = face_from_world.apply(eye_mm), face_from_world.apply(points_mm)
    across = (points[:, 2] * eye[2] < 0.0) & (np.abs(points[:, 2]) > FACE_THICK_MM)
    share = eye[2] / np.where(across, eye[2] - points[:, 2], 1.0)
    meets = eye[:2] + share[:, None] * (points[:, :2] - eye[:2])
    inside = ((meets > np.array(face.low)) & (meets < np.array(face.high))).all(axis=1)
    return np.asarray(across & inside)


def _tilt_rad(cam_from_board: Pose, board: Board) -> float:
    centre = cam_from_board.apply(board.centre_mm)
    return math.acos(min(1.0, max(-1.0, float(cam_from_board.rotation[:, 2] @ centre) / float(np.linalg.norm(centre)))))


def known_start(world_from_cam: Mapping[str, Pose], world_from_body: Mapping[str, Pose], datum: str) -> Start:
    """Where a network starts whose photos and bodies stand at known places; the datum's frame is the survey frame.

    Parameters
    ----------
    world_from_cam : mapping of photo to Pose
    world_from_body : mapping of body to Pose
    datum : str
        One of the bodies.
    """
    world_from_survey = world_from_body[datum].transform
    photos = {photo: Pose("cam", "survey", pose.transform.inv() * world_from_survey) for photo, pose in world_from_cam.items()}
    bodies = {body: Pose("survey", body, world_from_survey.inv() * pose.transform) for body, pose in world_from_body.items()}
    return Start(photos, bodies, ())


def need_tied(views: Sequence[View]) -> None:
    """Refuse photos that fall into groups sharing no body: a network that starts at known places would not see it.

    Raises
    ------
    NotTiedError
    """
    groups: list[set[str]] = []
    for view in views:
        here = {seen.body for seen in view.seen}
        for group in [group for group in groups if group & here]:
            here |= group
            groups.remove(group)
        groups.append(here)
    if len(groups) > 1:
        raise NotTiedError(tuple(tuple(sorted(group)) for group in sorted(groups, key=len, reverse=True)))


def larger_picture(lens: LensProfile, factor: float) -> LensProfile:
    """The profile of a camera with so many times the pixels a side behind the same lens, as sure in pixels as this one."""
    cam = lens.camera
    camera = replace(
        cam,
        width_px=round(cam.width_px * factor),
        height_px=round(cam.height_px * factor),
        fx_px=cam.fx_px * factor,
        fy_px=cam.fy_px * factor,
        cx_px=cam.cx_px * factor,
        cy_px=cam.cy_px * factor,
    )
    shrink = np.diag([1.0] * 4 + [1.0 / factor] * 8)
    return replace(lens, camera=camera, cov=shrink @ lens.cov @ shrink)


def free_ids(boards: Sequence[Board], like: Board) -> int:
    """First id of a run of marker ids that no board of this dictionary has, long enough for a board like this one.

    Raises
    ------
    BoardError
        The dictionary is full.
    """
    taken = {marker for board in boards if board.dictionary == like.dictionary for marker in board.marker_ids}
    for first in range(dictionary_size(like.dictionary) - like.marker_count + 1):
        if taken.isdisjoint(range(first, first + like.marker_count)):
            return first
    raise BoardError(f"{like.dictionary} has no room for another board like {like.name}")
