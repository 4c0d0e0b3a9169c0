"""What was seen in one photo: boards with their corners, and boards refused with the reason. Plain result types."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.frames import Array


@dataclass(frozen=True, slots=True, eq=False)
class Sighting:
    """A board found in a photo.

    Attributes
    ----------
    board : str
    corner_ids : ndarray of int, shape (n,)
        Indices into `Board.corners_mm()`, ascending.
    px : ndarray, shape (n, 2)
        Corner positions, px; (0, 0) is the centre of the first pixel.
    cov_px : ndarray, shape (n, 2, 2)
        Covariance (k = 1) of each corner position, px².
    markers_read : int
        Markers of this board that decoded.
    blur_px : float
        Estimated blur (σ of a Gaussian) at the board, px; 0 when not estimated.
    excess : float
        Variance factor, 1 or more, by which the covariance would be larger if all that the corners scatter about their board's
        pattern were noise, and none of it a print error. One photo cannot tell; the network can (`vision.noise_share`).
    """

    board: str
    corner_ids: NDArray[np.int64]
    px: Array
    cov_px: Array
    markers_read: int = 0
    blur_px: float = 0.0
    excess: float = 1.0

    def __post_init__(self) -> None:
        n = len(self.corner_ids)
        if self.px.shape != (n, 2) or self.cov_px.shape != (n, 2, 2):
            raise ValueError(f"{n} corners, but px {self.px.shape} and cov_px {self.cov_px.shape}")


@dataclass(frozen=True, slots=True)
class Refusal:
    """A board that was (partly) seen but not accepted, and why, in words."""

    board: str
    reason: str
    markers_read: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class PhotoSightings:
    """All boards of one photo. `photo` is the name used in messages, relative to the job's photo folder."""

    photo: str
    width_px: int
    height_px: int
    found: tuple[Sighting, ...]
    refused: tuple[Refusal, ...] = ()

    def sighting(self, board: str) -> Sighting | None:
        for sighting in self.found:
            if sighting.board == board:
                return sighting
        return None


@dataclass(frozen=True, slots=True)
class Rejected:
    """A sighting the adjustment left out, and why; `misfit` is its typical misfit over its uncertainty (0: gave no pose)."""

    photo: str
    body: str
    reason: str
    misfit: float = 0.0
