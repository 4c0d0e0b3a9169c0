"""Where a board's points lie in a photo: a plane-to-image map that also carries lens distortion, fitted to seen points.

The map is a homography from the board's plane to the camera's rays, followed by the lens. Eight free numbers, not the six of
a pose: two pseudo-observations hold it near a rigid pose, loosely, so that a focal length off by some percent (autofocus)
does no harm. Without a lens profile a nominal camera stands in, and radial and decentring terms are estimated along
(decentring also stands for a principal point off the middle).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.boards import Board
from vision.camera import Camera, project_arrays
from vision.frames import Array, Pose

RIGID_SIGMA = 0.03
"""How well the two homography columns must be orthogonal and equally long (relative, k = 1) with a lens profile."""
LENS_SIGMA = (0.3, 0.3, 0.01, 0.01, 0.3)
"""Prior (k = 1) of k1 k2 p1 p2 k3 of a nominal camera with focal length equal to the longer image side."""
FREE = 13
"""Free numbers of a map: the first eight of the homography and k1 k2 p1 p2 k3."""
HUBER = 2.5
NEAREST_MM = 10.0
"""A board closer to the camera's plane than this is not predicted."""


@dataclass(frozen=True, slots=True, eq=False)
class BoardMap:
    """Map of one board's plane into one photo.

    Attributes
    ----------
    h : ndarray, shape (3, 3)
        From (u, v, 1) to a ray, u and v counted from the board's middle in units of `reach_mm`; ``h[2, 2] == 1``.
    camera : Camera
        The lens profile's, or a nominal one with its own k1 k2 p1 p2 k3.
    rigid : bool
        `camera` is a lens profile's: a board's map must be near a rigid pose.
    middle_mm : ndarray, shape (2,)
    reach_mm : float
    cov : ndarray, shape (13, 13)
        Covariance of the first eight numbers of `h` and of k1 k2 p1 p2 k3 (zero with a lens profile).
    """

    h: Array
    camera: Camera
    rigid: bool
    middle_mm: Array
    reach_mm: float
    cov: Array

    def project(self, points_mm: Array) -> Array:
        """Pixels (n, 2) of board points (n, 2 or 3); NaN where the plane is behind the camera or far outside the picture."""
        rays = self._rays(points_mm)
        good = rays[:, 2] > 1e-6
        px = np.full((len(rays), 2), np.nan)
        px[good] = project_arrays(rays[good], self.camera.parameters, jacobians=False)[0]
        radius = np.hypot(rays[good, 0], rays[good, 1]) / rays[good, 2]
        px[np.flatnonzero(good)[radius > 1.2 * np.tan(min(self.camera.half_angle_rad(), 1.3)) + 0.2]] = np.nan
        return px

    def jacobian(self, points_mm: Array) -> tuple[Array, Array]:
        """d pixel / d (x, y) mm, shape (n, 2, 2), and d pixel / d (h, k1 k2 p1 p2 k3), shape (n, 2, 13).

        The last five are zero with a lens profile, which holds them.
        """
        return self._projected(points_mm)[1:]

    def _projected(self, points_mm: Array) -> tuple[Array, Array, Array]:
        """Pixels (n, 2) of points in front of the camera, and what `jacobian` gives."""
        rays = self._rays(points_mm)
        px, d_ray, d_lens = project_arrays(rays, self.camera.parameters, lens=not self.rigid)
        d_free = np.zeros((len(rays), 2, 5)) if self.rigid else d_lens[:, :, 4:9]
        d_xy = d_ray @ self.h[:, :2] / self.reach_mm
        w = np.column_stack([self._uv(points_mm), np.ones(len(points_mm))])
        d_h = (d_ray[:, :, :, None] * w[:, None, None, :]).reshape(len(w), 2, 9)[:, :, :8]
        return px, d_xy, np.concatenate([d_h, d_free], axis=2)

    def board_mm(self, px: Array) -> Array:
        """Board points (n, 2), mm, of pixels (n, 2)."""
        rays = self.camera.rays(px)
        w = rays @ np.linalg.inv(self.h).T
        return np.asarray(w[:, :2] / w[:, 2:] * self.reach_mm + self.middle_mm, dtype=float)

    def predicted_cov(self, points_mm: Array) -> Array:
        """Covariance (n, 2, 2), px², of projected points from the uncertainty of the map."""
        jac = self.jacobian(points_mm)[1]
        return np.asarray(jac @ self.cov @ jac.transpose(0, 2, 1), dtype=float)

    def tilt_deg(self) -> float:
        """Angle between the board's normal and the line of sight to its middle."""
        normal, sight = np.cross(self.h[:, 0], self.h[:, 1]), self.h[:, 2]
        cosine = float(normal @ sight) / float(np.linalg.norm(normal) * np.linalg.norm(sight))
        return float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))

    def _uv(self, points_mm: Array) -> Array:
        return (points_mm[:, :2] - self.middle_mm) / self.reach_mm

    def _rays(self, points_mm: Array) -> Array:
        uv = self._uv(points_mm)
        return np.column_stack([uv, np.ones(len(uv))]) @ self.h.T


def nominal_camera(width_px: int, height_px: int) -> Camera:
    """Stand-in for an unknown lens: focal length of the longer image side, no distortion."""
    focal = float(max(width_px, height_px))
    return Camera(width_px, height_px, focal, focal, (width_px - 1) / 2, (height_px - 1) / 2)


def map_from_pose(board: Board, pose: Pose, camera: Camera, sigma_px: float) -> BoardMap | None:
    """The map a known pose predicts; `sigma_px` is how far off it may be. None when the board reaches behind the camera."""
    middle, reach = _frame(board)
    turn = pose.rotation
    if not (pose.apply(board.corners_mm())[:, 2] > NEAREST_MM).all() or pose.apply(board.centre_mm)[2] <= NEAREST_MM:
        return None
    h = np.column_stack([turn[:, 0] * reach, turn[:, 1] * reach, turn[:, :2] @ middle + pose.translation_mm])
    start = BoardMap(h / h[2, 2], camera, True, middle, reach, np.zeros((FREE, FREE)))
    jac = start.jacobian(board.corners_mm())[1].reshape(-1, FREE)[:, :8]
    information = jac.T @ jac / (len(jac) / 2 * sigma_px**2) + _rigid_rows(h / h[2, 2])[2]
    if not np.isfinite(information).all():
        return None
    cov = np.zeros((FREE, FREE))
    cov[:8, :8] = np.linalg.pinv(information, hermitian=True)
    return replace(start, cov=cov)


def fit_map(
    board: Board, points_mm: Array, px: Array, cov_px: Array, camera: Camera | None, size_px: tuple[int, int]
) -> BoardMap | None:
    """Fit by robust Gauss-Newton (Huber weights); None when the points do not determine it.

    Parameters
    ----------
    points_mm : ndarray, shape (n, 2 or 3)
    px : ndarray, shape (n, 2)
    cov_px : ndarray, shape (n, 2, 2)
    camera : Camera or None
        None: unknown lens, distortion is fitted.
    size_px : tuple of int
        Width and height of the photo.
    """
    middle, reach = _frame(board)
    lens = camera or nominal_camera(*size_px)
    uv = (points_mm[:, :2] - middle) / reach
    h = _dlt(uv, lens.rays(px)[:, :2])
    if h is None:
        return None
    start = BoardMap(h, lens, camera is not None, middle, reach, np.zeros((FREE, FREE)))
    return refit_map(start, points_mm, px, cov_px)


def refit_map(start: BoardMap, points_mm: Array, px: Array, cov_px: Array, steps: int = 8) -> BoardMap | None:
    """Gauss-Newton from a given map; None when it does not stay in front of the camera."""
    whitening = np.linalg.inv(np.linalg.cholesky(cov_px))
    current = start
    for _ in range(steps):
        if not (current._rays(points_mm)[:, 2] > 1e-6).all():
            return None
        predicted, _, by_map = current._projected(points_mm)
        gap = np.einsum("nij,nj->ni", whitening, px - predicted)
        weight = np.minimum(1.0, HUBER / np.maximum(np.linalg.norm(gap, axis=1), 1e-9))
        jac = whitening @ by_map
        flat = (jac * weight[:, None, None]).reshape(-1, FREE)
        normal = flat.T @ jac.reshape(-1, FREE)
        gradient = flat.T @ gap.ravel()
        normal, gradient = _with_priors(current, normal, gradient)
        if not np.isfinite(normal).all():
            return None
        step = np.linalg.solve(normal, gradient)
        h = current.h.copy().ravel()
        h[:8] += step[:8]
        lens = current.camera
        if not current.rigid:
            parameters = lens.parameters
            parameters[4:9] += step[8:]
            lens = lens.with_parameters(parameters)
        current = replace(current, h=h.reshape(3, 3), camera=lens)
        if not np.isfinite(h).all():
            return None
        if float(step @ normal @ step) < 1e-6:
            break
    cov = np.asarray(np.linalg.inv(normal), dtype=float)
    if current.rigid:
        cov[8:], cov[:, 8:] = 0.0, 0.0
    return replace(current, cov=cov)


def _with_priors(current: BoardMap, normal: Array, gradient: Array) -> tuple[Array, Array]:
    normal, gradient = normal.copy(), gradient.copy()
    if current.rigid:
        value, jac, information = _rigid_rows(current.h)
        normal[:8, :8] += information
        gradient[:8] -= jac.T @ value / RIGID_SIGMA**2
        normal[8:], normal[:, 8:], gradient[8:] = 0.0, 0.0, 0.0
        normal[np.arange(8, FREE), np.arange(8, FREE)] = 1.0
    else:
        held = 1.0 / np.square(LENS_SIGMA)
        normal[np.arange(8, FREE), np.arange(8, FREE)] += held
        gradient[8:] -= held * current.camera.distortion[:5]
    # a weak hold on the numbers themselves keeps one marker alone from giving a singular system
    normal[np.arange(8), np.arange(8)] += 1e-6
    return normal, gradient


def _rigid_rows(h: Array) -> tuple[Array, Array, Array]:
    """Departure from a rigid pose: cosine between the columns and log of their length ratio."""
    a, b = h[:, 0], h[:, 1]
    na, nb = float(np.linalg.norm(a)), float(np.linalg.norm(b))
    cosine = float(a @ b) / (na * nb)
    value = np.array([cosine, np.log(na / nb)])
    d_a = np.stack([b / (na * nb) - cosine * a / na**2, a / na**2])
    d_b = np.stack([a / (na * nb) - cosine * b / nb**2, -b / nb**2])
    jac = np.zeros((2, 9))
    jac[:, 0::3], jac[:, 1::3] = d_a, d_b
    return value, jac[:, :8], jac[:, :8].T @ jac[:, :8] / RIGID_SIGMA**2


def _frame(board: Board) -> tuple[Array, float]:
    w, h = board.size_mm
    return np.array([w / 2, h / 2]), max(w, h) / 2


def _dlt(uv: Array, xy: Array) -> Array | None:
    """Homography by the direct linear transformation, normalised to ``h[2, 2] == 1``."""
    scale = max(float(np.std(xy)), 1e-9)
    mean = xy.mean(axis=0)
    q = (xy - mean) / scale
    rows = np.zeros((2 * len(uv), 9))
    ones = np.column_stack([uv, np.ones(len(uv))])
    rows[0::2, 0:3], rows[0::2, 6:9] = ones, -q[:, :1] * ones
    rows[1::2, 3:6], rows[1::2, 6:9] = ones, -q[:, 1:] * ones
    h = np.linalg.svd(_padded(rows), full_matrices=False)[2][-1].reshape(3, 3)
    back = np.array([[scale, 0, mean[0]], [0, scale, mean[1]], [0, 0, 1.0]])
    h = back @ h
    depth = ones @ h[2]
    if abs(h[2, 2]) < 1e-12 or not (np.sign(depth) == np.sign(h[2, 2])).all():
        return None
    return np.asarray(h / h[2, 2], dtype=float)


def _padded(rows: Array) -> Array:
    """At least nine rows, so that the thin SVD of four points still has the null vector."""
    return rows if len(rows) >= 9 else np.vstack([rows, np.zeros((9 - len(rows), 9))])


def inside_photo(px: Array, width_px: int, height_px: int) -> NDArray[np.bool_]:
    """Which pixels (n, 2), NaN allowed, lie in the photo, three pixels from its rim."""
    within = (np.nan_to_num(px, nan=-1.0) > 2) & (np.nan_to_num(px, nan=-1.0) < [width_px - 3, height_px - 3])
    return np.asarray(within.all(axis=1), dtype=np.bool_)
