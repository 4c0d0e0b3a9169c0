"""Which board corners a shot shows, and where exactly: observations without rendering, for tests of the network."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic_images.bay import Bay
from synthetic_images.rigid import Array, apply, inverse
from synthetic_images.scene import Face, sheet_face, things
from synthetic_images.shot import Shot
from synthetic_images.true_camera import TrueCamera
from vision.boards import Board

MAX_TILT_RAD = math.radians(70.0)
MIN_SQUARE_PX = 14.0
MIN_CORNERS = 6
EDGE_PX = 3.0
NEAR_MM = 30.0


@dataclass(frozen=True, slots=True, eq=False)
class BoardCorners:
    """True corners of one board in one shot.

    Attributes
    ----------
    board : str
    corner_ids : ndarray of int, shape (n,)
        Indices into `Board.corners_mm()`, ascending.
    px : ndarray, shape (n, 2)
    tilt_rad : float
        Between the board's normal and the line of sight to its centre.
    square_px : float
        Median over the visible corners of the shortest projected side of the squares round them.
    """

    board: str
    corner_ids: NDArray[np.int64]
    px: Array
    tilt_rad: float
    square_px: float


def shot_boards(bay: Bay, shot: Shot) -> dict[str, Array]:
    """`bay_from_board` of every board that is in front of the camera's world in this shot."""
    if shot.cam_from_lens_board is not None:
        return {shot.lens_board: shot.bay_from_cam @ shot.cam_from_lens_board}
    return bay.board_poses(shot.epoch) | dict(shot.held)


def true_px(bay: Bay, camera: TrueCamera, shot: Shot, board: str) -> Array:
    """Pixels (n, 2) of all corners of one board, seen or not (hidden, out of the frame; in front of the camera)."""
    cam_from_board = inverse(shot.bay_from_cam) @ shot_boards(bay, shot)[board]
    return camera.project(apply(cam_from_board, bay.printed_points(board, bay.boards[board].corners_mm())))


def visible_corners(
    bay: Bay,
    camera: TrueCamera,
    shot: Shot,
    *,
    min_square_px: float = MIN_SQUARE_PX,
    max_tilt_rad: float = MAX_TILT_RAD,
    min_corners: int = MIN_CORNERS,
) -> tuple[BoardCorners, ...]:
    """Corners a good detector could see: in the frame, facing, not too oblique or small, hidden by nothing."""
    poses = shot_boards(bay, shot)
    candidates = framed_corners(bay, camera, shot, poses, min_square_px=min_square_px, max_tilt_rad=max_tilt_rad)
    if not candidates:
        return ()
    clear = _clear_views(bay, shot, poses, candidates)
    found = (
        BoardCorners(c.board, c.corner_ids[keep], c.px[keep], c.tilt_rad, c.square_px)
        for c, keep in zip(candidates, clear, strict=True)
        if keep.sum() >= min_corners
    )
    return tuple(found)


def framed_corners(
    bay: Bay,
    camera: TrueCamera,
    shot: Shot,
    poses: Mapping[str, Array],
    *,
    min_square_px: float = MIN_SQUARE_PX,
    max_tilt_rad: float = MAX_TILT_RAD,
) -> list[BoardCorners]:
    """As `visible_corners` of some boards where they are (`shot_boards`), but what stands before them is not asked.

    That is quickly told, and never less than is visible.
    """
    found = (_in_frame(bay, camera, shot, bay.boards[name], pose) for name, pose in poses.items())
    return [one for one in found if one is not None and one.tilt_rad <= max_tilt_rad and one.square_px >= min_square_px]


def _clear_views(bay: Bay, shot: Shot, poses: dict[str, Array], candidates: list[BoardCorners]) -> list[NDArray[np.bool_]]:
    """For each board, which of its corners nothing stands before: car, stand, or another board's sheet."""
    eye = shot.bay_from_cam[:3, 3]
    points = [
        apply(poses[c.board], bay.printed_points(c.board, bay.boards[c.board].corners_mm()))[c.corner_ids] for c in candidates
    ]
    blockers = things(bay, shot.epoch) if shot.cam_from_lens_board is None else []
    blocked = hidden(eye, np.concatenate(points), blockers)
    ends = np.cumsum([len(p) for p in points])
    sheets = {name: sheet_face(bay.boards[name], pose) for name, pose in poses.items()}
    normals = {name: _normal(face.corners_mm) for name, face in sheets.items()}
    clear = []
    for candidate, p, by_things in zip(candidates, points, np.split(blocked, ends[:-1]), strict=True):
        others = [name for name in sheets if name != candidate.board]
        by_sheets = hidden(eye, p, [sheets[name] for name in others], [normals[name] for name in others])
        clear.append(~by_things & ~by_sheets)
    return clear


def _in_frame(bay: Bay, camera: TrueCamera, shot: Shot, board: Board, bay_from_board: Array) -> BoardCorners | None:
    cam_from_board = inverse(shot.bay_from_cam) @ bay_from_board
    centre = apply(cam_from_board, board.centre_mm)
    cosine = float(cam_from_board[:3, 2] @ centre) / float(np.linalg.norm(centre))
    if centre[2] < NEAR_MM or cosine <= 0.0:
        return None
    in_cam = apply(cam_from_board, bay.printed_points(board.name, board.corners_mm()))
    if in_cam[:, 2].min() < NEAR_MM:
        return None
    # far outside the picture the distortion polynomial folds back: look at the ideal direction first
    ideal = in_cam[:, :2] / in_cam[:, 2:]
    limit = 1.3 * np.array([camera.width_px / camera.fx_px, camera.height_px / camera.fy_px])
    sane = (np.abs(ideal) < limit).all(axis=1)
    px = camera.project(in_cam)
    inside = sane & (px > EDGE_PX).all(axis=1) & (px < np.array([camera.width_px, camera.height_px]) - 1 - EDGE_PX).all(axis=1)
    ids = np.flatnonzero(inside)
    if not len(ids):
        return None
    sides = _square_sides_px(camera, cam_from_board, board)[ids]
    return BoardCorners(board.name, ids.astype(np.int64), px[ids], math.acos(min(1.0, cosine)), float(np.median(sides)))


def _square_sides_px(camera: TrueCamera, cam_from_board: Array, board: Board) -> Array:
    """Shortest projected side of a square beside each corner, shape (n,)."""
    corners = board.corners_mm()
    here = camera.project(apply(cam_from_board, corners))
    step_x = np.array([board.square_mm * board.scale.x, 0.0, 0.0])
    step_y = np.array([0.0, board.square_mm * board.scale.y, 0.0])
    sides = [np.linalg.norm(camera.project(apply(cam_from_board, corners - step)) - here, axis=1) for step in (step_x, step_y)]
    return np.asarray(np.minimum(*sides))


def hidden(eye_mm: Array, points_mm: Array, faces: Sequence[Face], normals: Sequence[Array] | None = None) -> NDArray[np.bool_]:
    """Which points (n, 3) have a face between them and the eye, shape (n,); `normals` of the faces where they are known."""
    blocked = np.zeros(len(points_mm), dtype=bool)
    if not faces:
        return blocked
    rays = points_mm - eye_mm
    planes = np.array(normals if normals is not None else [_normal(face.corners_mm) for face in faces])
    ahead = np.array([(face.corners_mm[0] - eye_mm) @ normal for face, normal in zip(faces, planes, strict=True)])
    with np.errstate(divide="ignore", invalid="ignore"):
        t = ahead[:, None] / (planes @ rays.T)
    crosses = (t > 1e-6) & (t < 1.0 - 1e-4)
    for i in np.flatnonzero(crosses.any(axis=1)):
        crossing = np.flatnonzero(crosses[i] & ~blocked)
        if len(crossing):
            hits = eye_mm + rays[crossing] * t[i, crossing, None]
            blocked[crossing[_inside(hits, faces[int(i)].corners_mm, planes[i])]] = True
    return blocked


def _normal(corners: Array) -> Array:
    """Newell's normal of a flat polygon that need not be convex (unit length)."""
    x, y, z = (corners - corners[0]).T  # about the first corner: no cancellation far from the origin
    last = np.arange(-1, len(x) - 1)
    normal = np.array([(y[last] * z - z[last] * y).sum(), (z[last] * x - x[last] * z).sum(), (x[last] * y - y[last] * x).sum()])
    return np.asarray(normal / np.linalg.norm(normal))


def _inside(points: Array, corners: Array, normal: Array) -> NDArray[np.bool_]:
    """Even-odd test in the plane that drops the normal's largest axis."""
    keep = [k for k in range(3) if k != int(np.argmax(np.abs(normal)))]
    p, a = points[:, keep], corners[:, keep]
    b = np.roll(a, -1, axis=0)
    x, y = p[:, :1], p[:, 1:]
    straddles = (a[:, 1] > y) != (b[:, 1] > y)
    with np.errstate(divide="ignore", invalid="ignore"):
        at = a[:, 0] + (y - a[:, 1]) * (b[:, 0] - a[:, 0]) / (b[:, 1] - a[:, 1])
    return np.asarray((straddles & (x < at)).sum(axis=1) % 2 == 1)
