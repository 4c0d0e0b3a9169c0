"""What the wheel fit is given: wheels and their boards, stand-offs, the car's freedom to heave and rock, observations."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from calib.geometry.floor import FLOOR, FLOOR_PM_MM
from calib.geometry.lines import FRONT, REAR, WHEELS
from calib.geometry.wheel_model import RollData
from vision.errors import MeasurementError
from vision.frames import Array, skew
from vision.poses import PoseSet

REST = "rest"
LEAST_EPOCHS = 3
HEAVE_PER_FLOOR = 0.5
"""Heave σ of the car over the floor's half-width: the half-width is 2 σ."""
TILT_PER_FLOOR = math.radians(0.03) / 2.0
"""Roll and pitch σ in rad per mm of the floor's half-width: some 1.5 mm over a track or wheelbase of 1.5 to 2.7 m."""
PIVOT_SIGMA_MM = 50.0
"""σ of where, along the axle, the steering axis passes the wheel: kingpins differ (common practice, no source)."""
REGULAR_RAD, REGULAR_MM = 1e-7, 1e-4
"""Added to the boards' σ in the weights, far below what a photo shows: boards held as datum have no variance at all."""


@dataclass(frozen=True, slots=True)
class WheelSpec:
    """Which board hangs on a wheel."""

    board: str


@dataclass(frozen=True, slots=True)
class StandOff:
    """From where the spin axis pierces the board plane, along the axis inboard, to the rim's outer flange plane, mm (k = 2)."""

    standoff_mm: float
    standoff_pm_mm: float


@dataclass(frozen=True, slots=True)
class MotionPrior:
    """σ (k = 1) of the car's heave, roll and pitch in each epoch before `rest`, relative to `rest`."""

    heave_sigma_mm: float
    tilt_sigma_rad: float

    @classmethod
    def from_floor(cls, floor_pm_mm: float = FLOOR_PM_MM) -> MotionPrior:
        """From the floor's unevenness, half-width at k = 2: ±2 mm give 1 mm and 0.03°."""
        return cls(HEAVE_PER_FLOOR * floor_pm_mm, TILT_PER_FLOOR * floor_pm_mm)


@dataclass(frozen=True, slots=True, eq=False)
class Gathered:
    """The observations, and how they hang on the network's poses.

    Attributes
    ----------
    data : RollData
    bodies : tuple of str
        Body of each sighting.
    select : ndarray, shape (6 n + 2, 6 bodies of the network)
        Centred perturbations of the sightings and the floor's tilt by the left perturbations of all poses.
    """

    data: RollData
    bodies: tuple[str, ...]
    select: Array


def wheel_words(wheel: str) -> str:
    """ "rear left" for "rear_left"."""
    return wheel.replace("_", " ")


def gather(
    poses: PoseSet,
    wheels: Mapping[str, WheelSpec],
    epochs: Sequence[str],
    motion: MotionPrior,
) -> Gathered:
    """Observations of the wheel boards, weighted by the network's joint covariance.

    Raises
    ------
    MeasurementError
        Too few epochs, no `rest`, a wheel not seen in `rest` or in fewer than three epochs, no rear pair.
    """
    _check_names(poses, wheels, epochs)
    names = tuple(wheel for wheel in WHEELS if wheel in wheels)
    order = [epoch for epoch in epochs if epoch != REST] + [REST]
    found = [(w, k, f"{wheels[wheel].board}@{epoch}") for w, wheel in enumerate(names) for k, epoch in enumerate(order)]
    found = [item for item in found if item[2] in poses]
    _check_seen(names, wheels, order, {(w, k) for w, k, _ in found})
    used = sorted({k for _, k, _ in found})
    bodies = tuple(body for _, _, body in found)
    rotation = np.array([poses[body].rotation for body in bodies])
    origin = np.array([poses[body].translation_mm for body in bodies])

    floor = poses[FLOOR].rotation
    level, up = floor[:, :2].T, floor[:, 2]
    select = _selection(poses, bodies, origin, level)
    cov = select @ poses.cov @ select.T
    wheel = np.array([w for w, _, _ in found])
    resting = origin[[i for i, (_, k, _) in enumerate(found) if k == used[-1]]]
    independent = np.eye(len(used) - 1)
    data = RollData(
        names,
        tuple(order[k] for k in used),
        wheel,
        np.array([used.index(k) for _, k, _ in found]),
        wheel.copy(),
        rotation,
        origin,
        _whitener(cov),
        up,
        level,
        np.array([name in FRONT for name in names]),
        resting.mean(axis=0),
        resting,
        np.zeros_like(resting),
        PIVOT_SIGMA_MM,
        independent / motion.heave_sigma_mm,
        independent / motion.tilt_sigma_rad,
    )
    return Gathered(data, bodies, select)


def _check_names(poses: PoseSet, wheels: Mapping[str, WheelSpec], epochs: Sequence[str]) -> None:
    unknown = set(wheels) - set(WHEELS)
    if unknown:
        raise ValueError(f"unknown wheels {sorted(unknown)}, known: {', '.join(WHEELS)}")
    if FLOOR not in poses:
        raise ValueError("the floor must be fitted before the wheels")
    missing = [wheel for wheel in REAR if wheel not in wheels]
    if missing:
        raise MeasurementError(
            f"no board is named for the {' and '.join(map(wheel_words, missing))} wheel: the thrust line needs both rear "
            "wheels",
            hint="name the boards under [wheels.rear_left] and [wheels.rear_right] in job.toml",
        )
    if REST not in epochs:
        raise MeasurementError(
            "there is no epoch rest: it is unknown where the wheels stand now",
            hint="photograph all wheel boards once more where the car stays, into photos/rest",
        )
    if len(set(epochs)) < 2:
        raise MeasurementError(
            "there is only one epoch, rest: a spin axis shows only when the wheel turns",
            hint="roll the car and photograph roll-1, roll-2, roll-3 before rest, a quarter turn of the wheels apart",
        )


def _check_seen(
    names: Sequence[str], wheels: Mapping[str, WheelSpec], order: Sequence[str], seen: set[tuple[int, int]]
) -> None:
    for w, wheel in enumerate(names):
        mine = [order[k] for k in range(len(order)) if (w, k) in seen]
        board = wheels[wheel].board
        if REST not in mine:
            raise MeasurementError(
                f"the board of the {wheel_words(wheel)} wheel ({board}) was not seen in rest",
                hint=f"add photos of {board} to photos/rest, before the car moves again",
            )
        if len(mine) < LEAST_EPOCHS:
            raise MeasurementError(
                f"the board of the {wheel_words(wheel)} wheel ({board}) was seen in {len(mine)} epochs ({', '.join(mine)}), "
                f"at least {LEAST_EPOCHS} are needed: two never show where the axle is along the car",
                hint="roll the car a quarter turn of the wheels further and photograph another epoch; rest comes last",
            )


def _selection(poses: PoseSet, bodies: Sequence[str], origin: Array, level: Array) -> Array:
    select = np.zeros((6 * len(bodies) + 2, len(poses.cov)))
    for i, body in enumerate(bodies):
        rows = slice(6 * i, 6 * i + 6)
        select[rows, poses.rows([body])] = np.eye(6)
        select[6 * i + 3 : 6 * i + 6, poses.rows([body])[:3]] = -skew(origin[i])
    select[-2:, poses.rows([FLOOR])[:3]] = level
    return select


def _whitener(cov: Array) -> Array:
    """W with WᵀW the inverse of a slightly regularised covariance (units evened out first)."""
    small = np.full(len(cov), REGULAR_RAD)
    small[:-2].reshape(-1, 6)[:, 3:] = REGULAR_MM
    regular = cov + np.diag(small**2)
    scale = 1.0 / np.sqrt(np.diag(regular))
    factor = np.linalg.cholesky(regular * scale[:, None] * scale)
    return np.asarray(np.linalg.inv(factor) * scale, dtype=float)
