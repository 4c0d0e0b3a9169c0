"""Corners that were not printed where they should be: their part of the lens adjustment's normal equations.

A corner's printed place touches that corner's rows alone, so its blocks are put in place instead of being multiplied out.
"""

from __future__ import annotations

import numpy as np

from vision.frames import Array
from vision.lens_state import PRINT_UNKNOWNS, LensState, Views


def printed_mm(views: Views, state: LensState) -> Array:
    """Where each corner was printed, shape (n, 2), about the board's centre, aspect not applied."""
    return np.asarray(views.points_mm[:, :2] + state.print_mm[views.board_of_view[views.view], views.corner])


def by_printed_place(views: Views, state: LensState, d_xy: Array) -> Array:
    """Pixels by each corner's own printed place, shape (n, 2, 2), from those by a point of the board, `d_xy` (n, 2, 2)."""
    aspect = state.board[views.board_of_view, 0][views.view]
    return np.asarray(views.root_weight @ (d_xy * (1.0 + 0.5 * aspect[:, None, None] * np.array([1.0, -1.0]))))


def with_printed_places(views: Views, square: Array, slope: Array, jac: Array, d_print: Array, r: Array) -> tuple[Array, Array]:
    """The views' normal equations, (views, m, m) and (views, m), with the places of a board's corners behind the others.

    `jac` (n, 2, m), `d_print` (n, 2, 2) and `r` (n, 2) are whitened; a view holds a corner once.
    """
    count, m = slope.shape
    more = m + PRINT_UNKNOWNS * views.most_corners
    whole, longer = np.zeros((count, more, more)), np.zeros((count, more))
    whole[:, :m, :m], longer[:, :m] = square, slope
    at = (m + PRINT_UNKNOWNS * views.corner)[:, None] + np.arange(PRINT_UNKNOWNS)
    view = views.view[:, None]
    turned = d_print.transpose(0, 2, 1)
    mixed = turned @ jac
    whole[view, at, :m] = mixed
    whole[view, :m, at] = mixed
    whole[view[:, :, None], at[:, :, None], at[:, None, :]] = turned @ d_print
    longer[view, at] = np.einsum("nij,nj->ni", turned, r)
    return whole, longer
