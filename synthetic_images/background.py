"""Draw the flat faces of the scene into a coarse picture without distortion, with inverse depth: background and occluders."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic_images.rigid import Array, apply, inverse
from synthetic_images.scene import Face
from synthetic_images.true_camera import TrueCamera

NEAR_MM = 60.0
FLOOR_CELL_MM = 6.0
FLOOR_CELLS = 2048
SHADOW_MM = 510.0
Float32 = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class CoarseView:
    """An ideal pinhole picture that covers the true camera's field of view at a fraction of its resolution."""

    width_px: int
    height_px: int
    focal_px: float
    cx_px: float
    cy_px: float


@functools.lru_cache(maxsize=8)
def coarse_view(camera: TrueCamera) -> CoarseView:
    """Half resolution up to 1080p, coarser above: the background has no edge that is measured."""
    shrink = max(2.0, max(camera.width_px, camera.height_px) / 1000.0)
    x, y = camera.ideal_grid(np.linspace(0, camera.width_px - 1, 33), np.linspace(0, camera.height_px - 1, 33))
    focal = camera.fx_px / shrink
    cx, cy = 2.0 - float(x.min()) * focal, 2.0 - float(y.min()) * focal
    return CoarseView(int(cx + float(x.max()) * focal) + 4, int(cy + float(y.max()) * focal) + 4, focal, cx, cy)


@functools.lru_cache(maxsize=4)
def coarse_maps(camera: TrueCamera) -> tuple[Float32, Float32]:
    """Where each pixel of the true camera lies in the coarse picture."""
    view = coarse_view(camera)
    x, y = camera.ideal_grid(np.arange(camera.width_px, dtype=float), np.arange(camera.height_px, dtype=float))
    columns = x * np.float32(view.focal_px) + np.float32(view.cx_px)
    rows = y * np.float32(view.focal_px) + np.float32(view.cy_px)
    return columns, rows


def draw_faces(faces: list[Face], bay_from_cam: Array, camera: TrueCamera, epoch_seed: int) -> tuple[Float32, Float32]:
    """Colours (h, w, 3) from 0 to 1 and inverse depth (h, w), 1/mm, of the coarse picture."""
    view = coarse_view(camera)
    cam_from_bay = inverse(bay_from_cam)
    nearest = np.zeros((view.height_px, view.width_px), np.float32)
    owner = np.zeros((view.height_px, view.width_px), np.int32)
    for index, face in enumerate(faces):
        _draw(face, cam_from_bay, view, index + 1, nearest, owner)
    table = np.array([(0.3, 0.3, 0.3)] + [face.colour for face in faces], np.float32)
    colours = table[owner]
    points = _points(view, nearest, bay_from_cam)
    colours *= light(points)[..., None]
    floors = [i + 1 for i, face in enumerate(faces) if face.what == "floor"]
    on_floor = np.isin(owner, floors)
    colours[on_floor] *= _concrete(points[on_floor], epoch_seed)[:, None]
    _darken_under_car(colours, points, on_floor, faces)
    return np.asarray(cv2.GaussianBlur(colours, (3, 3), 0.7), dtype=np.float32), nearest  # takes the steps off the edges


def _draw(face: Face, cam_from_bay: Array, view: CoarseView, index: int, nearest: Float32, owner: NDArray[np.int32]) -> None:
    corners = apply(cam_from_bay, face.corners_mm)
    normal = np.cross(corners, np.roll(corners, -1, axis=0)).sum(axis=0)
    offset = float(corners[0] @ normal)
    if abs(offset) < 1e-6 * float(np.linalg.norm(normal)):
        return
    visible = _clip(corners, view)
    if len(visible) < 3:
        return
    px = visible[:, :2] / visible[:, 2:] * view.focal_px + np.array([view.cx_px, view.cy_px])
    low = np.maximum(np.floor(px.min(axis=0)).astype(int), 0)
    high = np.minimum(np.ceil(px.max(axis=0)).astype(int) + 1, [view.width_px, view.height_px])
    if (high <= low).any():
        return
    mask = np.zeros((high[1] - low[1], high[0] - low[0]), np.uint8)
    cv2.fillPoly(mask, [np.round((px - low) * 16).astype(np.int32)], 1, shift=4)
    u = (np.arange(low[0], high[0]) - view.cx_px) / view.focal_px * (normal[0] / offset)
    v = (np.arange(low[1], high[1]) - view.cy_px) / view.focal_px * (normal[1] / offset)
    depth = (u.astype(np.float32)[None, :] + v.astype(np.float32)[:, None]) + np.float32(normal[2] / offset)
    window = (slice(low[1], high[1]), slice(low[0], high[0]))
    wins = (mask > 0) & (depth > nearest[window])
    nearest[window][wins] = depth[wins]
    owner[window][wins] = index


def _clip(corners: Array, view: CoarseView) -> Array:
    """Sutherland-Hodgman against the near plane and a little more than the four sides of the picture."""
    reach_x = 1.05 * max(view.cx_px, view.width_px - view.cx_px) / view.focal_px
    reach_y = 1.05 * max(view.cy_px, view.height_px - view.cy_px) / view.focal_px
    planes = (
        (0.0, 0.0, 1.0, -NEAR_MM),
        (1.0, 0.0, reach_x, 0.0),
        (-1.0, 0.0, reach_x, 0.0),
        (0.0, 1.0, reach_y, 0.0),
        (0.0, -1.0, reach_y, 0.0),
    )
    for a, b, c, d in planes:
        side = corners @ np.array([a, b, c]) + d
        if (side >= 0).all():
            continue
        if (side < 0).all():
            return np.empty((0, 3))
        following, side_following = np.roll(corners, -1, axis=0), np.roll(side, -1)
        out: list[Array] = []
        for p, q, s, t in zip(corners, following, side, side_following, strict=True):
            if s >= 0:
                out.append(p)
            if (s >= 0) != (t >= 0):
                out.append(p + (q - p) * (s / (s - t)))
        corners = np.array(out)
    return corners


def _points(view: CoarseView, nearest: Float32, bay_from_cam: Array) -> Float32:
    """Bay coordinates (h, w, 3), mm, of what each coarse pixel shows."""
    rotation = bay_from_cam[:3, :3].astype(np.float32)
    x = ((np.arange(view.width_px) - view.cx_px) / view.focal_px).astype(np.float32)
    y = ((np.arange(view.height_px) - view.cy_px) / view.focal_px).astype(np.float32)
    depth = 1.0 / np.maximum(nearest, np.float32(1e-5))
    out = np.empty((*nearest.shape, 3), np.float32)
    for k in range(3):
        out[..., k] = (rotation[k, 0] * x[None, :] + rotation[k, 1] * y[:, None] + rotation[k, 2]) * depth
        out[..., k] += np.float32(bay_from_cam[k, 3])
    return out


def light(points_mm: Float32) -> Float32:
    """How bright the shop's lamps are at points (..., 3): two rows of tubes, dimmer low down and at the ends of the bay."""
    x, y, z = points_mm[..., 0], points_mm[..., 1], points_mm[..., 2]
    along = 1.0 - 0.22 * ((x - 1500.0) / 5000.0) ** 2
    across = 1.0 - 0.10 * (np.abs(y) - 1300.0) ** 2 / 1500.0**2
    return np.asarray((0.86 + 0.09 * np.clip(z, 0.0, 2000.0) / 1000.0) * along * across, dtype=np.float32)


@functools.lru_cache(maxsize=4)
def _floor_texture(seed: int) -> Float32:
    """Mottled concrete around 1: clouds of several sizes, a few stains."""
    rng = np.random.default_rng(seed)
    texture = np.ones((FLOOR_CELLS, FLOOR_CELLS), np.float32)
    for cells, strength in ((12, 0.06), (60, 0.045), (300, 0.03), (FLOOR_CELLS, 0.02)):
        clouds = rng.normal(0, strength, (cells, cells)).astype(np.float32)
        texture += cv2.resize(clouds, (FLOOR_CELLS, FLOOR_CELLS), interpolation=cv2.INTER_CUBIC)
    stains = np.zeros_like(texture)
    for _ in range(14):
        centre = tuple(int(v) for v in rng.integers(300, FLOOR_CELLS - 300, 2))
        axes = tuple(int(v) for v in rng.integers(8, 40, 2))
        cv2.ellipse(stains, centre, axes, float(rng.uniform(0, 180)), 0, 360, float(rng.uniform(0.05, 0.22)), -1)
    return np.asarray(texture - cv2.GaussianBlur(stains, (0, 0), 5), dtype=np.float32)


def _concrete(points: Float32, seed: int) -> Float32:
    texture = _floor_texture(seed)
    x = points[:, 0] / FLOOR_CELL_MM + FLOOR_CELLS / 2 - 200
    y = points[:, 1] / FLOOR_CELL_MM + FLOOR_CELLS / 2
    columns = np.clip(x, 0, FLOOR_CELLS - 1).astype(np.int32)
    rows = np.clip(y, 0, FLOOR_CELLS - 1).astype(np.int32)
    return np.asarray(texture[rows, columns], dtype=np.float32)


def _darken_under_car(colours: Float32, points: Float32, on_floor: NDArray[np.bool_], faces: list[Face]) -> None:
    """Soft shadow of the car on the floor, from the outline of its faces."""
    corners = [face.corners_mm for face in faces if face.what == "car"]
    if not corners:
        return
    cloud = np.concatenate(corners)
    low, high = (cloud.min(axis=0) + 90.0).astype(np.float32), (cloud.max(axis=0) - 90.0).astype(np.float32)
    near = on_floor & (np.abs(points[..., 0] - (low[0] + high[0]) / 2) < (high[0] - low[0]) / 2 + SHADOW_MM)
    near &= np.abs(points[..., 1] - (low[1] + high[1]) / 2) < (high[1] - low[1]) / 2 + SHADOW_MM
    x, y = points[near, 0], points[near, 1]
    beside_x = np.maximum(np.maximum(low[0] - x, x - high[0]), 0.0)
    beside_y = np.maximum(np.maximum(low[1] - y, y - high[1]), 0.0)
    shade = 1.0 - 0.62 * np.exp(-9.0 * (beside_x**2 + beside_y**2) / SHADOW_MM**2)
    colours[near] *= shade.astype(np.float32)[:, None]
