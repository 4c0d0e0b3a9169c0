"""A first camera and first poses from the corners alone: homographies, then the best of several focal lengths.

The closed form is Zhang's (2000, "A flexible new technique for camera calibration") with the principal point at the image
centre and square pixels, which leaves only the focal length; a ladder of focal lengths beside it covers strong distortion.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np

from vision.camera import project_arrays
from vision.errors import LensError
from vision.frames import Array
from vision.lens_bundle import cost_of, residuals_px
from vision.lens_solve import robust_noise, solve_robust
from vision.lens_state import BOARD_UNKNOWNS, PRINT_UNKNOWNS, WARP_UNKNOWNS, WOBBLE_UNKNOWNS, Freedom, LensState, Views

FOCAL_LADDER = (0.4, 0.6, 0.85, 1.2, 1.8, 3.0)
"""Focal lengths to try, in units of the longer image side: from 105° of view down to 19°."""
TRIALS = 3


def first_state(views: Views, width_px: int, height_px: int) -> LensState:
    """Camera with f, k1, k2 and all poses, good enough for Gauss–Newton.

    Raises
    ------
    LensError
        No trial puts all boards in front of the camera.
    """
    homographies = _homographies(views)
    longer = max(width_px, height_px)
    focal = [factor * longer for factor in FOCAL_LADDER]
    closed = _closed_form_focal(homographies, width_px, height_px)
    if closed is not None:
        focal.append(closed)
    centre = ((width_px - 1) / 2, (height_px - 1) / 2)
    trials = [_posed(views, homographies, f, *centre) for f in focal]
    trials.sort(key=lambda trial: _score(views, trial))
    basis = np.zeros((12, 3))
    basis[[0, 1], 0] = longer
    basis[4, 1] = basis[5, 2] = 1.0
    freedom = Freedom(basis, boards=False)
    tried = [_refined(views, trial, freedom) for trial in trials[:TRIALS]]
    best = min(tried, key=lambda trial: _score(views, trial))
    if not np.isfinite(_score(views, best)):
        raise LensError("no camera explains these board corners", hint="check that the right board and square counts are named")
    return best


def unflipped(views: Views, state: LensState, freedom: Freedom) -> LensState:
    """Try the mirrored tilt of every view (the planar two-fold ambiguity) and keep the better one."""
    held = replace(freedom, basis=np.zeros((12, 0)), boards=False, wobble_sigma=np.zeros(WOBBLE_UNKNOWNS))
    other = solve_robust(views, replace(state, turns=_mirrored(state)), held, rounds=3)
    sides = [
        np.bincount(views.view, np.minimum(np.linalg.norm(_finite(residuals_px(views, s)), axis=1), 50.0))
        for s in (state, other)
    ]
    better = sides[1] < 0.9 * sides[0]
    if not better.any():
        return state
    turns = np.where(better[:, None, None], other.turns, state.turns)
    shifts = np.where(better[:, None], other.shifts_mm, state.shifts_mm)
    return solve_robust(views, replace(state, turns=turns, shifts_mm=shifts), freedom)


def _mirrored(state: LensState) -> Array:
    """Rotations with the board's tilt mirrored across the plane normal to the line of sight."""
    sight = state.shifts_mm / np.linalg.norm(state.shifts_mm, axis=1, keepdims=True)
    through = np.eye(3) - 2.0 * sight[:, :, None] * sight[:, None, :]
    return np.asarray(through @ state.turns @ np.diag([1.0, 1.0, -1.0]))


def _finite(residuals: Array) -> Array:
    return np.nan_to_num(residuals, nan=1e6, posinf=1e6, neginf=-1e6)


def _score(views: Views, state: LensState) -> float:
    """Sum of distances, each at most a twentieth of the picture: a few wrong boards do not decide."""
    far = np.linalg.norm(residuals_px(views, state), axis=1)
    if not np.all(np.isfinite(far)):
        return float("inf")
    most = 0.05 * float(np.ptp(views.px, axis=0).max())
    return float(np.sum(np.minimum(far, most)))


def _refined(views: Views, state: LensState, freedom: Freedom) -> LensState:
    if not np.isfinite(cost_of(views, state, freedom, 1.0)) or robust_noise(views, state, freedom) <= 0:
        return state
    return solve_robust(views, state, freedom, rounds=6)


def _homographies(views: Views) -> Array:
    """Pixel from board plane, shape (views, 3, 3)."""
    edges = views.edges()
    out = np.empty((views.view_count, 3, 3))
    for v in range(views.view_count):
        rows = slice(edges[v], edges[v + 1])
        px = views.px[rows]
        # Distortion bends straight lines by up to some percent of the board's size in the picture.
        reach = max(3.0, 0.05 * float(np.ptp(px)))
        matrix: Any = cv2.findHomography(views.points_mm[rows, :2], px, cv2.RANSAC, reach)[0]
        if matrix is None:  # OpenCV's way of saying that no four corners agree
            matrix = cv2.findHomography(views.points_mm[rows, :2], px, 0)[0]
        out[v] = np.asarray(matrix, dtype=float)
    return out


def _closed_form_focal(homographies: Array, width_px: int, height_px: int) -> float | None:
    """Focal length from the orthogonality of the board's axes, least squares over all views; None when undetermined."""
    to_centre = np.array([[1.0, 0.0, -(width_px - 1) / 2], [0.0, 1.0, -(height_px - 1) / 2], [0.0, 0.0, 1.0]])
    h = to_centre @ homographies
    h = h / np.linalg.norm(h[:, :, :1], axis=1, keepdims=True)
    a, b = h[:, :, 0], h[:, :, 1]
    # With w = 1 / f²: (a1 b1 + a2 b2) w + a3 b3 = 0 and (a1² + a2² - b1² - b2²) w + a3² - b3² = 0.
    slope = np.concatenate([np.sum(a[:, :2] * b[:, :2], axis=1), np.sum(a[:, :2] ** 2 - b[:, :2] ** 2, axis=1)])
    value = np.concatenate([a[:, 2] * b[:, 2], a[:, 2] ** 2 - b[:, 2] ** 2])
    keep = np.isfinite(slope) & np.isfinite(value)
    w = -float(slope[keep] @ value[keep]) / max(float(slope[keep] @ slope[keep]), 1e-300)
    longer = max(width_px, height_px)
    return float(w**-0.5) if (0.1 * longer) ** -2 > w > (20.0 * longer) ** -2 else None


def _posed(views: Views, homographies: Array, focal: float, cx: float, cy: float) -> LensState:
    """Poses from homographies at a given focal length; the board plane's z axis points away from the viewer."""
    back = np.array([[1.0 / focal, 0.0, -cx / focal], [0.0, 1.0 / focal, -cy / focal], [0.0, 0.0, 1.0]])
    h = back @ homographies
    scale = 2.0 / (np.linalg.norm(h[:, :, 0], axis=1) + np.linalg.norm(h[:, :, 1], axis=1))
    h = h * (scale * np.where(h[:, 2, 2] < 0, -1.0, 1.0))[:, None, None]
    rough = np.stack([h[:, :, 0], h[:, :, 1], np.cross(h[:, :, 0], h[:, :, 1])], axis=2)
    u, _, vt = np.linalg.svd(np.nan_to_num(rough, nan=0.0) + 0.0)
    fix = np.ones((len(h), 3))
    fix[:, 2] = np.linalg.det(u @ vt)
    parameters = np.zeros(12)
    parameters[:4] = focal, focal, cx, cy
    turns, shifts = _in_front(views, focal, cx, cy, u @ (fix[:, :, None] * vt), h[:, :, 2])
    boards = len(views.board_sigma)
    return LensState(
        parameters,
        np.zeros((boards, BOARD_UNKNOWNS)),
        np.zeros((boards, views.most_corners, PRINT_UNKNOWNS)),
        np.zeros((views.photo_count, WOBBLE_UNKNOWNS)),
        turns,
        shifts,
        np.zeros((len(h), WARP_UNKNOWNS)),
    )


def _in_front(views: Views, focal: float, cx: float, cy: float, turns: Array, shifts: Array) -> tuple[Array, Array]:
    """Poses, but square-on at the right place and size where a homography puts corners behind the camera.

    One photo with wrong corners must not stop the others; the robust fit throws it out.
    """
    depth = np.einsum("nj,nj->n", turns[views.view][:, 2], views.points_mm) + shifts[views.view][:, 2]
    turns, shifts = turns.copy(), shifts.copy()
    for v in np.unique(views.view[~(depth > 0)]):
        rows = views.view == v
        middle, spread = views.px[rows].mean(axis=0), float(views.px[rows].std())
        distance = focal * float(views.points_mm[rows, :2].std()) / max(spread, 1e-3)
        turns[v] = np.eye(3)
        shifts[v] = distance * np.array([(middle[0] - cx) / focal, (middle[1] - cy) / focal, 1.0])
    return turns, shifts


def radial_limit_px(parameters: Array) -> float:
    """Distance from the principal point, px, up to which the distortion still grows outwards (infinite when always)."""
    angles = np.linspace(1e-3, 1.4, 2000)
    points = np.column_stack([np.tan(angles), np.zeros_like(angles), np.ones_like(angles)])
    plain = parameters.copy()
    plain[[2, 3, 6, 7]] = 0.0
    reach = project_arrays(points, plain, jacobians=False)[0][:, 0]
    turning = np.flatnonzero(np.diff(reach) <= 0)
    return float(reach[turning[0]]) if turning.size else float("inf")
