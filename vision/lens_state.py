"""What the lens adjustment works on: corners as arrays, values of all unknowns, and what it may change."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from vision.frames import Array

BOARD_UNKNOWNS = 4
"""Aspect (relative: x grows by half of it, y shrinks by half), then three bend amplitudes, mm."""
PRINT_UNKNOWNS = 2
"""Of each corner of a board: where it was printed, along x and y, minus where it should be, mm."""
WARP_UNKNOWNS = 6
"""Amplitudes, px, of the three quadratic shapes over the board (`Views.warp`), along image x, then along image y."""
WOBBLE_UNKNOWNS = 3
"""Relative focal length, then principal point x and y, px."""
Index = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Views:
    """All corners, sorted by view, as arrays.

    Attributes
    ----------
    points_mm : ndarray, shape (n, 3)
        Printed corners in the frame of their board, about the board's centre.
    bend : ndarray, shape (n, 3)
        Out-of-plane shape (mm per mm of amplitude) of the three bend modes at each corner (`observations.bend_modes`).
    warp : ndarray, shape (n, 3)
        Shift in the picture (px per px of amplitude) of the three warp shapes at each corner.
    px : ndarray, shape (n, 2)
    root_weight : ndarray, shape (n, 2, 2)
        Whitens a pixel residual: ``root_weight.T @ root_weight`` is the inverse covariance.
    view : ndarray of int, shape (n,), ascending
    corner : ndarray of int, shape (n,)
        Number of the corner on its board.
    photo_of_view, board_of_view : ndarray of int, shape (views,)
    board_sigma : ndarray, shape (boards, 4)
        σ of the board unknowns.
    most_corners : int
        Corners of the board that has most.
    """

    points_mm: Array
    bend: Array
    warp: Array
    px: Array
    root_weight: Array
    view: Index
    corner: Index
    photo_of_view: Index
    board_of_view: Index
    board_sigma: Array
    most_corners: int

    @property
    def view_count(self) -> int:
        return len(self.photo_of_view)

    @property
    def photo_count(self) -> int:
        return int(self.photo_of_view.max()) + 1

    def edges(self) -> Index:
        """First row of each view, and the end."""
        return np.searchsorted(self.view, np.arange(self.view_count + 1))

    def of_photos(self, chosen: NDArray[np.bool_]) -> tuple[Views, NDArray[np.bool_]]:
        """The views of the chosen photos, renumbered; and which views these are."""
        views = chosen[self.photo_of_view]
        return self.of_views(views), views

    def of_views(self, views: NDArray[np.bool_]) -> Views:
        rows = views[self.view]
        number = np.cumsum(views) - 1
        photos = np.unique(self.photo_of_view[views], return_inverse=True)[1]
        return replace(
            self.of_corners(rows),
            view=number[self.view[rows]],
            photo_of_view=photos.astype(np.int64),
            board_of_view=self.board_of_view[views],
        )

    def of_corners(self, corners: NDArray[np.bool_]) -> Views:
        """The chosen corners; every view keeps its number (and must keep corners)."""
        return replace(
            self,
            points_mm=self.points_mm[corners],
            bend=self.bend[corners],
            warp=self.warp[corners],
            px=self.px[corners],
            root_weight=self.root_weight[corners],
            view=self.view[corners],
            corner=self.corner[corners],
        )


@dataclass(frozen=True, slots=True, eq=False)
class LensState:
    """Values of all unknowns.

    Attributes
    ----------
    parameters : ndarray, shape (12,)
        `Camera.parameters`.
    board : ndarray, shape (boards, 4)
    print_mm : ndarray, shape (boards, corners, 2)
    wobble : ndarray, shape (photos, 3)
    turns : ndarray, shape (views, 3, 3)
        Rotation of cam_from_board.
    shifts_mm : ndarray, shape (views, 3)
        The board's centre in the camera frame.
    warp_px : ndarray, shape (views, 6)
    """

    parameters: Array
    board: Array
    print_mm: Array
    wobble: Array
    turns: Array
    shifts_mm: Array
    warp_px: Array

    def of_views(self, views: NDArray[np.bool_], photo_of_view: Index) -> LensState:
        photos = np.unique(photo_of_view[views])
        return replace(
            self,
            wobble=self.wobble[photos],
            turns=self.turns[views],
            shifts_mm=self.shifts_mm[views],
            warp_px=self.warp_px[views],
        )


@dataclass(frozen=True, slots=True, eq=False)
class Freedom:
    """What the adjustment may change.

    Attributes
    ----------
    basis : ndarray, shape (12, k)
        Columns: directions in which the camera's parameters are free; k may be 0.
    boards : bool
        Estimate bend and aspect with their priors.
    wobble_sigma : ndarray, shape (3,)
        σ of the per-photo unknowns; an entry of zero holds that unknown at its value.
    warp_sigma_px : float
        σ of the warp amplitudes; zero holds them.
    camera_sigma : ndarray, shape (12,)
        σ of a prior about zero on the camera's parameters; infinite for none.
    print_sigma_mm : float
        σ of the corners' printed places, each axis; zero holds them.
    """

    basis: Array
    boards: bool = True
    wobble_sigma: Array = field(default_factory=lambda: np.zeros(WOBBLE_UNKNOWNS))
    warp_sigma_px: float = 0.0
    camera_sigma: Array = field(default_factory=lambda: np.full(12, np.inf))
    print_sigma_mm: float = 0.0

    @property
    def wobble_columns(self) -> Index:
        return np.flatnonzero(self.wobble_sigma > 0)
