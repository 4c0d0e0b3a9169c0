"""Least squares over all board corners of all lens photos: one camera, one pose per view, boards that are not quite true.

A *view* is one board in one photo. Unknowns are the camera's parameters, the pose of every view, and as observed unknowns
(with a prior of zero) each board's bend and aspect and where its corners were really printed (printers feed paper unevenly),
each photo's wobble and each view's warp: smooth errors that the corners of a board share in one photo (paper that gives way,
motion blur, rolling shutter). Poses and warps are eliminated by the Schur complement.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.camera import project_arrays
from vision.frames import Array, exp_so3, skew
from vision.lens_print import by_printed_place, printed_mm, with_printed_places
from vision.lens_state import BOARD_UNKNOWNS, PRINT_UNKNOWNS, WARP_UNKNOWNS, Freedom, Index, LensState, Views


@dataclass(frozen=True, slots=True, eq=False)
class Normal:
    """Normal equations with the views' own unknowns (pose, warp) eliminated, in whitened units.

    Attributes
    ----------
    matrix, gradient : ndarray, shapes (g, g) and (g,)
        Of the global unknowns: camera, boards, printed places, wobble (photo by photo); `gradient` is minus half the cost's
        slope.
    own_solve, own_step : ndarray, shapes (views, m, w) and (views, m)
        Step of a view's own unknowns: ``own_step - own_solve @ global_step[columns]``; m is 6, or 12 with warp.
    own_cov : ndarray, shape (views, m, m)
        Covariance of a view's own unknowns if the global ones were known.
    columns : ndarray of int, shape (views, w)
        Global unknowns each view depends on.
    cost : float
        Weighted square sum, priors included, at the state.
    own_gain, own_logdet : float
        What the views' own steps take from the cost, and the log determinant of their normal equations.
    """

    matrix: Array
    gradient: Array
    own_solve: Array
    own_step: Array
    own_cov: Array
    columns: Index
    cost: float
    own_gain: float
    own_logdet: float


def points_in_cam(views: Views, state: LensState) -> tuple[Array, Array]:
    """Corners in the camera frame, shape (n, 3), mm, and their turned board axes, shape (n, 3, 3)."""
    board = state.board[views.board_of_view][views.view]
    printed = printed_mm(views, state)
    x = printed[:, 0] * (1.0 + 0.5 * board[:, 0])
    y = printed[:, 1] * (1.0 - 0.5 * board[:, 0])
    z = views.points_mm[:, 2] + np.einsum("nk,nk->n", views.bend, board[:, 1:])
    turn = state.turns[views.view]
    return np.einsum("nij,nj->ni", turn, np.stack([x, y, z], axis=1)) + state.shifts_mm[views.view], turn


def parameters_of_corners(views: Views, state: LensState) -> Array:
    """Each corner's camera parameters, shape (n, 12): the common ones with the photo's wobble."""
    wobble = state.wobble[views.photo_of_view][views.view]
    parameters = np.repeat(state.parameters[None], len(wobble), axis=0)
    parameters[:, :2] *= 1.0 + wobble[:, :1]
    parameters[:, 2:4] += wobble[:, 1:]
    return parameters


def residuals_px(views: Views, state: LensState) -> Array:
    """Seen minus predicted, shape (n, 2), px, warp not taken off; infinite where a corner lies behind the camera."""
    points, _ = points_in_cam(views, state)
    if np.any(points[:, 2] <= 0):
        return np.full(views.px.shape, np.inf)
    px, _, _ = project_arrays(points, parameters_of_corners(views, state), jacobians=False)
    return views.px - px


def warp_of_corners(views: Views, state: LensState) -> Array:
    """Shift of each corner by its view's warp, shape (n, 2), px."""
    warp = state.warp_px.reshape(-1, 2, 3)[views.view]
    return np.asarray(np.einsum("nk,nak->na", views.warp, warp))


def whitened(views: Views, residuals: Array) -> Array:
    """Residuals in units of the corners' σ, shape (n, 2)."""
    return np.asarray(np.einsum("nij,nj->ni", views.root_weight, residuals))


def cost_of(views: Views, state: LensState, freedom: Freedom, noise: float, weights: Array | None = None) -> float:
    """Weighted square sum of the residuals plus the priors, in units of σ² (σ of the corners times `noise`)."""
    r = whitened(views, residuals_px(views, state) - warp_of_corners(views, state))
    if not np.all(np.isfinite(r)):
        return float("inf")
    square = np.einsum("ni,ni->n", r, r)
    data = float(np.sum(square if weights is None else weights * square)) / noise**2
    return data + _prior_cost(views, state, freedom)


def _prior_cost(views: Views, state: LensState, freedom: Freedom) -> float:
    cost = float(np.sum((state.board / views.board_sigma) ** 2)) if freedom.boards else 0.0
    if freedom.print_sigma_mm > 0:
        cost += float(np.sum((state.print_mm / freedom.print_sigma_mm) ** 2))
    if freedom.warp_sigma_px > 0:
        cost += float(np.sum((state.warp_px / freedom.warp_sigma_px) ** 2))
    cost += float(np.sum((state.parameters / freedom.camera_sigma) ** 2))
    free = freedom.wobble_columns
    return cost + float(np.sum((state.wobble[:, free] / freedom.wobble_sigma[free]) ** 2))


def _jacobian(views: Views, state: LensState, freedom: Freedom) -> tuple[Array, Array, Array]:
    """Whitened residuals (n, 2) and their model's derivatives.

    These are (n, 2, m + w) by pose, warp; camera, board, wobble, and (n, 2, 2) by the corner's own printed place.
    """
    points, turn = points_in_cam(views, state)
    parameters = parameters_of_corners(views, state)
    px, d_point, d_par = project_arrays(points, parameters)
    wobble = state.wobble[views.photo_of_view][views.view]
    pieces = [-d_point @ skew(points), d_point]
    if freedom.warp_sigma_px > 0:
        pieces.append(np.asarray(np.kron(np.eye(2), views.warp[:, None]), dtype=float).reshape(len(px), 2, WARP_UNKNOWNS))
    d_common = d_par.copy()
    d_common[:, :, :2] *= 1.0 + wobble[:, None, :1]
    pieces.append(d_common @ freedom.basis)
    if freedom.boards:
        x, y = printed_mm(views, state).T
        d_aspect = np.stack([0.5 * x, -0.5 * y, np.zeros_like(x)], axis=1)
        d_board = np.concatenate(
            [np.einsum("nij,nj->ni", turn, d_aspect)[:, :, None], turn[:, :, 2:] * views.bend[:, None]], axis=2
        )
        pieces.append(d_point @ d_board)
    free = freedom.wobble_columns
    if free.size:
        d_wobble = np.stack(
            [d_par[:, :, 0] * state.parameters[0] + d_par[:, :, 1] * state.parameters[1], d_par[:, :, 2], d_par[:, :, 3]],
            axis=2,
        )
        pieces.append(d_wobble[:, :, free])
    r = views.px - px - warp_of_corners(views, state)
    d_print = by_printed_place(views, state, d_point @ turn[:, :, :2])
    return whitened(views, r), views.root_weight @ np.concatenate(pieces, axis=2), d_print


def normal_equations(
    views: Views,
    state: LensState,
    freedom: Freedom,
    *,
    noise: float = 1.0,
    weights: Array | None = None,
    damping: float = 0.0,
) -> Normal:
    """Linearise at `state`; see `Normal`. `noise` multiplies the corners' σ; `weights`, shape (n,), are robust weights."""
    r, jac, d_print = _jacobian(views, state, freedom)
    root = (np.full(len(r), 1.0) if weights is None else np.sqrt(weights))[:, None] / noise
    r, jac, d_print = r * root, jac * root[:, :, None], d_print * root[:, :, None]
    square, slope = _by_view(views, r, jac)
    if freedom.print_sigma_mm > 0:
        square, slope = with_printed_places(views, square, slope, jac, d_print, r)
    own = 6
    if freedom.warp_sigma_px > 0:
        own += WARP_UNKNOWNS
        square[:, range(6, own), range(6, own)] += freedom.warp_sigma_px**-2.0
        slope[:, 6:own] -= state.warp_px * freedom.warp_sigma_px**-2.0
    cost = float(np.sum(r**2)) + _prior_cost(views, state, freedom)
    every = np.arange(square.shape[1])
    square[:, every, every] *= 1.0 + damping
    mixed = square[:, own:, :own]
    solved = np.linalg.solve(square[:, :own, :own], np.concatenate([mixed.transpose(0, 2, 1), slope[:, :own, None]], axis=2))
    columns, size = _columns(views, freedom)
    matrix, gradient = np.zeros((size, size)), np.zeros(size)
    np.add.at(matrix, (columns[:, :, None], columns[:, None, :]), square[:, own:, own:] - mixed @ solved[:, :, :-1])
    np.add.at(gradient, columns, slope[:, own:] - np.einsum("vij,vj->vi", mixed, solved[:, :, -1]))
    _add_priors(views, state, freedom, matrix, gradient)
    return Normal(
        matrix,
        gradient,
        own_solve=solved[:, :, :-1],
        own_step=solved[:, :, -1],
        own_cov=np.asarray(np.linalg.inv(square[:, :own, :own]), dtype=float),
        columns=columns,
        cost=cost,
        own_gain=float(np.sum(slope[:, :own] * solved[:, :, -1])),
        own_logdet=float(np.sum(np.linalg.slogdet(square[:, :own, :own])[1])),
    )


def _by_view(views: Views, r: Array, jac: Array) -> tuple[Array, Array]:
    """Normal equations of each view by itself, shapes (views, m, m) and (views, m)."""
    m = jac.shape[2]
    rows = np.concatenate([jac, r[:, :, None]], axis=2).reshape(-1, m + 1)
    parts = np.split(rows, 2 * views.edges()[1:-1])
    whole = np.array([part.T @ part for part in parts])
    return whole[:, :m, :m], whole[:, :m, m]


def _columns(views: Views, freedom: Freedom) -> tuple[Index, int]:
    """Global unknowns each view depends on, shape (views, w), and the number of global unknowns."""
    k, free = freedom.basis.shape[1], freedom.wobble_columns.size
    parts = [np.tile(np.arange(k), (views.view_count, 1))]
    if freedom.boards:
        parts.append(k + BOARD_UNKNOWNS * views.board_of_view[:, None] + np.arange(BOARD_UNKNOWNS))
        k += BOARD_UNKNOWNS * len(views.board_sigma)
    each = PRINT_UNKNOWNS * views.most_corners if freedom.print_sigma_mm > 0 else 0
    printed = k + each * views.board_of_view[:, None] + np.arange(each)
    k += each * len(views.board_sigma)
    if free:
        parts.append(k + free * views.photo_of_view[:, None] + np.arange(free))
        k += free * views.photo_count
    return np.concatenate([*parts, printed], axis=1), k


def _add_priors(views: Views, state: LensState, freedom: Freedom, matrix: Array, gradient: Array) -> None:
    at = freedom.basis.shape[1]
    camera = freedom.camera_sigma**-2.0
    matrix[:at, :at] += freedom.basis.T @ (camera[:, None] * freedom.basis)
    gradient[:at] -= freedom.basis.T @ (camera * state.parameters)
    if freedom.boards:
        precision = views.board_sigma.ravel() ** -2.0
        rows = at + np.arange(precision.size)
        matrix[rows, rows] += precision
        gradient[rows] -= precision * state.board.ravel()
        at += precision.size
    if freedom.print_sigma_mm > 0:
        rows = at + np.arange(state.print_mm.size)
        matrix[rows, rows] += freedom.print_sigma_mm**-2.0
        gradient[rows] -= state.print_mm.ravel() * freedom.print_sigma_mm**-2.0
        at += state.print_mm.size
    free = freedom.wobble_columns
    if free.size:
        precision = np.tile(freedom.wobble_sigma[free] ** -2.0, views.photo_count)
        rows = at + np.arange(precision.size)
        matrix[rows, rows] += precision
        gradient[rows] -= precision * state.wobble[:, free].ravel()


def stepped(state: LensState, freedom: Freedom, normal: Normal, step: Array) -> LensState:
    """The state after a step of the global unknowns, with the poses following."""
    k = freedom.basis.shape[1]
    moves = normal.own_step - np.einsum("vij,vj->vi", normal.own_solve, step[normal.columns])
    turn = exp_so3(moves[:, :3])
    board, printed, wobble = state.board, state.print_mm, state.wobble
    at = k
    if freedom.boards:
        board = board + step[at : at + board.size].reshape(board.shape)
        at += board.size
    if freedom.print_sigma_mm > 0:
        printed = printed + step[at : at + printed.size].reshape(printed.shape)
        at += printed.size
    free = freedom.wobble_columns
    if free.size:
        wobble = wobble.copy()
        wobble[:, free] += step[at:].reshape(-1, free.size)
    return LensState(
        state.parameters + freedom.basis @ step[:k],
        board,
        printed,
        wobble,
        turn @ state.turns,
        np.einsum("vij,vj->vi", turn, state.shifts_mm) + moves[:, 3:6],
        state.warp_px + moves[:, 6:] if moves.shape[1] > 6 else state.warp_px,
    )
