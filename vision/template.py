"""The printed pattern as the photo should show it: drawn patch by patch through a board map, area-correct and blurred."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import cv2
import numpy as np

from vision.boardmap import BoardMap
from vision.boards import Board
from vision.frames import Array

LEVELS_PX = (12, 16, 24, 32, 48, 64, 96, 128)
QUIET_SQUARES = 1.0
PIXEL_VARIANCE = 1.0 / 12.0
"""Variance of a pixel's own width, px²: counted as part of the blur."""


@dataclass(frozen=True, slots=True, eq=False)
class Patches:
    """Drawn patches, all of one size, around integer pixels.

    Attributes
    ----------
    origin_px : ndarray of int, shape (n, 2)
        The middle pixel (x, y) of each patch.
    half_px : int
        Patches span ``2 * half_px + 1`` pixels.
    fine : int
        Drawn samples per pixel and axis.
    margin_px : int
        Drawn beyond the patch on every side, so that it can be shifted.
    picture : ndarray of float32, shape (n, m, m)
        0 black, 1 white, with ``m = fine * (2 * (half_px + margin_px) + 1)``.
    offset_squares : ndarray, shape (n, p, p, 2)
        Position of every pixel of the patch relative to its point, in squares along x and y.
    """

    origin_px: np.ndarray
    half_px: int
    fine: int
    margin_px: int
    picture: np.ndarray
    offset_squares: np.ndarray


@functools.lru_cache(maxsize=48)
def board_raster(board: Board, square_px: int) -> np.ndarray:
    """The board's pattern on its own grid, float32 in 0..1, `square_px` samples a square, with a white rim of one square.

    Cells that end between samples are drawn with their share of the sample.
    """
    quiet = QUIET_SQUARES
    columns, rows = (board.columns, board.rows) if board.is_charuco else (board.columns + 1, board.rows + 1)
    raster = np.ones((round((rows + 2 * quiet) * square_px), round((columns + 2 * quiet) * square_px)), dtype=np.float32)

    def paint(x0: float, y0: float, x1: float, y1: float) -> None:
        cover_x = _coverage(raster.shape[1], (x0 + quiet) * square_px, (x1 + quiet) * square_px)
        cover_y = _coverage(raster.shape[0], (y0 + quiet) * square_px, (y1 + quiet) * square_px)
        (rx,), (ry,) = np.nonzero(cover_x), np.nonzero(cover_y)
        box = np.ix_(ry, rx)
        raster[box] -= np.outer(cover_y[ry], cover_x[rx])

    if not board.is_charuco:
        for r in range(rows):
            for c in range(r % 2, columns, 2):
                paint(c, r, c + 1, r + 1)
        return raster
    for c, r in board.black_squares():
        paint(c, r, c + 1, r + 1)
    ratio = board.marker_mm / board.square_mm
    inset = (1.0 - ratio) / 2.0
    for (c, r), bits in zip(board.marker_cells(), board.marker_bits(), strict=True):
        cell = ratio / len(bits)
        for j, i in zip(*np.nonzero(bits == 0), strict=True):
            x, y = c + inset + i * cell, r + inset + j * cell
            paint(x, y, x + cell, y + cell)
    return raster


def _coverage(n: int, low: float, high: float) -> np.ndarray:
    edges = np.arange(n + 1, dtype=float)
    return np.asarray(np.clip(np.minimum(edges[1:], high) - np.maximum(edges[:-1], low), 0.0, 1.0), dtype=np.float32)


def draw_patches(
    board: Board, board_map: BoardMap, points_mm: Array, half_px: int, blur_cov: Array, *, margin_px: int = 2
) -> Patches:
    """Draw the pattern around board points as the photo should show it.

    Parameters
    ----------
    points_mm : ndarray, shape (n, 2 or 3)
    half_px : int
    blur_cov : ndarray, shape (2, 2)
        Covariance of the blur in the photo, px², the pixel's own width included.
    """
    centre = board_map.project(points_mm)
    origin = np.rint(centre).astype(np.int64)
    reach = half_px + margin_px
    side = _square_side_px(board, board_map, points_mm)
    fine = 3 if side < 45 else 2 if side < 90 else 1
    m = fine * (2 * reach + 1)
    offsets = (np.arange(m) + 0.5) / fine - 0.5 - reach
    mm = _board_coordinates(board_map, origin, offsets, reach)
    squares = mm / (board.square_mm * np.array([board.scale.x, board.scale.y]))
    raster, level = _raster_for(board, side * fine)
    rim = QUIET_SQUARES + (0.0 if board.is_charuco else 1.0)
    at = ((squares + rim) * level - 0.5).astype(np.float32)
    picture = cv2.remap(
        raster,
        np.ascontiguousarray(at[..., 0].reshape(-1, m)),
        np.ascontiguousarray(at[..., 1].reshape(-1, m)),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    picture = blurred(np.asarray(picture), blur_cov, fine).reshape(len(origin), m, m)
    pick = np.arange(2 * half_px + 1) + margin_px
    step = np.arange(fine)
    rows = (pick[:, None] * fine + step).ravel()
    inner = squares[:, rows][:, :, rows].reshape(len(origin), len(pick), fine, len(pick), fine, 2).mean(axis=(2, 4))
    own = points_mm[:, :2] / (board.square_mm * np.array([board.scale.x, board.scale.y]))
    return Patches(origin, half_px, fine, margin_px, picture, inner - own[:, None, None, :])


def blurred(picture: np.ndarray, blur_cov: Array, fine: int) -> np.ndarray:
    """Blur by a Gaussian of covariance `blur_cov` px² in a picture of `fine` samples a pixel."""
    cov = blur_cov * fine**2
    reach = int(np.ceil(3.2 * np.sqrt(np.linalg.eigvalsh(cov)[-1])))
    x, y = np.meshgrid(np.arange(-reach, reach + 1), np.arange(-reach, reach + 1))
    inverse = np.linalg.inv(cov)
    kernel = np.exp(-0.5 * (inverse[0, 0] * x * x + 2 * inverse[0, 1] * x * y + inverse[1, 1] * y * y))
    return np.asarray(
        cv2.filter2D(picture, cv2.CV_32F, (kernel / kernel.sum()).astype(np.float32), borderType=cv2.BORDER_REPLICATE)
    )


def _square_side_px(board: Board, board_map: BoardMap, points_mm: Array) -> float:
    d_xy = board_map.jacobian(points_mm)[0] * board.square_mm
    return float(np.median(np.linalg.norm(d_xy, axis=1)))


def _raster_for(board: Board, samples: float) -> tuple[np.ndarray, int]:
    level = next((level for level in LEVELS_PX if level >= 0.9 * samples), LEVELS_PX[-1])
    return board_raster(board, level), level


def _board_coordinates(board_map: BoardMap, origin: np.ndarray, offsets: Array, reach: int) -> Array:
    """Board coordinates (n, m, m, 2), mm, of samples around pixels: exact on a 3 x 3 grid, biquadratic between."""
    nodes = np.array([-1.0, 0.0, 1.0]) * reach
    gx, gy = np.meshgrid(nodes, nodes)
    px = origin[:, None, :] + np.stack([gx.ravel(), gy.ravel()], axis=1)
    mm = board_map.board_mm(px.reshape(-1, 2)).reshape(len(origin), 3, 3, 2)
    t = offsets / reach
    weight = np.stack([t * (t - 1) / 2, 1 - t * t, t * (t + 1) / 2], axis=1)
    along_x = np.einsum("xj,nijc->nixc", weight, mm)
    return np.asarray(np.einsum("yi,nixc->nyxc", weight, along_x), dtype=float)
