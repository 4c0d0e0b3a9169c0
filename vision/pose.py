"""Pose of one board in one photo: both poses of the planar two-fold ambiguity, with covariance.

A planar target seen from afar has two poses that project almost alike, tilted by the same angle to opposite sides of the
line of sight (Schweighofer and Pinz 2006; Collins and Bartoli 2014, "Infinitesimal Plane-Based Pose Estimation"). Closed
forms only give starting values here, each is checked by its own reprojection and refined by Gauss-Newton.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.boards import Board
from vision.camera import Camera, project_arrays
from vision.errors import PoseError
from vision.frames import Array, Pose, exp_so3, skew
from vision.sightings import Sighting

NEED_CORNERS = 4
AMBIGUOUS_CHI2 = 16.0
"""A second pose whose weighted square sum is worse by less than this (4 sigma) cannot be ruled out by this photo."""
SAME_POSE_RAD = 1e-4
MAX_STEPS = 40
WORST_CONDITION = 1e15
"""Of the normal matrix (radians beside millimetres): beyond it the corners determine no pose."""


@dataclass(frozen=True, slots=True, eq=False)
class BoardPose:
    """Pose of a board in one photo.

    Attributes
    ----------
    cam_from_board : Pose
        `cam` from the board's name; the pose that fits better.
    cov : ndarray, shape (6, 6)
        Covariance (k = 1) of its left perturbation `rx ry rz tx ty tz`, rad and mm, from the corners alone: nothing of
        lens, print scale or flatness. Multiplied by max(1, chi² / degrees of freedom).
    rms_px : float
        Root mean square of the 2-D distance between seen and projected corners.
    second : Pose or None
        The other planar pose, where the square sum has a second minimum in front of the camera.
    second_rms_px : float
        Infinite without a second pose.
    ambiguous : bool
        The second pose is not significantly worse: this photo alone cannot tell which one is true.
    chi2, second_chi2 : float
        Weighted square sums of both.
    """

    cam_from_board: Pose
    cov: Array
    rms_px: float
    second: Pose | None
    second_rms_px: float
    ambiguous: bool
    chi2: float
    second_chi2: float


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    rotation: Array
    translation: Array
    chi2: float
    rms_px: float
    information: Array


@dataclass(frozen=True, slots=True, eq=False)
class _Problem:
    """Board points (n, 3) mm, pixels (n, 2), whitening W (n, 2, 2) with ``W.T @ W == inv(cov)``, camera parameters (12,)."""

    points: Array
    px: Array
    whitening: Array
    parameters: Array


def board_pose(board: Board, sighting: Sighting, camera: Camera) -> BoardPose:
    """Pose of a sighted board and its planar twin.

    Raises
    ------
    PoseError
        Fewer than four corners, corners on one line, or no pose in front of the camera fits.
    """
    points = board.corners_mm()[sighting.corner_ids]
    try:
        first, second = planar_poses(points, sighting.px, sighting.cov_px, camera)
    except PoseError as err:
        raise PoseError(f"board {board.name}: {err.what}", hint=err.hint) from err
    dof = max(2 * len(points) - 6, 1)
    spread = max(1.0, first.chi2 / dof)
    ambiguous = second is not None and (second.chi2 - first.chi2) / spread < AMBIGUOUS_CHI2
    return BoardPose(
        cam_from_board=Pose.from_rt("cam", board.name, first.rotation, first.translation),
        cov=np.asarray(np.linalg.inv(first.information) * spread, dtype=float),
        rms_px=first.rms_px,
        second=Pose.from_rt("cam", board.name, second.rotation, second.translation) if second else None,
        second_rms_px=second.rms_px if second else float("inf"),
        ambiguous=ambiguous,
        chi2=first.chi2,
        second_chi2=second.chi2 if second else float("inf"),
    )


def planar_poses(points_mm: Array, px: Array, cov_px: Array, camera: Camera) -> tuple[_Fit, _Fit | None]:
    """The best pose of planar points (n, 3) with z = 0 and, where there is one, the other minimum of the square sum.

    Raises
    ------
    PoseError
    """
    if len(points_mm) < NEED_CORNERS:
        raise PoseError(
            f"{len(points_mm)} corners, {NEED_CORNERS} needed for a pose", hint="move closer or light the board evenly"
        )
    spread = np.linalg.svd(points_mm[:, :2] - points_mm[:, :2].mean(axis=0), compute_uv=False)
    if spread[1] < 1e-3 * spread[0]:
        raise PoseError("all corners lie on one line, which gives no pose", hint="uncover more of the board")
    whitening = np.linalg.inv(np.linalg.cholesky(cov_px))
    problem = _Problem(points_mm, px, whitening, camera.parameters)
    starts = _starts(points_mm, camera.rays(px)[:, :2])
    fits = [fit for fit in (_refine(problem, *start) for start in _best_first(problem, starts)[:1]) if fit]
    if not fits:
        fits = [fit for fit in (_refine(problem, *start) for start in starts) if fit]
    if not fits:
        raise PoseError("no pose in front of the camera fits these corners", hint="check board file and lens profile")
    first = min(fits, key=lambda fit: fit.chi2)
    twin = _other_minimum(problem, first)
    if twin is not None and twin.chi2 < first.chi2:
        return twin, first
    return first, twin


def _other_minimum(problem: _Problem, first: _Fit) -> _Fit | None:
    start = mirrored_pose(problem.points, first.rotation, first.translation)
    twin = _refine(problem, *start) if start else None
    if twin is None:
        return None
    gap = first.rotation.T @ twin.rotation
    turn = np.arctan2(
        np.linalg.norm([gap[2, 1] - gap[1, 2], gap[0, 2] - gap[2, 0], gap[1, 0] - gap[0, 1]]), np.trace(gap) - 1.0
    )
    return twin if turn > SAME_POSE_RAD else None


def mirrored_pose(points: Array, rotation: Array, translation: Array) -> tuple[Array, Array] | None:
    """The pose tilted to the other side: turned about the board's middle by twice the angle from normal to line of sight."""
    middle = points.mean(axis=0)
    centre = rotation @ middle + translation
    sight = centre / np.linalg.norm(centre)
    axis = np.cross(rotation[:, 2], sight)
    size = float(np.linalg.norm(axis))
    if size < 1e-9:
        return None
    tilt = np.arctan2(size, float(rotation[:, 2] @ sight))
    turned = exp_so3(axis / size * 2.0 * tilt) @ rotation
    return turned, centre - turned @ middle


def _starts(points: Array, xy: Array) -> list[tuple[Array, Array]]:
    """Candidate poses from closed forms; the ones that are not finite or behind the camera are left out."""
    # cv2's IPPE gives NaN or a pose 179° wrong near a half turn, claiming success: one candidate of several, never the answer.
    candidates = [_from_homography(points, xy)]
    try:
        _, rvecs, tvecs, _ = cv2.solvePnPGeneric(
            points.reshape(-1, 1, 3), xy.reshape(-1, 1, 2), np.eye(3), None, flags=cv2.SOLVEPNP_IPPE
        )
        candidates += [
            (exp_so3(r.ravel()), np.asarray(t, dtype=float).ravel())
            for r, t in zip(rvecs, tvecs, strict=True)
            if np.isfinite(r).all()
        ]
    except cv2.error:
        pass
    return [
        (r, t) for r, t in candidates if np.isfinite(r).all() and np.isfinite(t).all() and ((points @ r.T + t)[:, 2] > 0).all()
    ]


def _from_homography(points: Array, xy: Array) -> tuple[Array, Array]:
    """Pose from the plane-to-image homography (Zhang 2000, section 3.1), its rotation made orthonormal by SVD."""
    middle, reach = points[:, :2].mean(axis=0), np.ptp(points[:, :2], axis=0).max() / 2
    uv = (points[:, :2] - middle) / reach
    rows = np.zeros((2 * len(uv), 9))
    ones = np.column_stack([uv, np.ones(len(uv))])
    rows[0::2, 0:3], rows[0::2, 6:9] = ones, -xy[:, :1] * ones
    rows[1::2, 3:6], rows[1::2, 6:9] = ones, -xy[:, 1:] * ones
    rows = np.vstack([rows, np.zeros((1, 9))])  # four points: eight rows, and the null vector is the ninth
    h = np.linalg.svd(rows, full_matrices=False)[2][-1].reshape(3, 3)
    h = h * np.sign(h[2, 2]) if h[2, 2] != 0 else h
    a, b, c = h[:, 0], h[:, 1], h[:, 2]
    scale = 2.0 / (np.linalg.norm(a) + np.linalg.norm(b))
    u, _, vt = np.linalg.svd(np.column_stack([a, b]) * scale, full_matrices=False)
    two = u @ vt
    rotation = np.column_stack([two, np.cross(two[:, 0], two[:, 1])])
    return rotation, c * scale * reach - rotation[:, :2] @ middle


def _best_first(problem: _Problem, starts: list[tuple[Array, Array]]) -> list[tuple[Array, Array]]:
    return sorted(starts, key=lambda start: _residual(problem, *start)[1])


def _residual(problem: _Problem, rotation: Array, translation: Array) -> tuple[Array, float]:
    """Whitened residual (2 n,) and its square sum; infinite when a point is not in front of the camera."""
    in_cam = problem.points @ rotation.T + translation
    if not (in_cam[:, 2] > 0).all():
        return np.zeros(0), float("inf")
    px = project_arrays(in_cam, problem.parameters, jacobians=False)[0]
    r = np.einsum("nij,nj->ni", problem.whitening, px - problem.px).ravel()
    return r, float(r @ r)


def _normal_equations(problem: _Problem, rotation: Array, translation: Array) -> tuple[Array, Array, Array]:
    in_cam = problem.points @ rotation.T + translation
    px, d_point, _ = project_arrays(in_cam, problem.parameters, lens=False)
    jac = np.concatenate([-d_point @ skew(in_cam), d_point], axis=2)
    jac = (problem.whitening @ jac).reshape(-1, 6)
    r = np.einsum("nij,nj->ni", problem.whitening, px - problem.px).ravel()
    return jac.T @ jac, jac.T @ r, px - problem.px


def _refine(problem: _Problem, rotation: Array, translation: Array) -> _Fit | None:
    """Levenberg-Marquardt on the left perturbation; None when the points leave the front of the camera or nothing settles."""
    chi2 = _residual(problem, rotation, translation)[1]
    if not np.isfinite(chi2):
        return None
    damping = 1e-6
    for _ in range(MAX_STEPS):
        normal, gradient, gap = _normal_equations(problem, rotation, translation)
        damped = normal + damping * np.diag(np.diag(normal))
        if not np.isfinite(damped).all() or np.linalg.cond(damped) > WORST_CONDITION:
            return None
        step = -np.linalg.solve(damped, gradient)
        turn = exp_so3(step[:3])
        moved = turn @ rotation, turn @ translation + step[3:]
        after = _residual(problem, *moved)[1]
        if after <= chi2 * (1 + 1e-12) + 1e-18:
            done = float(step @ normal @ step) < 1e-10
            rotation, translation, chi2, damping = *moved, after, damping * 0.1
            if done:
                break
        else:
            damping *= 10.0
            if damping > 1e8:
                break
    normal, _, gap = _normal_equations(problem, rotation, translation)
    u, _, vt = np.linalg.svd(rotation)
    rms = float(np.sqrt(np.mean(np.sum(gap**2, axis=1))))
    return _Fit(u @ vt, translation, chi2, rms, normal)
