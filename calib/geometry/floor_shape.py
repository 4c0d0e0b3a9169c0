"""The floor between its boards: departures from their plane predicted at any place, with U, and the plane the wheels stand on.

The floor is taken for a random surface about its plane whose heights are alike over some distance (kriging; Matheron 1963, from
memory; correlation of Matérn's form with smoothness 3/2). How rough it is and over which distance it is alike is not known: the
boards' heights weigh a grid of both (restricted likelihood), and predictions are the mean over that grid, with the spread of
what the grid says in U. On a floor whose boards have nothing to do with one another a prediction tends to nil with the whole
unevenness as U, on a smoothly bent one it follows the boards.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calib.geometry.floor_map import FloorMap
from calib.geometry.lines import FLOOR, WHEELS, axle_body, up
from calib.geometry.unevenness import FEWEST
from vision.boards import BoardSet
from vision.frames import Array, Pose, skew
from vision.poses import PoseSet

WHEEL_PLANE = "wheel plane"
SIGMAS_MM = np.geomspace(0.02, 50.0, 60)
ALIKE_MM = (200.0, 800.0, 1500.0, 3000.0)
"""Over which distances heights may be alike; boards lie a metre or more apart, so that the least means: not at all."""
JITTER = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Prediction:
    """Departures of the floor from the plane through its boards' feet, at m places.

    Attributes
    ----------
    weights : ndarray, shape (m, n)
        On the heights of the boards.
    cov : ndarray, shape (m, m)
        Of what the floor between the boards keeps to itself, mm²; the heights' own errors come on top of it through `weights`.
    """

    weights: Array
    cov: Array


def predict(floor: FloorMap, place_mm: Array) -> Prediction:
    """Departures at places (m, 2) of the floor frame.

    Raises
    ------
    ValueError
        Fewer than `FEWEST` boards.
    """
    fields = _fields(floor, place_mm)
    weight = np.array([field.weight for field in fields])
    gains = np.array([field.gain for field in fields])
    gain = np.tensordot(weight, gains, 1)
    left = [f.sigma_mm**2 * (f.own - f.gain @ f.cross.T - f.cross @ f.gain.T + f.gain @ f.shape @ f.gain.T) for f in fields]
    free, seen = _free(floor)
    apart = (gains - gain) @ seen
    between = np.einsum("k,ki,kj->ij", weight, apart, apart)
    return Prediction(gain @ free.T, np.tensordot(weight, np.array(left), 1) + between)


def departures_mm(floor: FloorMap, place_mm: Array) -> Array:
    """Predicted departures alone, shape (m,), for a picture: without what they may be off."""
    free, seen = _free(floor)
    del free
    out = np.zeros(len(place_mm))
    for field in _fields(floor, place_mm, own=False):
        out += field.weight * (field.gain @ seen)
    return out


@dataclass(frozen=True, slots=True, eq=False)
class _Field:
    """One guess of how rough the floor is and how far alike, with its weight by the boards, and its prediction.

    `shape`, `cross` and `own` are correlations (unit variance) of the boards' free combinations, of these with the places, and
    of the places; `gain` acts on the free combinations.
    """

    sigma_mm: float
    weight: float
    gain: Array
    shape: Array
    cross: Array
    own: Array


def _free(floor: FloorMap) -> tuple[Array, Array]:
    """Combinations of the heights that the plane leaves free, shape (n, n − 3), and what they are."""
    n = len(floor.boards)
    if n < FEWEST:
        raise ValueError(f"{n} boards tell nothing of the floor between them")
    free = np.linalg.svd(np.column_stack([np.ones(n), floor.place_mm]))[0][:, 3:]
    return free, free.T @ floor.heights.value


def _fields(floor: FloorMap, place_mm: Array, *, own: bool = True) -> list[_Field]:
    free, seen = _free(floor)
    n, m = len(floor.boards), len(place_mm)
    design = np.column_stack([np.ones(n + m), np.vstack([floor.place_mm, place_mm])])
    noise = free.T @ floor.heights.cov @ free + JITTER * np.eye(n - 3)
    by_plane = design[n:] @ np.linalg.pinv(design[:n])
    out, logs = [], []
    for alike in ALIKE_MM:
        unit = _correlation(floor.place_mm, floor.place_mm, alike)
        to_places = _correlation(place_mm, floor.place_mm, alike)
        shape, cross = free.T @ unit @ free, (to_places - by_plane @ unit) @ free
        over = np.zeros((0, 0))
        if own:
            mixed = by_plane @ to_places.T
            over = _correlation(place_mm, place_mm, alike) - mixed - mixed.T + by_plane @ unit @ by_plane.T
        for sigma in SIGMAS_MM:
            cov = sigma**2 * shape + noise
            logs.append(_log_likelihood(cov, seen) + np.log(sigma))
            out.append(_Field(float(sigma), 0.0, np.linalg.solve(cov, sigma**2 * cross.T).T, shape, cross, over))
    weight = np.exp(np.array(logs) - max(logs))
    weight /= weight.sum()
    return [replace(field, weight=float(w)) for field, w in zip(out, weight, strict=True)]


def shows_wheel_plane(poses: PoseSet, floor: FloorMap) -> bool:
    """Whether the boards are enough to show the floor under all four wheels."""
    return len(floor.boards) >= FEWEST and all(axle_body(wheel) in poses for wheel in WHEELS)


def with_wheel_plane(poses: PoseSet, boards: BoardSet, floor: FloorMap, rougher: float = 1.0) -> PoseSet:
    """The set with the body `WHEEL_PLANE`: z square to the plane through the wheel reference points projected on the floor.

    Origin in their middle, on that plane; x as that of the body "floor". Sources "floor" and "thickness" are added as if the
    body "floor" did not share them.

    Parameters
    ----------
    poses : PoseSet
        With "floor", its boards and all four "axle:…" bodies.
    rougher : float
        How many times rougher than measured the floor is believed to be.

    Raises
    ------
    ValueError
        The floor boards cannot show it (`shows_wheel_plane`).
    """
    if not shows_wheel_plane(poses, floor):
        raise ValueError("no wheel plane: too few floor boards, or a wheel is missing")
    normal = up(poses)
    from_survey = poses[FLOOR].inverse()
    under = from_survey.apply(np.array([poses[axle_body(wheel)].translation_mm for wheel in WHEELS]))[:, :2]
    found = predict(floor, under)
    n = len(floor.boards)
    design = np.column_stack([np.ones(n), floor.place_mm])
    # Height of the floor under each wheel from the feet's own heights: their plane, and the departures from it.
    by_feet = np.column_stack([np.ones(4), under]) @ np.linalg.pinv(design)
    by_feet += found.weights @ (np.eye(n) - design @ np.linalg.pinv(design))
    feet = np.array([poses[b].apply(boards[b].centre_mm + [0.0, 0.0, boards[b].thickness_mm]) for b in floor.boards])
    rise = by_feet @ from_survey.apply(feet)[:, 2]
    pose, by_rise = _plane(poses[FLOOR], under, rise)
    jac = np.zeros((6, len(poses.cov)))
    for i, board in enumerate(floor.boards):
        jac[:, poses.rows([board])] += np.outer(by_rise @ by_feet[:, i], normal @ np.hstack([-skew(feet[i]), np.eye(3)]))
    thickness = by_rise @ by_feet @ np.diag([boards[b].thickness_pm_mm / 2.0 for b in floor.boards])
    own = {"thickness": thickness @ thickness.T, "floor": by_rise @ (rougher**2 * found.cov) @ by_rise.T}
    return poses.with_derived([pose], jac, own)


def _plane(floor: Pose, under_mm: Array, rise_mm: Array) -> tuple[Pose, Array]:
    """Least-squares plane through points at `under` (4, 2), `rise` above the body "floor"; (6, 4): its left perturbation."""
    middle = under_mm.mean(axis=0)
    fit = np.linalg.pinv(np.column_stack([np.ones(4), under_mm - middle]))
    height, slope_x, slope_y = fit @ rise_mm
    x, y, z = floor.rotation.T
    normal = z - slope_x * x - slope_y * y
    normal /= np.linalg.norm(normal)
    across = np.cross(normal, x)
    across /= np.linalg.norm(across)
    origin = floor.apply([*middle, height])
    pose = Pose.from_rt(floor.target, WHEEL_PLANE, np.column_stack([np.cross(across, normal), across, normal]), origin)
    turn = np.outer(x, fit[2]) - np.outer(y, fit[1])
    return pose, np.vstack([turn, np.outer(z, fit[0]) + skew(origin) @ turn])


def _correlation(one_mm: Array, other_mm: Array, alike_mm: float) -> Array:
    gap = np.linalg.norm(one_mm[:, None] - other_mm[None], axis=2) * (np.sqrt(3.0) / alike_mm)
    return np.asarray((1.0 + gap) * np.exp(-gap), dtype=float)


def _log_likelihood(cov: Array, seen: Array) -> float:
    """Of the heights, with the usual scale-free law of σ (even steps of log σ)."""
    factor = np.linalg.cholesky(cov)
    white = np.linalg.solve(factor, seen)
    return float(-np.log(np.diag(factor)).sum() - white @ white / 2.0)
