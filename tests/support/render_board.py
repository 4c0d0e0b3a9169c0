"""Small, exact renders of boards for detector tests: point-sampled 6 x 6 per pixel, own projection, known truth."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

from vision.boards import Board
from vision.camera import Camera
from vision.frames import Array, Pose, exp_so3

SAMPLES = 6


@dataclass(frozen=True)
class Imaging:
    """What happens between the scene and the file; sigmas in px and grey levels of 255."""

    blur_px: float = 0.7
    noise: float = 2.0
    black: float = 40.0
    white: float = 200.0
    jpeg_quality: int = 0
    motion_px: tuple[float, float] = (0.0, 0.0)
    gamma: float = 1.0


@dataclass(frozen=True, eq=False)
class Scene:
    """Boards at poses `cam_from_board`; `background` (height, width) in 0..1, else grey with slow shading."""

    camera: Camera
    boards: tuple[tuple[Board, Pose], ...]
    background: Array | None = None
    bend_mm: float = 0.0
    quiet_squares: float = 0.4
    covers: tuple[tuple[int, int, int, int], ...] = ()
    imaging: Imaging = field(default_factory=Imaging)


def facing(
    board: Board,
    camera: Camera,
    *,
    z_mm: float,
    tilt_deg: float,
    axis_deg: float = 90.0,
    roll_deg: float = 3.0,
    at: tuple[float, float] = (0.0, 0.0),
) -> Pose:
    """Pose of a board whose middle lies at image position `at` (share of half the width and height) and depth `z_mm`."""
    axis = np.array([np.cos(np.radians(axis_deg)), np.sin(np.radians(axis_deg)), 0.0])
    turn = exp_so3(axis * np.radians(tilt_deg)) @ exp_so3([0.0, 0.0, np.radians(roll_deg)])
    x = at[0] * camera.width_px / 2 / camera.fx_px * z_mm
    y = at[1] * camera.height_px / 2 / camera.fy_px * z_mm
    middle = np.array([x, y, z_mm])
    return Pose.from_rt("cam", board.name, turn, middle - turn @ board.centre_mm)


def true_corners(board: Board, pose: Pose, camera: Camera) -> Array:
    """Pixels (n, 2) of the board's corners, by OpenCV's projection."""
    rvec, _ = cv2.Rodrigues(pose.rotation)
    px, _ = cv2.projectPoints(board.corners_mm(), rvec, pose.translation_mm, camera.matrix, camera.distortion)
    return np.asarray(px, dtype=float).reshape(-1, 2)


def pattern(board: Board, x_mm: Array, y_mm: Array, quiet: float) -> tuple[Array, Array]:
    """Reflectance (0 or 1) of the board's plane and whether the point is on the sheet."""
    u, v = x_mm / (board.square_mm * board.scale.x), y_mm / (board.square_mm * board.scale.y)
    columns, rows = (board.columns, board.rows) if board.is_charuco else (board.columns + 1, board.rows + 1)
    if not board.is_charuco:
        u, v = u + 1.0, v + 1.0
    on_sheet = (u > -quiet) & (u < columns + quiet) & (v > -quiet) & (v < rows + quiet)
    in_grid = (u >= 0) & (u < columns) & (v >= 0) & (v < rows)
    c, r = np.clip(np.floor(u).astype(int), 0, columns - 1), np.clip(np.floor(v).astype(int), 0, rows - 1)
    if not board.is_charuco:
        return np.where(in_grid & ((c + r) % 2 == 0), 0.0, 1.0), on_sheet
    marker = np.full((rows, columns), -1)
    for i, (mc, mr) in enumerate(board.marker_cells()):
        marker[mr, mc] = i
    bits = np.array(board.marker_bits())
    k = marker[r, c]
    ratio = board.marker_mm / board.square_mm
    cells = bits.shape[1]
    i = np.floor((u - c - (1 - ratio) / 2) / ratio * cells).astype(int)
    j = np.floor((v - r - (1 - ratio) / 2) / ratio * cells).astype(int)
    in_marker = (i >= 0) & (i < cells) & (j >= 0) & (j < cells)
    value = np.where(in_marker, bits[np.maximum(k, 0), np.clip(j, 0, cells - 1), np.clip(i, 0, cells - 1)], 1)
    value = np.where(k < 0, 0, value)
    return np.where(in_grid, value, 1.0).astype(float), on_sheet


def render(scene: Scene, seed: int = 0) -> np.ndarray:
    """The photo, uint8 (height, width)."""
    camera, imaging = scene.camera, scene.imaging
    rng = np.random.default_rng(seed)
    h, w = camera.height_px, camera.width_px
    if scene.background is not None:
        light = scene.background.copy()
    else:
        yy, xx = np.mgrid[0:h, 0:w]
        light = 0.45 + 0.1 * np.sin(xx / 180.0) * np.cos(yy / 150.0)
    for board, pose in sorted(scene.boards, key=lambda item: -float((item[1].apply(item[0].centre_mm))[2])):
        _paint(light, scene, board, pose)
    for x0, y0, x1, y1 in scene.covers:
        light[y0:y1, x0:x1] = 0.3
    if imaging.blur_px > 0:
        light = cv2.GaussianBlur(light, (0, 0), imaging.blur_px, borderType=cv2.BORDER_REPLICATE)
    if np.hypot(*imaging.motion_px) > 0:
        light = _smeared(light, imaging.motion_px)
    grey = imaging.black + (imaging.white - imaging.black) * np.clip(light, 0, 1) ** (1 / imaging.gamma)
    grey = grey + rng.normal(0.0, imaging.noise, grey.shape) if imaging.noise > 0 else grey
    out = np.clip(np.rint(grey), 0, 255).astype(np.uint8)
    if imaging.jpeg_quality:
        data = cv2.imencode(".jpg", out, [cv2.IMWRITE_JPEG_QUALITY, imaging.jpeg_quality])[1]
        out = cv2.imdecode(data, cv2.IMREAD_GRAYSCALE)
    return np.asarray(out, dtype=np.uint8)


def _smeared(light: Array, motion: tuple[float, float]) -> Array:
    out = np.zeros_like(light)
    steps = 15
    for s in np.linspace(-0.5, 0.5, steps):
        move = np.array([[1, 0, s * motion[0]], [0, 1, s * motion[1]]], dtype=float)
        out += cv2.warpAffine(light, move, light.shape[::-1], flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return out / steps


def _paint(light: Array, scene: Scene, board: Board, pose: Pose) -> None:
    camera = scene.camera
    h, w = light.shape
    size = np.array(board.size_mm)
    rim = board.square_mm * (scene.quiet_squares + (0.0 if board.is_charuco else 1.0)) + abs(scene.bend_mm)
    t = np.linspace(0, 1, 21)
    edge = np.concatenate([np.c_[t, 0 * t], np.c_[t, 0 * t + 1], np.c_[0 * t, t], np.c_[0 * t + 1, t]])
    outline = np.c_[edge * (size + 2 * rim) - rim, np.zeros(len(edge))]
    if not (pose.apply(outline)[:, 2] > 10).all():
        raise ValueError(f"board {board.name} reaches behind the camera")
    px = camera.project(pose.apply(outline))
    x0, y0 = np.maximum(np.floor(px.min(axis=0)).astype(int) - 3, 0)
    x1, y1 = np.minimum(np.ceil(px.max(axis=0)).astype(int) + 4, [w, h])
    if x1 <= x0 or y1 <= y0:
        return
    gx, gy = np.meshgrid(np.arange(x0 - 1, x1 + 1, dtype=float), np.arange(y0 - 1, y1 + 1, dtype=float))
    rays = camera.rays(np.c_[gx.ravel(), gy.ravel()])[:, :2].reshape(*gx.shape, 2)
    shade = np.zeros((y1 - y0, x1 - x0))
    cover = np.zeros_like(shade)
    for sub in range(SAMPLES**2):
        sx, sy = ((sub % SAMPLES) + 0.5) / SAMPLES - 0.5, ((sub // SAMPLES) + 0.5) / SAMPLES - 0.5
        at = _lattice(rays, sx, sy)
        x, y = _hit(at, pose, scene.bend_mm, size)
        value, on = pattern(board, x, y, scene.quiet_squares)
        shade += np.where(on, value, 0.0)
        cover += on
    n = SAMPLES**2
    part = light[y0:y1, x0:x1]
    light[y0:y1, x0:x1] = part * (1 - cover / n) + shade / n


def _lattice(rays: Array, sx: float, sy: float) -> Array:
    """Rays at a sub-pixel offset, linear between pixel centres; the lattice has one pixel more on every side."""

    def along(a: Array, s: float, axis: int) -> Array:
        lo, mid, hi = (np.take(a, range(k, a.shape[axis] - 2 + k), axis=axis) for k in range(3))
        return mid + s * (hi - mid) if s > 0 else mid + s * (mid - lo)

    return along(along(rays, sx, 1), sy, 0)


def _hit(at: Array, pose: Pose, bend_mm: float, size: Array) -> tuple[Array, Array]:
    """Where rays (h, w, 2) meet the board's face; bent: a parabola along x, `bend_mm` deep in the middle."""
    turn, origin = pose.rotation, pose.translation_mm
    rays = np.concatenate([at, np.ones((*at.shape[:2], 1))], axis=2)
    z = np.zeros(at.shape[:2])
    for _ in range(4 if bend_mm else 1):
        depth = (turn[:, 2] @ origin + z) / (rays @ turn[:, 2])
        p = (rays * depth[..., None] - origin) @ turn
        z = bend_mm * (1 - (2 * p[..., 0] / size[0] - 1) ** 2) if bend_mm else z
    return p[..., 0], p[..., 1]
