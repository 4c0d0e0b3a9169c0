"""How uneven the floor is: by its boards' heights over their plane where they are dense enough, else as typed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.geometry.floor import FLOOR
from calib.geometry.floor_map import FloorMap
from calib.geometry.wheel_data import MotionPrior
from vision.frames import Array
from vision.poses import PoseSet

LEAST_BOARDS = 8
"""Boards from which the floor's unevenness is measured: five conditions beside the plane."""
FEWEST = 6
"""Boards below which nothing is said of it at all."""
NEAR_MM = 1500.0
"""A wheel without a floor board this near stands on floor that nobody measured. On simulated wavy floors (waves of 1.2 to 12 m)
the plane's stated tilt and height then held; with the middle of the car left bare they were off by half."""
CONTRADICTED = 0.95
"""Probability of a rougher floor than typed from which the boards are believed."""
TRACK_MM = 1500.0
"""Least usual distance of left and right wheels: on it the car tilts most."""
GRID_MM = np.geomspace(1e-3, 100.0, 600)
EVEN = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Unevenness:
    """What the boards tell of the floor's unevenness: the law of σ, its deviation from a plane at one board.

    Attributes
    ----------
    boards : int
    density : ndarray
        Probability of each σ of `GRID_MM`.
    """

    boards: int
    density: Array

    @property
    def pm_mm(self) -> float:
        """Half-width at k = 2 by the mean of σ²: larger than twice the scatter by what few boards cannot tell."""
        return 2.0 * math.sqrt(float(self.density @ GRID_MM**2))

    def rougher_than(self, pm_mm: float) -> float:
        """Probability that the floor is rougher than this half-width (k = 2)."""
        return float(self.density[pm_mm / 2.0 < GRID_MM].sum())


@dataclass(frozen=True, slots=True)
class BelievedFloor:
    """The unevenness every figure rests on.

    Attributes
    ----------
    pm_mm : float
        Half-width at k = 2.
    source : str
        "measured", "typed" or "supposed".
    boards : int
    measured_pm_mm : float
        What the boards show; infinite when they are too few to show anything.
    typed_pm_mm : float
        What was typed, or is supposed where nobody typed anything (`typed`).
    typed : bool
    why_not : str
        Why a measured value does not count; "" when it could.
    """

    pm_mm: float
    source: str
    boards: int
    measured_pm_mm: float
    typed_pm_mm: float
    typed: bool
    why_not: str

    @property
    def rougher(self) -> float:
        """How many times rougher the floor is believed to be than its boards show, at least once."""
        return max(1.0, self.pm_mm / self.measured_pm_mm)

    @property
    def motion(self) -> MotionPrior:
        """How far the car heaves and tilts on it between epochs.

        Measured heights are independent samples: left and right wheels stand on means of two each, in the epoch and at `rest`.
        On simulated floors with waves of 1.2 to 2.5 m the car tilts just so, on longer waves half as much. A typed value is
        about the whole bay, whose floor is usually bent more slowly (`MotionPrior.from_floor`).
        """
        if self.source != "measured":
            return MotionPrior.from_floor(self.pm_mm)
        return MotionPrior(self.pm_mm / 2.0, math.sqrt(2.0) * self.pm_mm / 2.0 / TRACK_MM)

    @property
    def words(self) -> str:
        shown = f"as its {self.boards} floor boards show"
        if self.source == "measured":
            than = f": more than the ±{self.typed_pm_mm:.1f} mm typed" if self.typed else ""
            return f"floor uneven by ±{self.pm_mm:.1f} mm, {shown}{than}"
        if self.source == "typed":
            seen = f"; its {self.boards} floor boards show ±{self.measured_pm_mm:.1f} mm" if not self.why_not else ""
            return f"floor uneven by ±{self.pm_mm:.1f} mm, as typed{seen}"
        return f"floor uneven by ±{self.pm_mm:.1f} mm, supposed and not measured: {self.why_not}"


def unevenness(floor: FloorMap) -> Unevenness:
    """σ of the floor about its plane, from the heights of the feet and their covariance.

    In the n − 3 combinations that the plane leaves free, the heights have the covariance σ² 1 + C (restricted likelihood:
    Patterson and Thompson 1971, from memory). By Jeffreys' rule for σ² (1946) the law of σ is proper even on a floor more even
    than the boards can tell, and its mean of σ² widens with few boards as Student's factor does. Boards are taken as
    independent samples of the floor.

    Raises
    ------
    ValueError
        Too few boards: the mean of σ² does not exist below three conditions.
    """
    n = len(floor.boards)
    if n < FEWEST:
        raise ValueError(f"{n} boards tell nothing of the floor beside its plane")
    design = np.column_stack([np.ones(n), floor.place_mm - floor.place_mm.mean(axis=0)])
    free = np.linalg.svd(design)[0][:, 3:]
    known, turn = np.linalg.eigh(free.T @ floor.heights.cov @ free)
    seen = turn.T @ free.T @ floor.heights.value
    variance = GRID_MM[:, None] ** 2 + np.maximum(known, EVEN)
    log = -0.5 * (np.log(variance) + seen**2 / variance).sum(axis=1) + 0.5 * np.log((1.0 / variance**2).sum(axis=1))
    # Even steps of log σ: dσ² = 2 σ² d(log σ).
    log += 2.0 * np.log(GRID_MM)
    density = np.exp(log - log.max())
    return Unevenness(n, density / density.sum())


def believed(poses: PoseSet, floor: FloorMap, wheels: Sequence[str], pm_mm: float, *, typed: bool) -> BelievedFloor:
    """The unevenness to reckon with.

    What the boards show counts when nobody typed anything and they are dense enough (`LEAST_BOARDS`, one within `NEAR_MM` of
    every wheel in every epoch), or when they contradict what was typed or supposed.

    Parameters
    ----------
    poses : PoseSet
        With "floor" and the wheel boards.
    wheels : sequence of str
        Bodies of wheel boards ("wheel-rear-left@roll-1").
    pm_mm : float
        Typed or supposed half-width at k = 2.
    """
    n, source = len(floor.boards), "typed" if typed else "supposed"
    why_not = _too_thin(poses, floor, wheels)
    if n < FEWEST:
        return BelievedFloor(pm_mm, source, n, math.inf, pm_mm, typed, why_not)
    found = unevenness(floor)
    rougher = found.pm_mm > pm_mm and found.rougher_than(pm_mm) >= CONTRADICTED
    if rougher or (not typed and not why_not):
        return BelievedFloor(found.pm_mm, "measured", n, found.pm_mm, pm_mm, typed, why_not)
    return BelievedFloor(pm_mm, source, n, found.pm_mm, pm_mm, typed, why_not)


def _too_thin(poses: PoseSet, floor: FloorMap, wheels: Sequence[str]) -> str:
    """Why the boards are not dense enough to measure the floor; "" when they are."""
    n = len(floor.boards)
    if n < LEAST_BOARDS:
        return f"{n} floor boards, {LEAST_BOARDS} are needed"
    floor_from_survey = poses[FLOOR].inverse()
    for body in wheels:
        place = floor_from_survey.apply(poses[body].translation_mm)[:2]
        gap = float(np.linalg.norm(floor.place_mm - place, axis=1).min())
        if gap > NEAR_MM:
            board, _, epoch = body.partition("@")
            return f"no floor board within {NEAR_MM / 1000:.1f} m of {board} in {epoch}"
    return ""
