"""Which bodies a photo should show, predicted from the network: where a guided second look pays."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

import numpy as np

from vision.boards import Board, BoardSet
from vision.camera import Camera
from vision.frames import Pose
from vision.poses import PoseSet

STEEPEST_RAD = math.radians(76.0)
SMALLEST_SQUARE_PX = 9.0


def expected_boards(
    cam_from_survey: Pose,
    camera: Camera,
    poses: PoseSet,
    bodies: Mapping[str, str],
    boards: BoardSet,
    found: Iterable[str],
) -> dict[str, Pose]:
    """Boards that the photo should show and that were not found: `cam_from_board` by board name.

    Parameters
    ----------
    bodies : mapping of body to board name
        Bodies that existed when the photo was taken.
    found : iterable of board names
        Boards found already.
    """
    have = set(found)
    out = {}
    for body, name in bodies.items():
        if name in have or body not in poses:
            continue
        pose = cam_from_survey @ poses[body]
        if could_be_read(pose, camera, boards[name]):
            out[name] = Pose("cam", name, pose.transform)
    return out


def could_be_read(cam_from_board: Pose, camera: Camera, board: Board) -> bool:
    """Whether enough of the board lies in the frame, not too steep and not too small; something may still stand before it."""
    in_cam = cam_from_board.apply(board.corners_mm())
    if in_cam[:, 2].min() <= 10.0:
        return False
    middle = in_cam.mean(axis=0)
    into = cam_from_board.rotation[:, 2]
    if into @ middle / np.linalg.norm(middle) < math.cos(STEEPEST_RAD):
        return False
    if np.arctan2(np.linalg.norm(middle[:2]), middle[2]) > camera.half_angle_rad():
        return False
    px = camera.project(in_cam)
    inside = ((px >= 0) & (px <= [camera.width_px - 1, camera.height_px - 1])).all(axis=1)
    if inside.sum() < 6:
        return False
    grid = px.reshape(board.corner_rows, board.corner_columns, 2)
    sides = [np.linalg.norm(np.diff(grid, axis=k), axis=2) for k in (0, 1)]
    return bool(min(float(np.median(side)) for side in sides) >= SMALLEST_SQUARE_PX)
