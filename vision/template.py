"""The printed pattern as the photo should show it: drawn patch by patch through a board map, area-correct and blurred."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.boardmap import BoardMap
from vision.boards import Board
from vision.frames import Array

Picture = NDArray[np.float32]
Photograph = NDArray[np.uint8] | Picture
"""As it was read, or softened. A whole photo is never turned to float: that is slower than all that is done with it."""

LEVELS_PX = (12, 16, 24, 32, 48, 64, 96, 128)
QUIET_SQUARES = 1.0
PIXEL_VARIANCE = 1.0 / 12.0
"""Variance of a pixel's own width, px²: counted as part of the blur."""
NODES = np.linspace(-1.0, 1.0, 5)
"""Where in a patch the board's coordinates are exact: a steep near board bends by 0.05 px between three nodes."""


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
    offset_squares : ndarray of float32, shape (2, n, p, p)
        Position of every pixel of the patch relative to its point, in squares along x and along y.
    """

    origin_px: NDArray[np.int64]
    half_px: int
    fine: int
    margin_px: int
    picture: Picture
    offset_squares: Picture


@functools.lru_cache(maxsize=64)
def board_raster(board: Board, square_px: int) -> Picture:
    """The board's pattern on its own grid, 0..1, `square_px` samples a square, with a white rim of one square.

    Cells that end between samples are drawn with their share of the sample.
    """
    columns, rows = (board.columns, board.rows) if board.is_charuco else (board.columns + 1, board.rows + 1)
    quiet = round(QUIET_SQUARES * square_px)
    raster = np.ones((rows * square_px + 2 * quiet, columns * square_px + 2 * quiet), dtype=np.float32)

    def square(c: int, r: int) -> tuple[slice, slice]:
        y, x = quiet + r * square_px, quiet + c * square_px
        return slice(y, y + square_px), slice(x, x + square_px)

    if not board.is_charuco:
        for r in range(rows):
            for c in range(r % 2, columns, 2):
                raster[square(c, r)] = 0.0
        return raster
    for c, r in board.black_squares():
        raster[square(c, r)] = 0.0
    all_bits = board.marker_bits()
    cover = _cell_cover(square_px, board.marker_mm / board.square_mm, len(all_bits[0]))
    for (c, r), bits in zip(board.marker_cells(), all_bits, strict=True):
        raster[square(c, r)] -= cover @ (1.0 - bits.astype(np.float32)) @ cover.T
    return raster


def _cell_cover(square_px: int, ratio: float, cells: int) -> Picture:
    """Share of every sample of a square that every marker cell covers along one axis, shape (square_px, cells)."""
    ends = ((1.0 - ratio) / 2.0 + ratio * np.arange(cells + 1) / cells) * square_px
    ticks = np.arange(square_px, dtype=float)[:, None]
    share = np.minimum(ticks + 1.0, ends[None, 1:]) - np.maximum(ticks, ends[None, :-1])
    return np.asarray(np.clip(share, 0.0, 1.0), dtype=np.float32)


def draw_patches(
    board: Board,
    board_map: BoardMap,
    points_mm: Array,
    half_px: int,
    blur_cov: Array,
    *,
    margin_px: int = 2,
    more_fine: int = 0,
) -> Patches:
    """Draw the pattern around board points as the photo should show it.

    Parameters
    ----------
    points_mm : ndarray, shape (n, 2 or 3)
    half_px : int
    blur_cov : ndarray, shape (2, 2)
        Covariance of the blur in the photo, px², the pixel's own width included.
    more_fine : int
        Samples per pixel and axis beyond the usual two or three.
    """
    origin = np.rint(board_map.project(points_mm)).astype(np.int64)
    reach = half_px + margin_px
    side = _square_side_px(board, board_map, points_mm)
    fine = (3 if side < 40 else 2) + more_fine
    m = fine * (2 * reach + 1)
    nodes = _squares_at_nodes(board, board_map, origin, reach)
    level = next((level for level in LEVELS_PX if level >= 0.9 * side * fine), LEVELS_PX[-1])
    rim = QUIET_SQUARES + (0.0 if board.is_charuco else 1.0)
    x, y = _between((nodes + rim) * level - 0.5, (np.arange(m) + 0.5) / fine - 0.5 - reach, reach).reshape(2, -1, m)
    picture = cv2.remap(board_raster(board, level), x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    picture = _blurred(np.asarray(picture, dtype=np.float32), blur_cov * fine**2)
    own = points_mm[:, :2] / _square_mm(board)
    offset = _between(nodes - own.T[:, :, None, None], np.arange(-half_px, half_px + 1.0), reach)
    return Patches(origin, half_px, fine, margin_px, picture.reshape(len(origin), m, m), offset)


def _blurred(picture: Picture, cov: Array) -> Picture:
    """Blur by a Gaussian of covariance `cov`, in samples²."""
    reach = int(np.ceil(3.0 * np.sqrt(np.linalg.eigvalsh(cov)[-1])))
    x, y = np.meshgrid(np.arange(-reach, reach + 1), np.arange(-reach, reach + 1))
    if abs(cov[0, 1]) < 0.02 * np.sqrt(cov[0, 0] * cov[1, 1]):
        along_x, along_y = (np.exp(-0.5 * np.arange(-reach, reach + 1) ** 2 / cov[k, k]) for k in (0, 1))
        out = cv2.sepFilter2D(
            picture, cv2.CV_32F, along_x / along_x.sum(), along_y / along_y.sum(), borderType=cv2.BORDER_REPLICATE
        )
        return np.asarray(out, dtype=np.float32)
    inverse = np.linalg.inv(cov)
    kernel = np.exp(-0.5 * (inverse[0, 0] * x * x + 2 * inverse[0, 1] * x * y + inverse[1, 1] * y * y))
    out = cv2.filter2D(picture, cv2.CV_32F, (kernel / kernel.sum()).astype(np.float32), borderType=cv2.BORDER_REPLICATE)
    return np.asarray(out, dtype=np.float32)


def _square_mm(board: Board) -> Array:
    """Printed size of a square along x and y."""
    return board.square_mm * np.array([board.scale.x, board.scale.y])


def _square_side_px(board: Board, board_map: BoardMap, points_mm: Array) -> float:
    d_xy = board_map.jacobian(points_mm)[0] * board.square_mm
    return float(np.median(np.linalg.norm(d_xy, axis=1)))


def _squares_at_nodes(board: Board, board_map: BoardMap, origin: NDArray[np.int64], reach: int) -> Array:
    """Board coordinates x and y, squares, at the nodes around pixels, shape (2, n, k, k)."""
    gx, gy = np.meshgrid(NODES * reach, NODES * reach)
    px = np.asarray(origin[:, None, :] + np.stack([gx.ravel(), gy.ravel()], axis=1), dtype=float)
    squares = board_map.board_mm(px.reshape(-1, 2)) / _square_mm(board)
    return np.ascontiguousarray(squares.T).reshape(2, len(origin), len(NODES), len(NODES))


def _between(at_nodes: Array, offsets_px: Array, reach: int) -> Picture:
    """The polynomials through the nodes (2, n, k, k) at m offsets along both axes, shape (2, n, m, m)."""
    weight = _lagrange(offsets_px / reach)
    return np.asarray(weight @ at_nodes.astype(np.float32) @ weight.T, dtype=np.float32)


def _lagrange(t: Array) -> Picture:
    """Weights (m, k) of the nodes in the polynomial through them at t (m,)."""
    apart = NODES[:, None] - NODES
    factor = (t[:, None, None] - NODES) / np.where(apart == 0, 1.0, apart)
    return np.asarray(np.where(apart == 0, 1.0, factor).prod(axis=2), dtype=np.float32)
