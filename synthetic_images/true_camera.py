"""The camera that takes the synthetic photos: pinhole with Brown distortion, written anew and not shared with `vision`.

Camera frame x right, y down, z into the scene; pixel (0, 0) is the centre of the first pixel.
Source: Brown (1971), in the arrangement k1 k2 p1 p2 k3 of the OpenCV documentation.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from synthetic_images.rigid import Array

NODE_SPACING_PX = 16


@dataclass(frozen=True, slots=True)
class TrueCamera:
    """True intrinsics (px) and distortion of the synthetic camera, and what it writes into the EXIF block."""

    width_px: int
    height_px: int
    fx_px: float
    fy_px: float
    cx_px: float
    cy_px: float
    k1: float = 0.0
    k2: float = 0.0
    p1: float = 0.0
    p2: float = 0.0
    k3: float = 0.0
    make: str = "Invented"
    model: str = "Shop camera 1"
    focal_length_mm: float = 4.2

    def distort(self, xy: Array) -> Array:
        """Distorted normalised coordinates (..., 2) of ideal ones (..., 2)."""
        x, y = xy[..., 0], xy[..., 1]
        r2 = x**2 + y**2
        radial = 1.0 + r2 * (self.k1 + r2 * (self.k2 + r2 * self.k3))
        dx = 2.0 * self.p1 * x * y + self.p2 * (r2 + 2.0 * x**2)
        dy = self.p1 * (r2 + 2.0 * y**2) + 2.0 * self.p2 * x * y
        return np.asarray(np.stack([x * radial + dx, y * radial + dy], axis=-1))

    def project(self, points_in_cam: ArrayLike) -> Array:
        """Pixels (n, 2) of points (n, 3), mm, in front of the camera (z > 0, not checked)."""
        points = np.asarray(points_in_cam, dtype=float)
        xy = self.distort(points[..., :2] / points[..., 2:])
        return np.asarray(xy * np.array([self.fx_px, self.fy_px]) + np.array([self.cx_px, self.cy_px]))

    def ideal(self, px: ArrayLike) -> Array:
        """Ideal normalised coordinates (..., 2) of pixels (..., 2): the ray is (x, y, 1).

        Newton's method on the distortion; raises ValueError where it does not converge (distortion folds over).
        """
        px = np.asarray(px, dtype=float)
        wanted: Array = (px - np.array([self.cx_px, self.cy_px])) / np.array([self.fx_px, self.fy_px])
        xy = wanted.copy()
        for _ in range(50):
            gap = self.distort(xy) - wanted
            if float(np.abs(gap).max(initial=0.0)) < 1e-13:
                break
            xy = xy - _solve_2x2(self._jacobian(xy), gap)
        else:
            raise ValueError("this distortion cannot be inverted over the whole picture")
        if not (np.linalg.det(self._jacobian(xy)) > 0).all():
            raise ValueError("this distortion folds back inside the picture")
        return xy

    def _jacobian(self, xy: Array) -> Array:
        x, y = xy[..., 0], xy[..., 1]
        r2 = x**2 + y**2
        radial = 1.0 + r2 * (self.k1 + r2 * (self.k2 + r2 * self.k3))
        slope = 2.0 * (self.k1 + r2 * (2.0 * self.k2 + r2 * 3.0 * self.k3))  # d radial / dx = slope * x
        xx = radial + slope * x**2 + 2.0 * self.p1 * y + 6.0 * self.p2 * x
        mixed = slope * x * y + 2.0 * self.p1 * x + 2.0 * self.p2 * y
        yy = radial + slope * y**2 + 6.0 * self.p1 * y + 2.0 * self.p2 * x
        return np.stack([np.stack([xx, mixed], -1), np.stack([mixed, yy], -1)], -2)

    def ideal_grid(self, columns_px: Array, rows_px: Array) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Ideal x and y, each of shape (rows, columns), float32, on a grid of pixel positions.

        Cubic interpolation between exact nodes `NODE_SPACING_PX` apart; the error is below 1e-4 px for usual lenses.
        """
        nodes = _nodes(self)
        first_c, weights_c = _cubic_weights(columns_px)
        first_r, weights_r = _cubic_weights(rows_px)
        part = nodes[first_r : first_r + weights_r.shape[1], first_c : first_c + weights_c.shape[1]]
        x = weights_r @ part[..., 0] @ weights_c.T
        y = weights_r @ part[..., 1] @ weights_c.T
        return x.astype(np.float32), y.astype(np.float32)


def _solve_2x2(matrix: Array, right: Array) -> Array:
    det = matrix[..., 0, 0] * matrix[..., 1, 1] - matrix[..., 0, 1] * matrix[..., 1, 0]
    x = (matrix[..., 1, 1] * right[..., 0] - matrix[..., 0, 1] * right[..., 1]) / det
    y = (matrix[..., 0, 0] * right[..., 1] - matrix[..., 1, 0] * right[..., 0]) / det
    return np.stack([x, y], axis=-1)


@functools.lru_cache(maxsize=8)
def _nodes(camera: TrueCamera) -> Array:
    # three nodes beyond every edge: cubic support and half a pixel of supersampling
    h = NODE_SPACING_PX
    columns = np.arange(-3, camera.width_px // h + 5) * float(h)
    rows = np.arange(-3, camera.height_px // h + 5) * float(h)
    grid = np.stack(np.meshgrid(columns, rows), axis=-1)
    return camera.ideal(grid)


def _cubic_weights(positions_px: Array) -> tuple[int, Array]:
    """First node and weights (positions, nodes) of Lagrange's cubic interpolation, exact for cubics."""
    at = positions_px / NODE_SPACING_PX + 3.0
    base = np.floor(at).astype(int)
    t = at - base
    taps = np.stack(
        [-t * (t - 1) * (t - 2) / 6, (t + 1) * (t - 1) * (t - 2) / 2, -(t + 1) * t * (t - 2) / 2, (t + 1) * t * (t - 1) / 6],
        axis=1,
    )
    first = int(base.min()) - 1
    weights = np.zeros((len(positions_px), int(base.max()) + 3 - first))
    rows = np.arange(len(positions_px))
    for k in range(4):
        weights[rows, base - 1 - first + k] = taps[:, k]
    return first, weights


def webcam() -> TrueCamera:
    """A 1080p camera on a cable, about 69 degrees wide."""
    return TrueCamera(1920, 1080, 1402.3, 1400.9, 966.4, 533.7, -0.082, 0.061, 0.0006, -0.0004, -0.011)


def still_camera() -> TrueCamera:
    """A 12-megapixel camera, about 64 degrees wide."""
    return TrueCamera(
        4000,
        3000,
        3205.8,
        3203.1,
        2011.7,
        1489.2,
        0.046,
        -0.121,
        -0.0003,
        0.0005,
        0.052,
        model="Shop camera 2",
        focal_length_mm=5.6,
    )
