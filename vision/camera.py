"""A camera: intrinsics and lens distortion of one resolution, zoom and focus; projection, rays, analytic Jacobians.

Model: pinhole with the Brown distortion in OpenCV's order ``k1 k2 p1 p2 k3 k4 k5 k6`` (rational when k4..k6 are used).
Camera frame: x right, y down, z into the scene. Pixel (0, 0) is the centre of the first pixel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import ArrayLike

from vision.frames import Array

DISTORTION_NAMES = ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6")
INTRINSIC_NAMES = ("fx_px", "fy_px", "cx_px", "cy_px")


@dataclass(frozen=True, slots=True, eq=False)
class Camera:
    """Intrinsics and distortion of one camera at one image size.

    Attributes
    ----------
    width_px, height_px : int
        Size of the unturned image (as the sensor delivers it, no EXIF rotation).
    fx_px, fy_px, cx_px, cy_px : float
    distortion : ndarray, shape (8,)
        ``k1 k2 p1 p2 k3 k4 k5 k6``; unused coefficients are zero.
    """

    width_px: int
    height_px: int
    fx_px: float
    fy_px: float
    cx_px: float
    cy_px: float
    distortion: Array = field(default_factory=lambda: np.zeros(8))

    def __post_init__(self) -> None:
        padded = np.zeros(8)
        given = np.asarray(self.distortion, dtype=float).reshape(-1)
        if given.size > 8:
            raise ValueError(f"at most 8 distortion coefficients are supported, not {given.size}")
        padded[: given.size] = given
        object.__setattr__(self, "distortion", padded)
        if not (self.fx_px > 0 and self.fy_px > 0):
            raise ValueError("focal lengths must be positive")

    @property
    def matrix(self) -> Array:
        """Camera matrix, shape (3, 3)."""
        return np.array([[self.fx_px, 0.0, self.cx_px], [0.0, self.fy_px, self.cy_px], [0.0, 0.0, 1.0]])

    @property
    def parameters(self) -> Array:
        """The 12-vector ``fx fy cx cy k1 k2 p1 p2 k3 k4 k5 k6``."""
        return np.concatenate([[self.fx_px, self.fy_px, self.cx_px, self.cy_px], self.distortion])

    def with_parameters(self, parameters: ArrayLike) -> Camera:
        p = np.asarray(parameters, dtype=float)
        fx, fy, cx, cy = (float(v) for v in p[:4])
        return replace(self, fx_px=fx, fy_px=fy, cx_px=cx, cy_px=cy, distortion=p[4:12].copy())

    def project(self, points_in_cam: ArrayLike) -> Array:
        """Pixels, shape (n, 2), of points in the camera frame, shape (n, 3), mm. Points need z > 0 (not checked)."""
        p = self.parameters
        return project_arrays(np.asarray(points_in_cam, dtype=float), p, jacobians=False)[0]

    def project_with_jacobians(self, points_in_cam: ArrayLike) -> tuple[Array, Array, Array]:
        """Pixels (n, 2), d pixel / d point (n, 2, 3) and d pixel / d parameters (n, 2, 12)."""
        return project_arrays(np.asarray(points_in_cam, dtype=float), self.parameters)

    def rays(self, px: ArrayLike) -> Array:
        """Directions in the camera frame, shape (n, 3), scaled to z = 1, of pixels, shape (n, 2)."""
        px = np.asarray(px, dtype=float).reshape(-1, 1, 2)
        criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 60, 1e-12)
        flat = (
            cv2.undistortPointsIter(px, self.matrix, self.distortion, None, None, criteria)
            if hasattr(cv2, "undistortPointsIter")
            else cv2.undistortPoints(px, self.matrix, self.distortion, None, None, None, criteria)
        )
        xy = np.asarray(flat, dtype=float).reshape(-1, 2)
        return np.column_stack([xy, np.ones(len(xy))])

    def half_angle_rad(self) -> float:
        """Largest angle from the optical axis of an image corner, without distortion."""
        reach = math.hypot(max(self.cx_px, self.width_px - self.cx_px), max(self.cy_px, self.height_px - self.cy_px))
        return math.atan2(reach, min(self.fx_px, self.fy_px))


def project_arrays(
    points: Array, parameters: Array, *, jacobians: bool = True, lens: bool = True
) -> tuple[Array, Array, Array]:
    """Brown projection for all points at once.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
        Points in the camera frame, mm, z > 0.
    parameters : ndarray, shape (12,) or (n, 12)
        ``fx fy cx cy k1 k2 p1 p2 k3 k4 k5 k6``; one row per point where every photo has its own.

    Returns
    -------
    px : ndarray, shape (n, 2)
    d_point : ndarray, shape (n, 2, 3)
    d_parameters : ndarray, shape (n, 2, 12)
        The Jacobians are empty arrays when `jacobians` is false, the last one also when `lens` is false.

    Notes
    -----
    Brown (1971) with OpenCV's rational extension (OpenCV documentation, "Camera Calibration and 3D Reconstruction").
    """
    q = np.broadcast_to(parameters, (len(points), 12))
    fx, fy, cx, cy, k1, k2, p1, p2, k3, k4, k5, k6 = (q[:, i] for i in range(12))
    iz = 1.0 / points[:, 2]
    x, y = points[:, 0] * iz, points[:, 1] * iz
    xx, yy, xy = x * x, y * y, x * y
    r2 = xx + yy
    r4, r6 = r2 * r2, r2 * r2 * r2
    num = 1.0 + k1 * r2 + k2 * r4 + k3 * r6
    iden = 1.0 / (1.0 + k4 * r2 + k5 * r4 + k6 * r6)
    radial = num * iden
    xd = x * radial + 2.0 * p1 * xy + p2 * (r2 + 2.0 * xx)
    yd = y * radial + p1 * (r2 + 2.0 * yy) + 2.0 * p2 * xy
    px = np.stack([fx * xd + cx, fy * yd + cy], axis=1)
    if not jacobians:
        return px, np.empty((0, 2, 3)), np.empty((0, 2, 12))

    d_radial = (k1 + 2.0 * k2 * r2 + 3.0 * k3 * r4 - radial * (k4 + 2.0 * k5 * r2 + 3.0 * k6 * r4)) * iden  # d/d r2
    dxd_dx = radial + 2.0 * xx * d_radial + 2.0 * p1 * y + 6.0 * p2 * x
    dxd_dy = 2.0 * xy * d_radial + 2.0 * p1 * x + 2.0 * p2 * y
    dyd_dx = dxd_dy
    dyd_dy = radial + 2.0 * yy * d_radial + 6.0 * p1 * y + 2.0 * p2 * x
    d_point = np.empty((len(points), 2, 3))
    d_point[:, 0, 0] = fx * dxd_dx * iz
    d_point[:, 0, 1] = fx * dxd_dy * iz
    d_point[:, 0, 2] = -fx * (dxd_dx * x + dxd_dy * y) * iz
    d_point[:, 1, 0] = fy * dyd_dx * iz
    d_point[:, 1, 1] = fy * dyd_dy * iz
    d_point[:, 1, 2] = -fy * (dyd_dx * x + dyd_dy * y) * iz

    if not lens:
        return px, d_point, np.empty((0, 2, 12))
    d_par = np.zeros((len(points), 2, 12))
    d_par[:, 0, 0], d_par[:, 1, 1] = xd, yd
    d_par[:, 0, 2] = d_par[:, 1, 3] = 1.0
    up, down = iden, -radial * iden
    powers = ((4, up * r2), (5, up * r4), (8, up * r6), (9, down * r2), (10, down * r4), (11, down * r6))
    for column, factor in powers:
        d_par[:, 0, column] = fx * x * factor
        d_par[:, 1, column] = fy * y * factor
    d_par[:, 0, 6], d_par[:, 1, 6] = fx * 2.0 * xy, fy * (r2 + 2.0 * yy)
    d_par[:, 0, 7], d_par[:, 1, 7] = fx * (r2 + 2.0 * xx), fy * 2.0 * xy
    return px, d_point, d_par


@dataclass(frozen=True, slots=True)
class Wobble:
    """How much one photo's lens differs from the profile (k = 1): autofocus breathing, stabilisation, rolling shutter.

    Attributes
    ----------
    focal_percent : float
        σ of the focal length, percent.
    centre_px : float
        σ of the principal point, px, each axis.
    row_drift_px : float
        σ of the drift of a picture that was read row by row while the camera moved, px over 1000 rows, each axis.
    """

    focal_percent: float = 0.0
    centre_px: float = 0.0
    row_drift_px: float = 0.0

    @property
    def present(self) -> bool:
        return self.focal_percent > 0.0 or self.centre_px > 0.0


@dataclass(frozen=True, slots=True, eq=False)
class LensProfile:
    """A calibrated camera ("lens profile"): one resolution, zoom and focus.

    Attributes
    ----------
    name : str
        The file's stem; how jobs and messages call it.
    camera : Camera
    cov : ndarray, shape (12, 12)
        Covariance (k = 1) of `Camera.parameters`; rows and columns of parameters held at their value are zero.
    focus : str
        "locked" or "auto".
    wobble : Wobble
    make, model : str
        EXIF make and model; empty when unknown.
    focal_length_mm : float
        EXIF focal length; 0 when unknown.
    device : str
        Capture device and mode of a webcam; empty for stills.
    date : str
        ISO date of the lens photos.
    """

    name: str
    camera: Camera
    cov: Array
    focus: str = "locked"
    wobble: Wobble = field(default_factory=Wobble)
    make: str = ""
    model: str = ""
    focal_length_mm: float = 0.0
    device: str = ""
    date: str = ""

    def __post_init__(self) -> None:
        if self.cov.shape != (12, 12):
            raise ValueError(f"lens covariance must have shape (12, 12), not {self.cov.shape}")
        if self.focus not in ("locked", "auto"):
            raise ValueError(f"focus must be 'locked' or 'auto', not {self.focus!r}")
