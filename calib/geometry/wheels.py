"""Epochs to spin axes: all wheels in one fit, weighted by the network's joint covariance.

The wheels roll between the epochs, are turned by hand on a lift, or do not turn at all (`Mode`). The position of a wheel along
its spin axis cannot be seen by turning it: the axle frames start where the axis pierces the board, and `apply_standoffs` moves
them to the rim's outer flange plane.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.geometry.lines import FRONT, axle_body
from calib.geometry.wheel_checks import (
    RollLimits,
    check_layout,
    check_on_lift,
    check_skid,
    check_steering,
    too_little_turned,
)
from calib.geometry.wheel_data import REST, Gathered, Mode, MotionPrior, StandOff, WheelSpec, gather, too_rarely_seen
from calib.geometry.wheel_holders import believed
from calib.geometry.wheel_model import RollSolution, adjust
from calib.geometry.wheel_path import path_figures, path_in_words
from calib.geometry.wheel_priors import pierce_points
from calib.geometry.wheel_result import Gain, adjusted_poses, unknowns
from calib.geometry.wheel_slip import check_rolling, check_slip
from calib.geometry.wheel_start import start
from calib.geometry.wheel_state import RollState
from vision.errors import MeasurementError
from vision.frames import Array, Estimate, Pose, exp_so3, log_so3, skew
from vision.poses import PoseSet

__all__ = ["REST", "Mode", "MotionPrior", "RollLimits", "StandOff", "WheelFit", "WheelSpec", "apply_standoffs", "fit_wheels"]

RADIUS_GRID_MM = np.arange(200.0, 480.0, 1.0)
USUAL_STANDOFF_MM, TYRE_MIDDLE_MM = 60.0, 90.0
"""Board plane to flange plane where nobody typed it, and flange plane to the middle of the tyre: half of a usual rim."""
ROLLS_MM = 100.0
PIVOT_ROUNDS, PIVOT_STAYS_MM = 5, 0.01
"""Until the steering carries the front boards by less than this from what the last pivots made of it."""


@dataclass(frozen=True, slots=True, eq=False)
class WheelFit:
    """Spin axes and what the fit showed beside them.

    Attributes
    ----------
    poses : PoseSet
        Same frame as the network: every body the fit did not use, boards on wheels and body at `rest`, and "axle:rear_left" …
        (origin where the spin axis pierces the printed plane, z outboard, x level and forward). Sources "car motion",
        "centring", "board mounting", "springs" added as they arise. The covariance is multiplied by max(1, σ̂₀²).
    rolling : Estimate
        "roll:rear_left@roll-1_rad" (positive forward, from `rest`), "radius:rear_left_mm" (rolled only), "steer@roll-1_rad"
        (left +), and the car's "travel@roll-1_mm", "side@…_mm", "heave@…_mm", "roll@…_rad", "pitch@…_rad", "yaw@…_rad" from
        `rest`, along and about forward, left, up of `rest`; "travel_to_thrust_rad" (rolled far enough): the way of the rear
        axle's middle against the thrust direction, + to the left. Joint; empty in static mode.
    chi2 : float
    redundancy : int
    mode : Mode
    remarks : tuple of str
        Wheels left out and why, holders that do not do what is said of them, a way that is not the thrust line's.
    """

    poses: PoseSet
    rolling: Estimate
    chi2: float
    redundancy: int
    mode: Mode = Mode.ROLLED
    remarks: tuple[str, ...] = ()

    @property
    def sigma0(self) -> float:
        """σ̂₀: 1 when the boards fit the model as well as their covariance says."""
        return math.sqrt(self.chi2 / self.redundancy) if self.redundancy > 0 else 1.0


@dataclass(frozen=True, slots=True, eq=False)
class _Rolling:
    """Travel at the wheel and roll angle of each sighting, forward positive, with Jacobians by the unknowns."""

    travel_mm: Array
    roll_rad: Array
    travel_jac: Array
    roll_jac: Array


def fit_wheels(
    poses: PoseSet,
    wheels: Mapping[str, WheelSpec],
    epochs: Sequence[str],
    motion: MotionPrior,
    *,
    standoffs: Mapping[str, StandOff] | None = None,
    limits: RollLimits | None = None,
    mode: Mode = Mode.ROLLED,
    body_boards: Sequence[str] = (),
) -> WheelFit:
    """Fit all epochs of all wheels together.

    Parameters
    ----------
    poses : PoseSet
        `survey_from_board`; boards on wheels and body are named "<board>@<epoch>"; "floor" must be there (`floor_plane`).
    wheels : mapping of "rear_left" … to WheelSpec
        Both rear wheels at least.
    epochs : sequence of str
        In the order in which the car stood there; "rest" comes last. A wheel need not be seen in all of them.
    motion : MotionPrior
    standoffs : mapping of wheel to StandOff, optional
        Tell where the tyres roll and about where the front wheels steer; a usual one stands in where it is unknown. Never moves
        an axle frame: `apply_standoffs` does.
    limits : RollLimits, optional
    mode : Mode
        Static: only `rest` counts, and every wheel's spec must say how square and central its board sits.
    body_boards : sequence of str
        Boards on the car's body; those not seen in `rest` do not count.

    Raises
    ------
    MeasurementError
        Too few epochs, no `rest`, too little turn, boards on the wrong wheels, a board that slipped, skidding, steering beyond
        1°. A front wheel that cannot be had is left out and told.
    """
    limits, standoffs = limits or RollLimits(), standoffs or {}
    wheels, remarks = _seen_enough(poses, wheels, epochs, mode)
    gathered = gather(poses, wheels, epochs, motion, mode, body_boards)
    state = start(gathered.data)
    data = gathered.data
    faces = dict(zip(data.wheels, -state.mount_rotation[: len(data.wheels), :, 2], strict=True))
    check_layout(wheels, faces, dict(zip(data.wheels, state.mount_origin[: len(data.wheels)], strict=True)), data.up)
    solution = _adjusted(gathered, state, standoffs, mode)
    solution, told = believed(solution, wheels) if mode is not Mode.STATIC else (solution, [])
    gathered = replace(gathered, data=solution.data)
    inboard = _standoffs_mm(data.wheels, standoffs) + TYRE_MIDDLE_MM
    rolling = _rolling(solution, inboard)
    short = _check_turning(solution, rolling, limits, mode)
    if short:
        fewer = {wheel: spec for wheel, spec in wheels.items() if wheel not in short}
        fit = fit_wheels(poses, fewer, epochs, motion, standoffs=standoffs, limits=limits, mode=mode, body_boards=body_boards)
        return replace(fit, remarks=(*remarks, *map(_left_out, short, short.values()), *fit.remarks))
    redundancy = solution.redundancy
    check_slip(solution, redundancy, wheels)
    gain = Gain.of(solution)
    inner = unknowns(solution, gain, gathered, poses)
    if mode is Mode.ROLLED:
        _check_rolling(solution, wheels, rolling, inner)
    _check_steering(solution, inner)

    factor = max(1.0, solution.chi2 / redundancy) if redundancy > 0 else 1.0
    result = adjusted_poses(solution, gain, gathered, poses)
    result = PoseSet(result.poses, result.cov * factor, {source: part * factor for source, part in result.parts.items()})
    inner = Estimate(inner.names, inner.value, inner.cov * factor, {s: part * factor for s, part in inner.parts.items()})
    report = _report(solution, rolling, inner, mode, inboard - TYRE_MIDDLE_MM)
    remarks = (*remarks, *told, *path_in_words(report))
    return WheelFit(result, report, solution.chi2, redundancy, mode, remarks)


def _seen_enough(
    poses: PoseSet, wheels: Mapping[str, WheelSpec], epochs: Sequence[str], mode: Mode
) -> tuple[dict[str, WheelSpec], tuple[str, ...]]:
    """The wheels without front ones seen too rarely, and why; what the rear ones lack stops the fit later."""
    kept, out = dict(wheels), []
    for wheel in FRONT:
        if wheel not in wheels or REST not in epochs or (len(set(epochs)) < 2 and mode is not Mode.STATIC):
            continue
        board = wheels[wheel].board
        seen = [epoch for epoch in epochs if f"{board}@{epoch}" in poses]
        if reason := too_rarely_seen(wheel, board, seen, mode):
            del kept[wheel]
            out.append(_left_out(wheel, reason))
    return kept, tuple(out)


def _left_out(wheel: str, reason: MeasurementError) -> str:
    return f"without the {wheel.replace('_', ' ')} wheel: {reason.what}; {reason.hint}"


def _check_turning(solution: RollSolution, rolling: _Rolling, limits: RollLimits, mode: Mode) -> dict[str, MeasurementError]:
    """Refuse wheels that did not turn as the mode says; front ones that turned too little, with the reason.

    Raises
    ------
    MeasurementError
    """
    if mode is Mode.STATIC:
        return {}
    data = solution.data
    rolls = _by_wheel(solution, rolling.roll_rad)
    if mode is Mode.ROLLED:
        check_skid(data.wheels, _by_wheel(solution, rolling.travel_mm), rolls)
    else:
        check_on_lift(solution)
    return too_little_turned(solution, rolls, limits, mode)


def apply_standoffs(poses: PoseSet, standoffs: Mapping[str, StandOff], common_pm_mm: float = 0.0) -> PoseSet:
    """Move the origins of the named wheels' axle frames inboard, to the wheel reference points.

    Parameters
    ----------
    common_pm_mm : float
        Half-width (k = 2) of an error all stand-offs share (equal holders): it cancels in the centreline, not in the track.
    """
    rows = {wheel: poses.rows([axle_body(wheel)]) for wheel in standoffs}
    moved, part, common = list(poses.poses), np.zeros_like(poses.cov), np.zeros(len(poses.cov))
    for wheel, standoff in standoffs.items():
        i = poses.position(axle_body(wheel))
        axis = moved[i].rotation[:, 2]
        origin = moved[i].translation_mm - standoff.standoff_mm * axis
        moved[i] = Pose.from_rt(poses.target, moved[i].source, moved[i].rotation, origin)
        inboard = np.zeros(len(poses.cov))
        inboard[rows[wheel][3:]] = -axis
        part += np.outer(inboard, inboard) * (standoff.standoff_pm_mm / 2.0) ** 2
        common += inboard * common_pm_mm / 2.0
    part += np.outer(common, common)
    # A left perturbation moves the whole body: it is the same for the shifted origin, so the rest of the covariance stays.
    parts = dict(poses.parts or {"poses": poses.cov})
    parts["stand-off"] = parts.get("stand-off", 0.0) + part
    return PoseSet(tuple(moved), poses.cov + part, parts)


def _adjusted(gathered: Gathered, state: RollState, standoffs: Mapping[str, StandOff], mode: Mode) -> RollSolution:
    """Adjust, put the front wheels' steering axes where the wheels turned out to be, and again until they stay."""
    solution = adjust(replace(gathered.data, pivot=state.point, pivot_along=state.axis), state)
    offset = _standoffs_mm(gathered.data.wheels, standoffs) + TYRE_MIDDLE_MM
    for _ in range(PIVOT_ROUNDS):
        pivot = pierce_points(solution.state, solution.columns)[0] - offset[:, None] * solution.state.axis
        change = float(np.abs(pivot - solution.data.pivot).max() * np.abs(solution.state.steer).max())
        data = replace(solution.data, pivot=pivot, pivot_along=solution.state.axis)
        solution = adjust(data, replace(solution.state, pivot_shift_mm=0.0))
        if change < PIVOT_STAYS_MM:
            break
    if mode is not Mode.ROLLED:
        return solution
    unwrapped = _unwrapped(solution, offset)
    return replace(solution, state=replace(solution.state, turn=unwrapped))


def _standoffs_mm(names: Sequence[str], standoffs: Mapping[str, StandOff]) -> Array:
    """Only for where tyres roll and kingpins stand, which some tens of millimetres do not change much."""
    return np.array([standoffs[wheel].standoff_mm if wheel in standoffs else USUAL_STANDOFF_MM for wheel in names])


def _unwrapped(solution: RollSolution, inboard_mm: Array) -> Array:
    """Roll angles with the whole turns that the travel shows, for the radius that fits all epochs of the wheel best."""
    data = solution.data
    turn = solution.state.turn.copy()
    travel, side = _travel(solution, inboard_mm)[0], _sides(solution)
    for w in range(len(data.wheels)):
        mine = np.flatnonzero(data.wheel == w)
        gap = travel[mine] / RADIUS_GRID_MM[:, None] - side[mine] * turn[mine]
        whole = np.round(gap / (2 * math.pi))
        misfit = np.abs((gap - 2 * math.pi * whole) * RADIUS_GRID_MM[:, None]).max(axis=1)
        best = int(np.argmin(misfit))
        # A wheel that does not roll fits no radius: its turns stay as they were seen.
        if misfit[best] < ROLLS_MM:
            turn[mine] += side[mine] * 2 * math.pi * whole[best]
    return turn


def _sides(solution: RollSolution) -> Array:
    """+1 for left wheels, −1 for right ones, per sighting: a wheel rolling forward turns positive about +y (body: ±)."""
    return np.array([1.0 if solution.data.wheels[w].endswith("left") else -1.0 for w in solution.data.wheel])


def _axes(solution: RollSolution) -> Array:
    """Forward, left, up at `rest` as rows; forward square to the rear spin axes."""
    axis, up = dict(zip(solution.data.wheels, solution.state.axis, strict=True)), solution.state.up
    forward = np.cross(axis["rear_left"] - axis["rear_right"], up)
    forward /= np.linalg.norm(forward)
    return np.array([forward, np.cross(up, forward), up])


def _travel(solution: RollSolution, inboard_mm: Array) -> tuple[Array, Array]:
    """Way of each wheel from `rest`, mm, forward positive, (n,), and its Jacobian: measured half-way between both headings.

    The way is that of a point on the spin axis, `inboard_mm` (W,) from the board plane: in a bend the outer wheel goes further.
    """
    data, state = solution.data, solution.state
    points, by = pierce_points(state, solution.columns)
    forward = _axes(solution)[0]
    value, jac = np.zeros(len(data.wheel)), np.zeros((len(data.wheel), solution.columns.size))
    for i in data.moved:
        w, k = data.wheel[i], data.epoch[i]
        car, arm = state.car_rotation[k], points[w] - inboard_mm[w] * state.axis[w] - data.centre
        ahead = exp_so3(log_so3(car) / 2.0) @ forward
        value[i] = ahead @ (state.car_shift[k] + car @ arm - arm)
        at = solution.columns.motion + 6 * k
        jac[i, at : at + 3] = ahead @ -skew(car @ arm)
        jac[i, at + 3 : at + 6] = ahead
        jac[i] += ahead @ (car - np.eye(3)) @ by[w]
    return value, jac


def _rolling(solution: RollSolution, inboard_mm: Array) -> _Rolling:
    data = solution.data
    travel, travel_jac = _travel(solution, inboard_mm)
    side = _sides(solution)
    roll_jac = np.zeros_like(travel_jac)
    moved = data.moved
    roll_jac[moved, solution.columns.turn + np.arange(len(moved))] = side[moved]
    return _Rolling(travel, side * solution.state.turn, travel_jac, roll_jac)


def _by_wheel(solution: RollSolution, values: Array) -> dict[str, Array]:
    data = solution.data
    return {wheel: values[data.wheel == w] for w, wheel in enumerate(data.wheels)}


def _radii(solution: RollSolution, rolling: _Rolling) -> tuple[Array, Array]:
    """Rolling radii, mm, shape (W,), with their Jacobian: travel over roll angle, least squares through `rest`."""
    value, jac = [], []
    for w in range(len(solution.data.wheels)):
        mine = solution.data.wheel == w
        s, a = rolling.travel_mm[mine], rolling.roll_rad[mine]
        radius = float(s @ a / (a @ a))
        value.append(radius)
        jac.append((a @ rolling.travel_jac[mine] + (s - 2 * radius * a) @ rolling.roll_jac[mine]) / (a @ a))
    return np.array(value), np.array(jac)


def _check_rolling(solution: RollSolution, wheels: Mapping[str, WheelSpec], rolling: _Rolling, inner: Estimate) -> None:
    radius = _radii(solution, rolling)[0][solution.data.wheel]
    gap = rolling.travel_jac - radius[:, None] * rolling.roll_jac
    sigma = np.sqrt(np.einsum("ij,jk,ik->i", gap, inner.cov, gap))
    yaw = (log_so3(solution.state.car_rotation) @ solution.state.up)[solution.data.epoch]
    check_rolling(solution, wheels, rolling.travel_mm, rolling.roll_rad, yaw, sigma)


def _check_steering(solution: RollSolution, inner: Estimate) -> None:
    data, columns = solution.data, solution.columns
    u_rad = 2.0 * np.sqrt(np.diag(inner.cov)[columns.steer : columns.tilt])
    check_steering([data.epochs[k] for k in data.steered], solution.state.steer[data.steered], u_rad)


def _report(solution: RollSolution, rolling: _Rolling, inner: Estimate, mode: Mode, standoffs_mm: Array) -> Estimate:
    """Roll angles, radii, steering, car motion and the way's direction with their joint covariance."""
    data, state, columns = solution.data, solution.state, solution.columns
    if mode is Mode.STATIC:
        return inner.through((), np.zeros(0), np.zeros((0, columns.size)))
    moved = data.moved
    names = [f"roll:{data.wheels[data.wheel[i]]}@{data.epochs[data.epoch[i]]}_rad" for i in moved]
    value, jac = [rolling.roll_rad[moved]], [rolling.roll_jac[moved]]
    if mode is Mode.ROLLED:
        radius, radius_jac = _radii(solution, rolling)
        path, path_value, path_jac = path_figures(solution, standoffs_mm)
        names += [*(f"radius:{wheel}_mm" for wheel in data.wheels), *path]
        value, jac = [*value, radius, path_value], [*jac, radius_jac, path_jac]
    names += [f"steer@{data.epochs[k]}_rad" for k in data.steered]
    value, jac = [*value, state.steer[data.steered]], [*jac, np.eye(columns.size)[columns.steer : columns.tilt]]
    axes = _axes(solution)
    for k in range(data.rest):
        at = columns.motion + 6 * k
        block = np.zeros((6, columns.size))
        block[:3, at + 3 : at + 6], block[3:, at : at + 3] = axes, axes
        kinds = ("travel@{}_mm", "side@{}_mm", "heave@{}_mm", "roll@{}_rad", "pitch@{}_rad", "yaw@{}_rad")
        names += [kind.format(data.epochs[k]) for kind in kinds]
        value += [axes @ state.car_shift[k], axes @ log_so3(state.car_rotation[k])]
        jac.append(block)
    return inner.through(names, np.concatenate(value), np.vstack(jac))
