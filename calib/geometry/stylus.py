"""The stylus: where its tip is in its board's frame, from photos turned about the tip, and the points it then touches.

A photo i gives `survey_from_board` (R_i, t_i). While the tip rests on one point p, R_i·tip + t_i = p in every photo. Teaching
solves for tip and p, touching for p with the tip known: generalised least squares over the joint covariance of all poses.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.special import chdtrc, chdtri

from vision.errors import MeasurementError
from vision.frames import Array, Estimate, Pose, skew
from vision.poses import PoseSet

STYLUS = "stylus"
TIP_NAMES = ("tip_x_mm", "tip_y_mm", "tip_z_mm")
PIVOT_NAMES = ("pivot_x_mm", "pivot_y_mm", "pivot_z_mm")
LEAST_POSES = 4
"""Three determine tip and pivot with three conditions left over, but then no photo could be found wrong."""
LEAST_TOUCHES = 2
LEAST_TURN = 0.1
"""RMS movement of a unit vector by the turns between the photos, in the direction that moves least: some 6°."""
FALSE_ALARM = 1e-3
"""Probability that any photo of a good set is called wrong."""
BAND = 0.01
"""Above the 99 % point of χ² the covariance is multiplied by χ² over its degrees of freedom."""
MOST_LEFT_OUT = 0.25
SLID_MM = 2.0
"""RMS distance of the tip from the point above which it did not stay there, unless the photos are as unsure themselves."""
ROUNDS = 3


@dataclass(frozen=True, slots=True, eq=False)
class PivotFit:
    """A taught stylus.

    Attributes
    ----------
    estimate : Estimate
        `TIP_NAMES` in the board frame, then `PIVOT_NAMES` in the poses' frame; multiplied by `scatter`.
    kept, left_out : tuple of str
        Bodies.
    rms_mm : float
        RMS distance of the tip from the pivot.
    chi_square, redundancy
    scatter : float
        What the covariance was multiplied by: 1, or χ² over redundancy where that is significantly larger.
    """

    estimate: Estimate
    kept: tuple[str, ...]
    left_out: tuple[str, ...]
    rms_mm: float
    chi_square: float
    redundancy: int
    scatter: float

    @property
    def tip(self) -> Estimate:
        return self.estimate.of(TIP_NAMES)


@dataclass(frozen=True, slots=True, eq=False)
class Tip:
    """Tip in the board frame, mm, and its covariance (3, 3); `key` tells styluses apart: points of one share its error."""

    key: str
    mm: Array
    cov: Array


@dataclass(frozen=True, slots=True, eq=False)
class TouchedBy:
    """A touched point by its name, the bodies of the stylus board that touched it (one a photo), and the tip.

    `riders` are further sources of uncertainty by name, (3, 3) each: what has to ride along with the point.
    """

    name: str
    bodies: tuple[str, ...]
    tip: Tip
    riders: Mapping[str, Array] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class Touch:
    """A touched point as a weighted mean of where each photo has the tip.

    Attributes
    ----------
    body : str
        "point:NAME".
    point_mm : ndarray, shape (3,)
    weights : dict of body to ndarray, shape (3, 3)
        They add up to the identity.
    tip : Tip
    left_out : tuple of str
    rms_mm, chi_square, redundancy, scatter
        As in `PivotFit`.
    own : ndarray, shape (3, 3)
        What the scatter adds to the covariance, for that part of it which differs from photo to photo.
    """

    body: str
    point_mm: Array
    weights: Mapping[str, Array]
    tip: Tip
    left_out: tuple[str, ...]
    rms_mm: float
    chi_square: float
    redundancy: int
    scatter: float
    own: Array


def point_body(name: str) -> str:
    """Body name of a touched point."""
    return f"point:{name}"


def pivot_rank(rotations: Array) -> int:
    """Rank of the pivot conditions [R_i, −1] for rotations (n, 3, 3): six, or five when all turns are about one axis."""
    rows = np.concatenate([np.hstack([rotation, -np.eye(3)]) for rotation in rotations])
    return int(np.linalg.matrix_rank(rows, tol=1e-6))


def least_turn(rotations: Array) -> tuple[float, Array]:
    """RMS movement of the unit vector (board frame) that the turns between the photos move least, and that vector."""
    spread = rotations - rotations.mean(axis=0)
    value, vectors = np.linalg.eigh(np.einsum("nij,nik->jk", spread, spread) / len(rotations))
    return math.sqrt(max(float(value[0]), 0.0)), np.asarray(vectors[:, 0])


def fit_pivot(poses: PoseSet, bodies: Sequence[str]) -> PivotFit:
    """Tip and pivot from the poses of a stylus board whose tip was held on one point.

    Parameters
    ----------
    poses : PoseSet
    bodies : sequence of str
        One body a photo.

    Returns
    -------
    PivotFit
        A photo that contradicts all others is left out and named.

    Raises
    ------
    MeasurementError
        Too few photos, turned about one axis only, or the tip did not stay on one point.
    """
    if len(bodies) < LEAST_POSES:
        raise MeasurementError(
            f"{len(bodies)} photos show the stylus board together with known floor boards, at least {LEAST_POSES} are needed",
            hint="photograph the stylus in a dozen leanings about its tip, floor boards in every picture",
        )
    _need_turns(poses, bodies)
    kept, fit = _without_contradicted(bodies, lambda some: _pivot(poses, some), LEAST_POSES - 1, FALSE_ALARM)
    _need_turns(poses, kept)
    if fit.rms_mm > SLID_MM:
        raise MeasurementError(
            f"the stylus did not turn about its tip: in the photos the tip lies {fit.rms_mm:.1f} mm (RMS) from one point",
            hint="set the tip into a dimple or punch mark so that it cannot slide, and see that the board sits firmly on it",
        )
    scatter = _scatter(fit)
    parts = {source: scatter * part for source, part in fit.parts.items()}
    estimate = Estimate((*TIP_NAMES, *PIVOT_NAMES), fit.value, scatter * fit.cov, parts)
    left_out = tuple(body for body in bodies if body not in kept)
    return PivotFit(estimate, tuple(kept), left_out, fit.rms_mm, fit.chi_square, fit.redundancy, scatter)


def fit_touch(poses: PoseSet, bodies: Sequence[str], tip: Tip, name: str) -> Touch:
    """The point that the tip touched in several photos.

    Raises
    ------
    MeasurementError
        Too few photos, or the photos contradict each other.
    """
    if len(bodies) < LEAST_TOUCHES:
        raise MeasurementError(
            f"point {name}: {len(bodies)} photo shows the stylus board together with known floor boards, "
            f"at least {LEAST_TOUCHES} are needed",
            hint="photograph the stylus three or four times with its tip on the point, leaning it differently each time",
        )
    kept, fit = _without_contradicted(bodies, lambda some: _point(poses, some, tip), LEAST_TOUCHES, FALSE_ALARM)
    improbable = chdtrc(fit.redundancy, fit.chi_square) < FALSE_ALARM
    if improbable and (fit.rms_mm > SLID_MM or fit.redundancy <= 3):
        raise MeasurementError(
            f"point {name}: the photos contradict each other: the tip lies {fit.rms_mm:.1f} mm (RMS) from one point in "
            f"{', '.join(_photo(body) for body in kept)}",
            hint="hold the tip on the same point in every photo, and add photos: with three or more a wrong one is found",
        )
    scatter = _scatter(fit)
    weights = {body: fit.gain[:, 3 * i : 3 * i + 3] for i, body in enumerate(kept)}
    left_out = tuple(body for body in bodies if body not in kept)
    own = (scatter - 1.0) * _between(tips_cov(poses.of(kept), tip))
    return Touch(point_body(name), fit.value, weights, tip, left_out, fit.rms_mm, fit.chi_square, fit.redundancy, scatter, own)


def with_points(poses: PoseSet, touches: Sequence[Touch], riders: Mapping[str, Mapping[str, Array]] | None = None) -> PoseSet:
    """The set with a body "point:NAME" for every touch (turned as the set's frame), and the source "stylus"."""
    if not touches:
        return poses
    jac = np.zeros((6 * len(touches), len(poses.cov)))
    own = np.zeros((6 * len(touches), 6 * len(touches)))
    lever = np.zeros((3 * len(touches), 3 * len({touch.tip.key for touch in touches})))
    keys = list(dict.fromkeys(touch.tip.key for touch in touches))
    tips = {touch.tip.key: touch.tip.cov for touch in touches}
    for i, touch in enumerate(touches):
        rows, tip = slice(6 * i + 3, 6 * i + 6), 3 * keys.index(touch.tip.key)
        for body, weight in touch.weights.items():
            jac[rows, poses.rows([body])] = weight @ _moves(touch.point_mm)
            lever[3 * i : 3 * i + 3, tip : tip + 3] += weight @ poses[body].rotation
        own[rows, rows] += touch.own
    place = np.concatenate([np.arange(6 * i + 3, 6 * i + 6) for i in range(len(touches))])
    tip_cov = np.zeros((3 * len(keys), 3 * len(keys)))
    for i, key in enumerate(keys):
        tip_cov[3 * i : 3 * i + 3, 3 * i : 3 * i + 3] = tips[key]
    own[np.ix_(place, place)] += lever @ tip_cov @ lever.T
    points = [Pose.from_rt(poses.target, touch.body, np.eye(3), touch.point_mm) for touch in touches]
    sources = {STYLUS: own}
    for i, touch in enumerate(touches):
        for source, cov in (riders or {}).get(touch.body, {}).items():
            sources[source] = np.zeros_like(own)
            sources[source][6 * i + 3 : 6 * i + 6, 6 * i + 3 : 6 * i + 6] = cov
    return poses.with_derived(points, jac, sources)


def with_touched(poses: PoseSet, points: Sequence[TouchedBy]) -> PoseSet:
    """The set with the touched points in it and without the stylus boards that touched them."""
    if not points:
        return poses
    riders = {point_body(point.name): point.riders for point in points}
    placed = with_points(poses, [fit_touch(poses, point.bodies, point.tip, point.name) for point in points], riders)
    held = {body for point in points for body in point.bodies}
    return placed.of([body for body in placed.bodies if body not in held])


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    value: Array
    cov: Array
    parts: Mapping[str, Array]
    gain: Array
    rms_mm: float
    chi_square: float
    redundancy: int
    drop: Array


def _need_turns(poses: PoseSet, bodies: Sequence[str]) -> None:
    rotations = np.array([poses[body].rotation for body in bodies])
    turn, axis = least_turn(rotations)
    if turn < LEAST_TURN:
        deg = math.degrees(2.0 * math.asin(min(1.0, turn / 2.0)))
        words = ", ".join(f"{value:+.1f}" for value in axis * np.sign(axis[np.argmax(np.abs(axis))]))
        raise MeasurementError(
            f"the stylus was turned about one axis only (board axis {words}; the others moved it by {deg:.1f}°): "
            "the tip's place along that axis cannot be known",
            hint="lean the stylus to the front, back, left and right by 30° and more, and turn it about its length",
        )


def _moves(point_mm: Array) -> Array:
    """Movement of a point fixed to a body by the body's left perturbation, shape (3, 6)."""
    return np.hstack([-skew(point_mm), np.eye(3)])


def _tip_jacobian(tips_mm: Array) -> Array:
    """Movement of the tips (n, 3) by the left perturbations of their bodies, shape (3 n, 6 n).

    Taken at their mean, where all would be without errors: so what moves all bodies alike moves all tips alike. Taken at each
    tip, a large common error would seem to explain their small differences (Peelle's puzzle).
    """
    return np.asarray(np.kron(np.eye(len(tips_mm)), _moves(tips_mm.mean(axis=0))), dtype=float)


def _pivot(poses: PoseSet, bodies: Sequence[str]) -> _Fit:
    some = poses.of(bodies)
    rotations = np.array([pose.rotation for pose in some])
    design = np.concatenate([np.hstack([rotation, -np.eye(3)]) for rotation in rotations])
    shift = -np.concatenate([pose.translation_mm for pose in some])
    value = np.linalg.lstsq(design, shift, rcond=None)[0]
    for _ in range(ROUNDS):
        tips = np.array([pose.apply(value[:3]) for pose in some])
        jac = _tip_jacobian(tips)
        fit = _least_squares(design, shift, jac @ some.cov @ jac.T, {s: jac @ part @ jac.T for s, part in some.parts.items()})
        value = fit.value
    return fit


def _point(poses: PoseSet, bodies: Sequence[str], tip: Tip) -> _Fit:
    some = poses.of(bodies)
    tips = np.array([pose.apply(tip.mm) for pose in some])
    return _least_squares(np.tile(np.eye(3), (len(bodies), 1)), tips.reshape(-1), tips_cov(some, tip), {})


def tips_cov(some: PoseSet, tip: Tip) -> Array:
    """Joint covariance of where each photo has the tip, shape (3 n, 3 n)."""
    jac = _tip_jacobian(np.array([pose.apply(tip.mm) for pose in some]))
    turned = np.concatenate([pose.rotation for pose in some])
    return np.asarray(jac @ some.cov @ jac.T + turned @ tip.cov @ turned.T, dtype=float)


def _between(cov: Array) -> Array:
    """Covariance of the tips' mean by what differs from photo to photo: of that alone their scatter tells, shape (3, 3)."""
    n = len(cov) // 3
    centre = np.kron(np.eye(n) - 1.0 / n, np.eye(3))
    apart = centre @ cov @ centre.T
    blocks = [apart[3 * i : 3 * i + 3, 3 * i : 3 * i + 3] for i in range(n)]
    return np.asarray(sum(blocks) / n / (n - 1), dtype=float)


def _least_squares(design: Array, observed: Array, cov: Array, parts: Mapping[str, Array]) -> _Fit:
    """Generalised least squares, units all mm; the covariance split by source through the same estimator.

    `drop` of photo i is by how much the square sum falls when it is left out: uᵢᵀ Wᵢᵢ⁻¹ uᵢ with W = C⁻¹ − C⁻¹A N⁻¹ Aᵀ C⁻¹ and
    u = W y, its block of three (the mean-shift test of correlated observations; Baarda 1968, from memory).
    """
    weight = np.linalg.inv(cov)
    pull = weight @ design
    gain = np.asarray(np.linalg.solve(design.T @ pull, pull.T), dtype=float)
    value = gain @ observed
    left = observed - design @ value
    unexplained, told = weight - pull @ gain, weight @ left
    blocks = [slice(3 * i, 3 * i + 3) for i in range(len(observed) // 3)]
    redundancy = len(observed) - design.shape[1]
    drops = [float(told[b] @ np.linalg.solve(unexplained[b, b], told[b])) for b in blocks] if redundancy > 3 else []
    rms = float(np.sqrt((left.reshape(-1, 3) ** 2).sum(axis=1).mean()))
    through = {source: _symmetric(gain @ part @ gain.T) for source, part in parts.items()}
    return _Fit(value, _symmetric(gain @ cov @ gain.T), through, gain, rms, float(left @ told), redundancy, np.array(drops))


def _symmetric(matrix: Array) -> Array:
    return np.asarray((matrix + matrix.T) / 2.0, dtype=float)


def _scatter(fit: _Fit) -> float:
    if fit.redundancy <= 0 or chdtrc(fit.redundancy, fit.chi_square) >= BAND:
        return 1.0
    return max(1.0, fit.chi_square / fit.redundancy)


def _without_contradicted(
    bodies: Sequence[str], solve: Callable[[Sequence[str]], _Fit], least: int, false_alarm: float
) -> tuple[list[str], _Fit]:
    """Leave out, one after another, the photo without which all others agree significantly better (data snooping).

    A photo brings three conditions: without it the square sum drops by a χ² of three if it is as good as the others, whose own
    scatter is allowed for.
    """
    kept = list(bodies)
    fit = solve(kept)
    most = max(1, int(MOST_LEFT_OUT * len(bodies)))
    limit = float(chdtri(3, false_alarm / len(bodies)))
    while len(kept) > least and len(bodies) - len(kept) < most:
        worst = int(np.argmax(fit.drop))
        spread = max(1.0, (fit.chi_square - fit.drop[worst]) / (fit.redundancy - 3))
        if fit.drop[worst] / spread <= limit:
            break
        del kept[worst]
        fit = solve(kept)
    return kept, fit


def _photo(body: str) -> str:
    return body.partition("@")[2] or body
