"""Is a board's face flat? Corners off the plane's map, explained by a face that curves along its normal."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.boardmap import BoardMap
from vision.boards import Board
from vision.camera import project_arrays
from vision.frames import Array

NEED_POINTS = 10
LOOSE_MM = 50.0
"""Weak prior (k = 1) of the curvature's three numbers: a board seen square-on does not show its bending."""


@dataclass(frozen=True, slots=True)
class Bending:
    """Largest departure of the face from its mean plane, mm, and its standard deviation (k = 1)."""

    departure_mm: float
    sigma_mm: float


def bending(board_map: BoardMap, board: Board, points_mm: Array, px: Array, cov_px: Array) -> Bending:
    """Fit a quadratic relief ``a u² + b u v + c v²`` along the normal together with the map.

    Parameters
    ----------
    board_map : BoardMap
        With a lens profile's camera (without one the normal's direction in the photo is not known).
    points_mm : ndarray, shape (n, 2 or 3)
    px : ndarray, shape (n, 2)
    cov_px : ndarray, shape (n, 2, 2)

    Returns
    -------
    Bending
        Zero departure and infinite sigma with fewer than ten points.
    """
    if len(points_mm) < NEED_POINTS:
        return Bending(0.0, float("inf"))
    uv = (points_mm[:, :2] - board_map.middle_mm) / board_map.reach_mm
    relief = np.column_stack([uv[:, 0] ** 2, uv[:, 0] * uv[:, 1], uv[:, 1] ** 2])
    jac = np.concatenate(
        [board_map.jacobian(points_mm)[1][:, :, :8], _along_normal(board_map, uv)[:, :, None] * relief[:, None, :]], axis=2
    )
    gap = px - board_map.project(points_mm)
    whitening = np.linalg.inv(np.linalg.cholesky(cov_px))
    rows, right = (whitening @ jac).reshape(-1, 11), np.einsum("nij,nj->ni", whitening, gap).ravel()
    prior = np.diag(np.r_[np.full(8, 1e-9), np.full(3, 1.0 / LOOSE_MM**2)])
    weight = np.ones(len(gap))
    for _ in range(4):  # Huber weights: one wrong corner is no bent board
        w = np.repeat(weight, 2)[:, None]
        normal = rows.T @ (w * rows) + prior
        solution = np.linalg.solve(normal, rows.T @ (w[:, 0] * right))
        rest = np.linalg.norm((right - rows @ solution).reshape(-1, 2), axis=1)
        scale = max(1.0, float(np.median(rest)) / 1.18)
        weight = np.minimum(1.0, 2.0 * scale / np.maximum(rest, 1e-9))
    cov = np.linalg.inv(normal)[8:, 8:] * scale**2
    return _largest(board, board_map, solution[8:], cov)


def _along_normal(board_map: BoardMap, uv: Array) -> Array:
    """d pixel / d height along the board's normal (into the board), shape (n, 2), px per mm."""
    a, b = board_map.h[:, 0], board_map.h[:, 1]
    normal = np.cross(a, b) / np.sqrt(np.linalg.norm(a) * np.linalg.norm(b)) / board_map.reach_mm
    rays = np.column_stack([uv, np.ones(len(uv))]) @ board_map.h.T
    d_ray = project_arrays(rays, board_map.camera.parameters, lens=False)[1]
    return np.asarray(d_ray @ normal, dtype=float)


def _largest(board: Board, board_map: BoardMap, relief: Array, cov: Array) -> Bending:
    """Departure from the mean plane over the whole face, where it is largest."""
    w, h = (size / 2 / board_map.reach_mm for size in board.size_mm)
    u, v = (grid.ravel() for grid in np.meshgrid(np.linspace(-w, w, 9), np.linspace(-h, h, 9)))
    quadratic = np.column_stack([u * u, u * v, v * v])
    plane = np.column_stack([np.ones_like(u), u, v])
    quadratic = quadratic - plane @ np.linalg.lstsq(plane, quadratic, rcond=None)[0]
    height = quadratic @ relief
    at = int(np.argmax(np.abs(height)))
    return Bending(float(abs(height[at])), float(np.sqrt(quadratic[at] @ cov @ quadratic[at])))
