"""What the wheel fit is given: wheels and their boards, stand-offs, how the car may move, observations."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from calib.geometry.floor import FLOOR, FLOOR_PM_MM
from calib.geometry.lines import FRONT, REAR, WHEELS
from calib.geometry.wheel_state import RollData
from vision.errors import MeasurementError
from vision.frames import Array, skew
from vision.poses import PoseSet

REST = "rest"
HEAVE_PER_FLOOR = 0.5
"""Heave σ of the car over the floor's half-width: the half-width is 2 σ."""
TILT_PER_FLOOR = math.radians(0.03) / 2.0
"""Roll and pitch σ in rad per mm of the floor's half-width: some 1.5 mm over a track or wheelbase of 1.5 to 2.7 m."""
PIVOT_SIGMA_MM = 50.0
"""σ of where, along the axle, the steering axis passes the wheel: kingpins differ (common practice, no source)."""
CORNER_MM = 1000.0
"""From the middle of a car to where its wheels stand, roughly: what rises by 1 mm there leans by 1 mrad."""
SETTLE_PM_MM = 2.0
"""How far a body settles otherwise on its springs from epoch to epoch, half-width at k = 2 (common practice, no source)."""
REGULAR_RAD, REGULAR_MM = 1e-7, 1e-4
"""Added to the boards' σ in the weights, far below what a photo shows: boards held as datum have no variance at all."""


class Mode(StrEnum):
    """How the wheels come to turn between the epochs: the car rolls, they are turned by hand on a lift, or not at all."""

    ROLLED = "rolled"
    SPIN = "spin"
    STATIC = "static"


LEAST_EPOCHS = {Mode.ROLLED: 3, Mode.SPIN: 2, Mode.STATIC: 1}


@dataclass(frozen=True, slots=True)
class WheelSpec:
    """Which board hangs on a wheel, and what its holder is known to do (half-widths at k = 2, about each of its two axes).

    Attributes
    ----------
    board : str
    centre_mm : tuple of 3 float
        The board's centre mark in its own frame.
    centring_pm_mm : float, optional
        The spin axis passes the centre mark within this.
    mounting_pm_rad : float, optional
        The board is square to the spin axis within this.
    """

    board: str
    centre_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    centring_pm_mm: float | None = None
    mounting_pm_rad: float | None = None


@dataclass(frozen=True, slots=True)
class StandOff:
    """From where the spin axis pierces the board plane, along the axis inboard, to the rim's outer flange plane, mm (k = 2)."""

    standoff_mm: float
    standoff_pm_mm: float


@dataclass(frozen=True, slots=True)
class MotionPrior:
    """σ (k = 1) of the car's motion in each epoch before `rest`, relative to `rest`.

    Attributes
    ----------
    heave_sigma_mm, tilt_sigma_rad : float
        Heave; roll and pitch.
    travel_sigma_mm, yaw_sigma_rad : float, optional
        Travel and side slip; yaw. None where the car is rolled on purpose.
    settle_sigma_mm, settle_sigma_rad : float
        How otherwise the body comes to rest on its springs in every epoch: heave; roll and pitch. Boards on the body only.
    """

    heave_sigma_mm: float
    tilt_sigma_rad: float
    travel_sigma_mm: float | None = None
    yaw_sigma_rad: float | None = None
    settle_sigma_mm: float = SETTLE_PM_MM / 2.0
    settle_sigma_rad: float = SETTLE_PM_MM / 2.0 / CORNER_MM

    @classmethod
    def from_floor(cls, floor_pm_mm: float = FLOOR_PM_MM) -> MotionPrior:
        """From the floor's unevenness, half-width at k = 2: ±2 mm give 1 mm and 0.03°."""
        return cls(HEAVE_PER_FLOOR * floor_pm_mm, TILT_PER_FLOOR * floor_pm_mm)

    @classmethod
    def on_lift(cls, lift_pm_mm: float) -> MotionPrior:
        """A lifted car that stays but for what turning its wheels by hand rocks it, half-width at k = 2 at each wheel."""
        sigma = lift_pm_mm / 2.0
        return cls(sigma, sigma / CORNER_MM, sigma, sigma / CORNER_MM)

    def settling(self, settle_pm_mm: float) -> MotionPrior:
        """The same for a body that settles on its springs within this, half-width at k = 2 at each wheel."""
        return replace(self, settle_sigma_mm=settle_pm_mm / 2.0, settle_sigma_rad=settle_pm_mm / 2.0 / CORNER_MM)


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
    springs : ndarray, shape (6 n + 2, errors)
        The same by unit errors of how the body settles on its springs.
    """

    data: RollData
    bodies: tuple[str, ...]
    select: Array
    springs: Array


def wheel_words(wheel: str) -> str:
    """ "rear left" for "rear_left"."""
    return wheel.replace("_", " ")


def gather(
    poses: PoseSet,
    wheels: Mapping[str, WheelSpec],
    epochs: Sequence[str],
    motion: MotionPrior,
    mode: Mode = Mode.ROLLED,
    body_boards: Sequence[str] = (),
) -> Gathered:
    """Observations of the boards on wheels and body, weighted by the network's joint covariance.

    Raises
    ------
    MeasurementError
        Too few epochs, no `rest`, a wheel not seen in `rest` or in too few epochs, no rear pair.
    """
    _check_names(poses, wheels, epochs, mode)
    names = tuple(wheel for wheel in WHEELS if wheel in wheels)
    order = [epoch for epoch in epochs if epoch != REST and mode is not Mode.STATIC] + [REST]
    body = tuple(board for board in body_boards if f"{board}@{REST}" in poses)
    carried = [*(wheels[wheel].board for wheel in names), *body]
    found = [(m, k, f"{board}@{epoch}") for m, board in enumerate(carried) for k, epoch in enumerate(order)]
    found = [item for item in found if item[2] in poses]
    for w, wheel in enumerate(names):
        seen = [order[k] for m, k, _ in found if m == w]
        if reason := too_rarely_seen(wheel, wheels[wheel].board, seen, mode):
            raise reason
    used = sorted({k for _, k, _ in found})
    bodies = tuple(item[2] for item in found)
    mount, epoch = np.array([m for m, _, _ in found]), np.array([used.index(k) for _, k, _ in found])
    wheel_of = np.where(mount < len(names), mount, -1)
    rotation = np.array([poses[name].rotation for name in bodies])
    origin = np.array([poses[name].translation_mm for name in bodies])

    floor = poses[FLOOR].rotation
    level, up = floor[:, :2].T, floor[:, 2]
    select = _selection(poses, bodies, origin, level)
    springs = _springs(wheel_of, epoch, origin, level, up, motion)
    resting = origin[(wheel_of >= 0) & (epoch == len(used) - 1)]
    specs = [wheels[name] for name in names]
    independent, nothing = np.eye(len(used) - 1), np.zeros((0, len(used) - 1))
    data = RollData(
        names,
        tuple(order[k] for k in used),
        body,
        wheel_of,
        epoch,
        mount,
        rotation,
        origin,
        _whitener(select @ poses.cov @ select.T + springs @ springs.T),
        up,
        level,
        np.array([name in FRONT for name in names]),
        resting.mean(axis=0),
        resting,
        np.zeros_like(resting),
        PIVOT_SIGMA_MM,
        independent / motion.heave_sigma_mm,
        independent / motion.tilt_sigma_rad,
        nothing if motion.travel_sigma_mm is None else independent / motion.travel_sigma_mm,
        nothing if motion.yaw_sigma_rad is None else independent / motion.yaw_sigma_rad,
        np.array([spec.centre_mm for spec in specs]),
        _sigmas([spec.centring_pm_mm for spec in specs]),
        _sigmas([spec.mounting_pm_rad for spec in specs]),
    )
    return Gathered(data, bodies, select, springs)


def too_rarely_seen(wheel: str, board: str, seen: Sequence[str], mode: Mode = Mode.ROLLED) -> MeasurementError | None:
    """Why a wheel whose board was seen in these epochs gets no spin axis; None when it does."""
    told = f"the board of the {wheel_words(wheel)} wheel ({board}) was "
    if REST not in seen:
        return MeasurementError(
            f"{told}not seen in rest", hint=f"add photos of {board} to photos/rest, before the car moves again"
        )
    least = LEAST_EPOCHS[mode]
    if len(seen) >= least:
        return None
    epochs = f"{len(seen)} epoch{'s' * (len(seen) != 1)} ({', '.join(seen)}), at least {least} are needed"
    if mode is Mode.SPIN:
        hint = "turn the wheel by hand by a quarter turn and photograph another epoch; rest comes last"
        return MeasurementError(f"{told}seen in {epochs}: a spin axis shows only when the wheel turns", hint=hint)
    return MeasurementError(
        f"{told}seen in {epochs}: two never show where the axle is along the car",
        hint="roll the car a quarter turn of the wheels further and photograph another epoch; rest comes last",
    )


def _sigmas(half_widths: Sequence[float | None]) -> Array:
    return np.array([math.inf if width is None else width / 2.0 for width in half_widths])


def _check_names(poses: PoseSet, wheels: Mapping[str, WheelSpec], epochs: Sequence[str], mode: Mode) -> None:
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
    if len(set(epochs)) < 2 and mode is not Mode.STATIC:
        raise MeasurementError(
            "there is only one epoch, rest: a spin axis shows only when the wheel turns",
            hint="roll the car and photograph roll-1, roll-2, roll-3 before rest, a quarter turn of the wheels apart; where it "
            'cannot roll: mode = "spin" (wheels turned by hand on a lift) or mode = "static" (no turn, holders known to sit '
            "square and central; U is large) under [wheels] in job.toml",
        )


def _selection(poses: PoseSet, bodies: Sequence[str], origin: Array, level: Array) -> Array:
    select = np.zeros((6 * len(bodies) + 2, len(poses.cov)))
    for i, body in enumerate(bodies):
        rows = slice(6 * i, 6 * i + 6)
        select[rows, poses.rows([body])] = np.eye(6)
        select[6 * i + 3 : 6 * i + 6, poses.rows([body])[:3]] = -skew(origin[i])
    select[-2:, poses.rows([FLOOR])[:3]] = level
    return select


def _springs(wheel: Array, epoch: Array, origin: Array, level: Array, up: Array, motion: MotionPrior) -> Array:
    """Of each epoch heave, and lean about both level directions through the wheels' middle, shape (6 n + 2, 3 E)."""
    epochs = np.unique(epoch[wheel < 0])
    out = np.zeros((6 * len(wheel) + 2, 3 * len(epochs)))
    for column, k in enumerate(epochs):
        wheels = origin[(wheel >= 0) & (epoch == k)]
        middle = (wheels if len(wheels) else origin).mean(axis=0)
        for i in np.flatnonzero((wheel < 0) & (epoch == k)):
            out[6 * i + 3 : 6 * i + 6, 3 * column] = up * motion.settle_sigma_mm
            for j in range(2):
                lean = level[j] * motion.settle_sigma_rad
                out[6 * i : 6 * i + 3, 3 * column + 1 + j] = lean
                out[6 * i + 3 : 6 * i + 6, 3 * column + 1 + j] = np.cross(lean, origin[i] - middle)
    return out


def _whitener(cov: Array) -> Array:
    """W with WᵀW the inverse of a slightly regularised covariance (units evened out first)."""
    small = np.full(len(cov), REGULAR_RAD)
    small[:-2].reshape(-1, 6)[:, 3:] = REGULAR_MM
    regular = cov + np.diag(small**2)
    scale = 1.0 / np.sqrt(np.diag(regular))
    factor = np.linalg.cholesky(regular * scale[:, None] * scale)
    return np.asarray(np.linalg.inv(factor) * scale, dtype=float)
