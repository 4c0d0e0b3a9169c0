"""One board drawn on a fine raster, blurred and summed over pixels: exact enough to study hundredths of a pixel.

Own projection (a pinhole) and own image model, so that the detector under study cannot hide a fault of its own here. The same
fine raster gives the picture's exact derivatives, and with them the Cramer-Rao bound.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from tests.support.render_board import pattern
from vision.boards import Board
from vision.frames import Array

FINE = 8
"""Samples per pixel and axis."""
GROUND = 0.35
"""Reflectance around the sheet."""


@dataclass(frozen=True)
class View:
    """A board before a pinhole with focal length `focal_px`, its middle at pixel `middle_px` and depth `z_mm`."""

    board: Board
    width_px: int
    height_px: int
    focal_px: float
    z_mm: float
    tilt_deg: float
    axis_deg: float
    roll_deg: float
    middle_px: tuple[float, float]
    quiet_squares: float = 0.4
    shutter: float = 0.0
    """Rolling shutter of a camera in motion: px sideways per px down."""

    def rotation(self) -> Array:
        axis = np.array([np.cos(np.radians(self.axis_deg)), np.sin(np.radians(self.axis_deg)), 0.0])
        tilt = cv2.Rodrigues(axis * np.radians(self.tilt_deg))[0]
        roll = cv2.Rodrigues(np.array([0.0, 0.0, np.radians(self.roll_deg)]))[0]
        return np.asarray(tilt @ roll, dtype=float)

    def origin_mm(self) -> Array:
        centre = np.array([(self.width_px - 1) / 2, (self.height_px - 1) / 2])
        at = (np.array(self.middle_px) - centre) / self.focal_px * self.z_mm
        return np.asarray([*at, self.z_mm] - self.rotation() @ self.board.centre_mm, dtype=float)

    def project(self, points_mm: Array, step: Array | None = None) -> Array:
        """Pixels (n, 2) of board points (n, 3); `step`: turn (rad) about the board's middle, shift (mm), in `cam`."""
        cam = points_mm @ self.rotation().T + self.origin_mm()
        if step is not None:
            middle = self.rotation() @ self.board.centre_mm + self.origin_mm()
            cam = (cam - middle) @ cv2.Rodrigues(step[:3])[0].T + middle + step[3:]
        centre = np.array([(self.width_px - 1) / 2, (self.height_px - 1) / 2])
        px = cam[:, :2] / cam[:, 2:] * self.focal_px + centre
        px[:, 0] += self.shutter * (px[:, 1] - centre[1])
        return np.asarray(px, dtype=float)

    def board_mm(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Where rays through pixels meet the board's plane."""
        centre = ((self.width_px - 1) / 2, (self.height_px - 1) / 2)
        turn, origin = self.rotation(), self.origin_mm()
        h = np.column_stack([turn[:, 0], turn[:, 1], origin])
        to = np.linalg.inv(h)
        x = x - self.shutter * (y - centre[1])
        u, v = (x - centre[0]) / self.focal_px, (y - centre[1]) / self.focal_px
        w = to[2, 0] * u + to[2, 1] * v + to[2, 2]
        return (to[0, 0] * u + to[0, 1] * v + to[0, 2]) / w, (to[1, 0] * u + to[1, 1] * v + to[1, 2]) / w

    def d_px(self, points_mm: Array) -> Array:
        """d pixel / d pose step, shape (n, 2, 6)."""
        size = np.array([1e-5] * 3 + [1e-2] * 3)
        out = np.empty((len(points_mm), 2, 6))
        for k in range(6):
            e = np.eye(6)[k] * size[k]
            out[:, :, k] = (self.project(points_mm, e) - self.project(points_mm, -e)) / (2 * size[k])
        return out


@dataclass(frozen=True, eq=False)
class Drawn:
    """Reflectance (h, w) as the pixels see it, its first derivatives (x, y) and second ones (xx, xy, yy), per px."""

    light: Array
    first: tuple[Array, Array]
    second: tuple[Array, Array, Array]


def draw(view: View, blur_px: float, *, derivatives: bool = True, streak_px: tuple[float, float] = (0.0, 0.0)) -> Drawn:
    """The picture through a Gaussian blur, a straight motion blur `streak_px` (x, y) and square pixels."""
    fine = _blurred(_reflectance(view), blur_px, streak_px)
    if not derivatives:
        return Drawn(_pixels(fine), (np.zeros(0), np.zeros(0)), (np.zeros(0), np.zeros(0), np.zeros(0)))

    def along(a: Array, axis: int) -> Array:
        return np.asarray(np.gradient(a, 1.0 / FINE, axis=axis))

    x, y = along(fine, 1), along(fine, 0)
    second = tuple(_pixels(part) for part in (along(x, 1), along(x, 0), along(y, 0)))
    return Drawn(_pixels(fine), (_pixels(x), _pixels(y)), (second[0], second[1], second[2]))


def _reflectance(view: View) -> Array:
    x = (np.arange(view.width_px * FINE) + 0.5) / FINE - 0.5
    y = (np.arange(view.height_px * FINE) + 0.5) / FINE - 0.5
    gx, gy = np.meshgrid(x, y)
    value, on_sheet = pattern(view.board, *view.board_mm(gx, gy), view.quiet_squares)
    return np.where(on_sheet, value, GROUND).astype(np.float32)


def _blurred(fine: Array, blur_px: float, streak_px: tuple[float, float]) -> Array:
    # samples are points: their raster alone would alias, half a sample of Gaussian is part of the blur asked for
    sigma = max(blur_px, 0.5 / FINE) * FINE
    out = cv2.GaussianBlur(fine, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
    if np.hypot(*streak_px) == 0.0:
        return np.asarray(out)
    steps = int(np.ceil(np.hypot(*streak_px) * FINE)) + 1
    size = out.shape[::-1]
    total = np.zeros_like(out)
    for t in (np.arange(steps) + 0.5) / steps - 0.5:
        move = np.array([[1, 0, t * streak_px[0] * FINE], [0, 1, t * streak_px[1] * FINE]])
        total += cv2.warpAffine(out, move, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(total / steps)


def _pixels(fine: Array) -> Array:
    h, w = fine.shape[0] // FINE, fine.shape[1] // FINE
    return np.asarray(fine.reshape(h, FINE, w, FINE).mean(axis=(1, 3), dtype=np.float64))
