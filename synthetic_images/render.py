"""Render a photo of the bay: boards with area-correct antialiasing over a coarse background, hidden where the car stands."""

from __future__ import annotations

import math
import zlib
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic_images.background import coarse_maps, draw_faces, light
from synthetic_images.bay import Bay
from synthetic_images.corners import NEAR_MM, shot_boards
from synthetic_images.imaging import Imaging, expose
from synthetic_images.misprint import Misprint, corner_places
from synthetic_images.print_picture import print_picture
from synthetic_images.rigid import Array, apply, inverse
from synthetic_images.scene import PAPER_MARGIN, SHEET_MARGIN, board_outline, room, things
from synthetic_images.shot import Shot
from synthetic_images.true_camera import TrueCamera
from vision.boards import Board, PrintScale

Float32 = NDArray[np.float32]
MOST_SAMPLES = 2_000_000
"""Samples spent on one board; decides the supersampling (4 x 4 a pixel down to 2 x 2)."""


def render_photo(
    bay: Bay, camera: TrueCamera, shot: Shot, rng: np.random.Generator, imaging: Imaging | None = None
) -> NDArray[np.uint8]:
    """The photo as a uint8 array (h, w, 3), blue green red."""
    return expose(render_scene(bay, camera, shot), camera, imaging or Imaging(), rng)


def render_scene(bay: Bay, camera: TrueCamera, shot: Shot) -> Float32:
    """Light on the sensor before lens blur and noise: (h, w, 3), blue green red, 0 to 1; each pixel the mean over its area."""
    faces = room(bay)
    if shot.cam_from_lens_board is None:
        faces = faces + things(bay, shot.epoch)
    coarse, coarse_near = draw_faces(faces, shot.bay_from_cam, camera, zlib.crc32(repr(bay.floor).encode()))
    maps = coarse_maps(camera)
    scene = np.asarray(cv2.remap(coarse, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32)
    nearest = np.asarray(cv2.remap(coarse_near, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32)
    cam_from_bay = inverse(shot.bay_from_cam)
    poses = {name: cam_from_bay @ pose for name, pose in shot_boards(bay, shot).items()}
    centre_depth = {name: float(apply(pose, bay.boards[name].centre_mm)[2]) for name, pose in poses.items()}
    for name in sorted(poses, key=lambda n: -centre_depth[n]):
        draw_board(scene, nearest, bay, camera, name, poses[name], shot.bay_from_cam)
    return scene


def draw_board(
    scene: Float32, nearest: Float32, bay: Bay, camera: TrueCamera, name: str, cam_from_board: Array, bay_from_cam: Array
) -> None:
    """Draw one board into the scene where nothing nearer is in front; updates scene and inverse depth in place."""
    board = bay.boards[name]
    window = _window(board, camera, cam_from_board)
    if window is None:
        return
    rows, columns = window
    fine = int(min(4, max(2, math.isqrt(MOST_SAMPLES // ((rows.stop - rows.start) * (columns.stop - columns.start))))))
    value, cover = _sampled(bay, board, camera, cam_from_board, window, fine)
    depth = _inverse_depth(camera, cam_from_board, window)
    front = cover * (depth > nearest[rows, columns])
    brightness = _brightness(board, cam_from_board, bay_from_cam)
    part = scene[rows, columns]
    shown = np.where(front > 0, value * brightness, 0.0)  # value already holds the cover
    part *= (1.0 - front)[..., None]
    part += shown[..., None]
    near = nearest[rows, columns]
    np.maximum(near, np.where(front > 0.5, depth, 0), out=near)


def _window(board: Board, camera: TrueCamera, cam_from_board: Array) -> tuple[slice, slice] | None:
    """Rows and columns of the picture that the board's sheet can touch; None when it is outside, edge-on or turned away."""
    corners = board_outline(board, PAPER_MARGIN + SHEET_MARGIN)
    rim = np.concatenate([corners[k] + np.linspace(0, 1, 9)[:, None] * (corners[(k + 1) % 4] - corners[k]) for k in range(4)])
    in_cam = apply(cam_from_board, rim)
    if in_cam[:, 2].min() < NEAR_MM or float(cam_from_board[:3, 2] @ cam_from_board[:3, 3]) <= 0:
        return None
    reach = 1.6 * np.array([camera.width_px / camera.fx_px, camera.height_px / camera.fy_px])
    ideal = np.clip(in_cam[:, :2] / in_cam[:, 2:], -reach, reach)  # beyond, the distortion polynomial folds back
    px = camera.project(np.column_stack([ideal, np.ones(len(ideal))]))
    low = np.maximum(np.floor(px.min(axis=0)).astype(int) - 3, 0)
    high = np.minimum(np.ceil(px.max(axis=0)).astype(int) + 4, [camera.width_px, camera.height_px])
    if (high - low < 2).any():
        return None
    return slice(int(low[1]), int(high[1])), slice(int(low[0]), int(high[0]))


def _sampled(
    bay: Bay, board: Board, camera: TrueCamera, cam_from_board: Array, window: tuple[slice, slice], fine: int
) -> tuple[Float32, Float32]:
    """Mean of the printed picture over the area of each pixel of the window: reflectance times cover, and cover."""
    rows, columns = window
    offsets = (np.arange(fine) + 0.5) / fine - 0.5
    xs = (np.arange(columns.start, columns.stop)[:, None] + offsets).ravel()
    ys = (np.arange(rows.start, rows.stop)[:, None] + offsets).ravel()
    ideal_x, ideal_y = camera.ideal_grid(xs, ys)
    x_mm, y_mm = _on_board(bay, board, cam_from_board, ideal_x, ideal_y)
    if board.name in bay.misprints:
        _undo_misprint(board, bay.misprints[board.name], x_mm, y_mm)
    picture = print_picture(_flat(board), _cells_per_mm(board, camera, cam_from_board, fine))
    on_sheet = np.ones(x_mm.shape, dtype=bool)
    for mm, scale, low, high in zip((x_mm, y_mm), (board.scale.x, board.scale.y), picture.low_mm, picture.high_mm, strict=True):
        on_sheet &= mm > np.float32(low * scale)
        on_sheet &= mm < np.float32(high * scale)
        mm *= np.float32(picture.cells_per_mm / scale)  # from here on: picture coordinates
        mm -= np.float32(low * picture.cells_per_mm + 0.5)
    samples = cv2.remap(picture.values, x_mm, y_mm, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    size = (columns.stop - columns.start, rows.stop - rows.start)
    value = cv2.resize(np.where(on_sheet, samples, 0).astype(np.float32), size, interpolation=cv2.INTER_AREA)
    cover = cv2.resize(on_sheet.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    return np.asarray(value / 255.0, dtype=np.float32), np.asarray(cover, dtype=np.float32)


def _undo_misprint(board: Board, misprint: Misprint, x_mm: Float32, y_mm: Float32) -> None:
    """Points of the printed face become the points of the pattern that were printed there; in place."""
    with np.errstate(invalid="ignore", over="ignore"):  # beyond the horizon; thrown away later
        column, row = (np.clip(place, -1e4, 1e4).astype(np.float32) for place in corner_places(board, x_mm, y_mm))
    for mm, shift in zip((x_mm, y_mm), np.moveaxis(misprint.shift_mm, 2, 0), strict=True):
        table = np.ascontiguousarray(shift, dtype=np.float32)
        mm -= np.asarray(cv2.remap(table, column, row, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32)


def _flat(board: Board) -> Board:
    """The nominal board that keys the cache of pictures: scale and thickness do not change the picture."""
    return replace(board, scale=PrintScale(), thickness_mm=0.0)


def _on_board(bay: Bay, board: Board, cam_from_board: Array, ideal_x: Float32, ideal_y: Float32) -> tuple[Float32, Float32]:
    """Board coordinates, mm (true size), where the rays through ideal picture points meet the printed face."""
    board_from_cam = inverse(cam_from_board)
    eye = board_from_cam[:3, 3]
    # the ray eye + s * R @ (x, y, 1) meets z = 0 at s = -eye_z / (R @ ray)_z: a homography, written with one division
    direction = board_from_cam[:3, :3].astype(np.float32)
    dz = direction[2, 0] * ideal_x + direction[2, 1] * ideal_y + direction[2, 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        inv = np.float32(1.0) / dz
    slope_x = (direction[0, 0] * ideal_x + direction[0, 1] * ideal_y + direction[0, 2]) * inv
    slope_y = (direction[1, 0] * ideal_x + direction[1, 1] * ideal_y + direction[1, 2]) * inv
    bend = bay.bends.get(board.name)
    x = np.float32(eye[0]) - np.float32(eye[2]) * slope_x
    y = np.float32(eye[1]) - np.float32(eye[2]) * slope_y
    if bend is None:
        return x, y
    flat_x, flat_y = x, y
    for _ in range(4):  # the bend is shallow: each step shrinks the error by slope times tangent of the tilt, below 0.2
        depth = bend.depth_mm(board, x, y).astype(np.float32)
        x, y = flat_x + depth * slope_x, flat_y + depth * slope_y
    return x, y


def _cells_per_mm(board: Board, camera: TrueCamera, cam_from_board: Array, fine: int) -> float:
    """Picture resolution about equal to the sample spacing at the board's centre; in steps, so that pictures are reused."""
    width, height = board.size_mm
    patch = board.centre_mm + np.array([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]]) * 5.0
    px = camera.project(apply(cam_from_board, patch))
    d, e = px[2] - px[0], px[3] - px[1]
    area = 0.5 * abs(float(d[0] * e[1] - d[1] * e[0]))
    wanted = fine * math.sqrt(max(area, 1e-6)) / 10.0
    step = 2.0 ** round(math.log2(wanted))
    return float(min(max(step, 0.25), 4000.0 / max(width, height)))


def _inverse_depth(camera: TrueCamera, cam_from_board: Array, window: tuple[slice, slice]) -> Float32:
    """1/z (1/mm) of the board's plane at the pixels of the window."""
    rows, columns = window
    x, y = camera.ideal_grid(np.arange(columns.start, columns.stop, dtype=float), np.arange(rows.start, rows.stop, dtype=float))
    normal, offset = cam_from_board[:3, 2], float(cam_from_board[:3, 2] @ cam_from_board[:3, 3])
    a, b, c = (normal / offset).astype(np.float32)
    return np.asarray(a * x + b * y + c, dtype=np.float32)


def _brightness(board: Board, cam_from_board: Array, bay_from_cam: Array) -> float:
    """Light on the board: the shop's lamps at its place, more when it faces up."""
    bay_from_board = bay_from_cam @ cam_from_board
    centre = apply(bay_from_board, board.centre_mm).astype(np.float32)
    facing_up = -float(bay_from_board[2, 2])
    return float(light(centre)) * (0.90 + 0.12 * facing_up)
