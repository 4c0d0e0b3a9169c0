"""Refusals before a wheel fit is believed: boards on the wrong wheel, too little roll, skidding, too much steering."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.geometry.lines import FRONT, REAR
from calib.geometry.wheel_data import Mode, WheelSpec, wheel_words
from calib.geometry.wheel_model import RollSolution, adjust, linearise
from calib.geometry.wheel_state import RollState
from vision.errors import MeasurementError
from vision.frames import Array

MOST_STEER_RAD = math.radians(1.0)
SIDE_BY_SIDE = math.cos(math.radians(35.0))
"""Crooked boards, seen from their corners, make up to 20°; wheels of different axles or of one side stand at 60° and 90°."""
RADIUS_MM = (150.0, 600.0)
"""Rolling radii of anything called a car's wheel."""
SLACK_MM = 30.0
LIFT_SIGMAS, LIFT_MM = 5.0, 3.0
"""A car on a lift that was farther from `rest` than both did not stay."""
USUAL_RADIUS_MM = 320.0
MOST_TURN_RAD = math.radians(270.0)


@dataclass(frozen=True, slots=True)
class RollLimits:
    """Largest expanded uncertainties (k = 2) with which a wheel fit is still of use; beyond them: roll further.

    The defaults are what a placement tolerance of some tenths of a degree and ±10 mm can bear.
    """

    rear_toe_u_rad: float = math.radians(0.2)
    front_toe_u_rad: float = math.radians(0.4)
    axle_u_mm: float = 20.0


def check_layout(wheels: Mapping[str, WheelSpec], axis: Mapping[str, Array], at: Mapping[str, Array], up: Array) -> None:
    """Refuse wheel boards that hang on another wheel than the job says.

    Parameters
    ----------
    axis, at : mapping of wheel to ndarray of shape (3,)
        Where the printed face looks, and where the board hangs, mm: rough is enough.

    Raises
    ------
    MeasurementError
        A rectangle of wheels cannot show that left and front are *both* exchanged: such a car only looks the other way.
    """
    for left, right in (REAR, FRONT):
        if left in axis and right in axis:
            _check_pair(wheels, axis, at, left, right)
    if not all(wheel in at for wheel in REAR + FRONT):
        return
    flat = {wheel: point - up * (point @ up) for wheel, point in at.items()}
    rl, rr, fl, fr = (flat[wheel] for wheel in REAR + FRONT)
    if _cross(rl, fl, rr, fr, up):
        _refuse_layout(wheels, "left and right are exchanged on one axle (front or rear)")
    if _cross(rl, rr, fl, fr, up):
        _refuse_layout(wheels, "front and rear are exchanged on one side of the car")
    if float(np.cross(fr - rl, fl - rr) @ up) < 0:
        _refuse_layout(wheels, "left and right, or front and rear, are exchanged on both axles")


def _check_pair(
    wheels: Mapping[str, WheelSpec], axis: Mapping[str, Array], at: Mapping[str, Array], left: str, right: str
) -> None:
    if axis[left] @ axis[right] > 0:
        raise MeasurementError(
            f"the boards of the {wheel_words(left)} and the {wheel_words(right)} wheel ({wheels[left].board}, "
            f"{wheels[right].board}) face the same side of the car: one hangs on another wheel than the job says",
            hint="check which board is on which wheel (left is the driver's left); printed faces look away from the car",
        )
    gap = at[left] - at[right]
    gap = gap / np.linalg.norm(gap)
    for wheel, outboard in ((left, gap), (right, -gap)):
        if axis[wheel] @ outboard < 0:
            raise MeasurementError(
                f"the board of the {wheel_words(wheel)} wheel ({wheels[wheel].board}) faces the car's other side",
                hint="check which board is on which wheel in job.toml; its printed face must look away from the car",
            )
    if min(axis[left] @ gap, -axis[right] @ gap) < SIDE_BY_SIDE:
        raise MeasurementError(
            f"the {wheel_words(left)} and the {wheel_words(right)} wheel do not stand opposite each other: boards "
            f"{wheels[left].board} and {wheels[right].board} hang on other wheels than the job says",
            hint="check which board is on which wheel in job.toml; left is the driver's left looking forward",
        )


def _refuse_layout(wheels: Mapping[str, WheelSpec], what: str) -> None:
    boards = ", ".join(f"{wheel_words(wheel)} = {spec.board}" for wheel, spec in wheels.items())
    raise MeasurementError(
        f"the wheel boards do not hang as the job says ({boards}): {what}",
        hint="check which board is on which wheel in job.toml; left is the driver's left looking forward",
    )


def _cross(a: Array, b: Array, c: Array, d: Array, up: Array) -> bool:
    """Whether the segments a-b and c-d cross, seen from above."""

    def side(p: Array, q: Array, r: Array) -> float:
        return float(np.cross(q - p, r - p) @ up)

    return side(a, b, c) * side(a, b, d) < 0 and side(c, d, a) * side(c, d, b) < 0


def check_skid(wheels: Sequence[str], travel_mm: Mapping[str, Array], roll_rad: Mapping[str, Array]) -> None:
    """Refuse a wheel that moved without turning, or turned without moving (grossly; `wheel_slip` looks closer).

    Raises
    ------
    MeasurementError
    """
    for wheel in wheels:
        travel, roll = float(np.ptp(travel_mm[wheel])), float(np.ptp(roll_rad[wheel]))
        told = f"the {wheel_words(wheel)} wheel turned {math.degrees(roll):.0f}° while the car moved {travel:.0f} mm"
        if travel > RADIUS_MM[1] * roll + SLACK_MM:
            raise MeasurementError(f"{told}: it skidded", hint="release the brakes, roll by hand, photograph all epochs again")
        if travel < RADIUS_MM[0] * roll - SLACK_MM:
            raise MeasurementError(
                f"{told}: it turned without rolling",
                hint="roll the car on the floor and photograph all epochs again; if the wheels were turned by hand on a lift, "
                'say mode = "spin" under [wheels] in job.toml',
            )


def check_on_lift(solution: RollSolution) -> None:
    """Refuse a car that moved although its wheels are said to be turned by hand on a lift.

    Raises
    ------
    MeasurementError
    """
    data = solution.data
    sigma = 1.0 / data.still_whiten[0, 0]
    if _way_mm(solution) <= max(LIFT_SIGMAS * sigma, LIFT_MM):
        return
    # What is known beforehand holds the car back; without it the way itself shows.
    free = np.zeros((0, data.rest))
    way = _way_mm(adjust(replace(data, still_whiten=free, yaw_whiten=free), solution.state))
    raise MeasurementError(
        f"the car moved {way:.0f} mm between the epochs, but job.toml says that it stays and its wheels are turned by hand "
        f'(mode = "spin", lift_pm_mm = {2.0 * sigma:g})',
        hint="strike mode out under [wheels] if the car was rolled; else see that it hangs still in every epoch, and "
        "photograph all epochs again",
    )


def _way_mm(solution: RollSolution) -> float:
    """Farthest the car stood from `rest`, seen from above."""
    return float(np.linalg.norm(solution.state.car_shift @ solution.data.level.T, axis=1).max())


def check_steering(epochs: Sequence[str], steer_rad: Array, u_rad: Array) -> None:
    """Refuse steering by more than 1° beyond its own expanded uncertainty.

    Raises
    ------
    MeasurementError
    """
    if not len(steer_rad):
        return
    sure = np.abs(steer_rad) - u_rad
    worst = int(np.argmax(sure))
    if sure[worst] > MOST_STEER_RAD:
        raise MeasurementError(
            f"the front wheels are steered by {math.degrees(steer_rad[worst]):+.1f}° in {epochs[worst]} against rest "
            f"(allowed: {math.degrees(MOST_STEER_RAD):.0f}°)",
            hint="lock the steering wheel straight ahead, roll the car and photograph all epochs again",
        )


def too_little_turned(
    solution: RollSolution, roll_rad: Mapping[str, Array], limits: RollLimits, mode: Mode = Mode.ROLLED
) -> dict[str, MeasurementError]:
    """Front wheels that the fit's own covariance says turned too little, each with the reason and how much further to turn.

    Raises
    ------
    MeasurementError
        The same of a rear wheel: without it there is no thrust line.
    """
    over = _excess(solution, limits).max(axis=1)
    order = np.argsort(-over)
    short = {solution.data.wheels[w]: _too_little(solution, int(w), roll_rad, limits, mode) for w in order if over[w] > 1.0}
    for wheel, reason in short.items():
        if wheel in REAR:
            raise reason
    return short


def _too_little(
    solution: RollSolution, w: int, roll_rad: Mapping[str, Array], limits: RollLimits, mode: Mode
) -> MeasurementError:
    wheel = solution.data.wheels[w]
    toe_u, axle_u = (2.0 * line_sigmas(solution)[w]).tolist()
    turned = float(np.ptp(roll_rad[wheel]))
    toe_words = f"±{math.degrees(toe_u):.2f}°" if toe_u < math.radians(10.0) else "beyond ±10°"
    axle_words = f"±{axle_u:.0f} mm" if axle_u < 1000.0 else "beyond ±1 m"
    further = _further_rad(solution, [turned] if mode is Mode.SPIN else [float(np.ptp(r)) for r in roll_rad.values()], limits)
    part = f"{further / (2 * math.pi):.2f} of a wheel turn"
    hint = f"roll the car about {further * USUAL_RADIUS_MM / 1000.0:.1f} m further ({part})"
    if mode is Mode.SPIN:
        hint = f"turn the {wheel_words(wheel)} wheel about {part} further by hand"
    return MeasurementError(
        f"the {wheel_words(wheel)} wheel turned only {math.degrees(turned):.0f}° over all epochs: its toe would be known to "
        f"{toe_words}, its axle's place along the car to {axle_words} (U, k = 2)",
        hint=f"{hint}, in two steps, and photograph an epoch after each; a quarter turn between epochs is best",
    )


def line_sigmas(solution: RollSolution) -> Array:
    """σ of each spin axis's yaw (rad) and place along the car (mm), shape (W, 2); huge where the data show neither."""
    scale = np.linalg.norm(solution.design, axis=0)
    values, vectors = np.linalg.eigh((solution.design / scale).T @ (solution.design / scale))
    spread = vectors / np.sqrt(np.maximum(values, 1e-14)) / scale[:, None]
    sigma = np.sqrt((spread**2).sum(axis=1))
    lines = sigma[solution.columns.line : solution.columns.turn].reshape(-1, 4)
    return np.asarray(lines[:, [1, 2]], dtype=float)


def _excess(solution: RollSolution, limits: RollLimits) -> Array:
    """U over its limit for toe and axle place, shape (W, 2)."""
    toe = np.where(solution.data.front, limits.front_toe_u_rad, limits.rear_toe_u_rad)
    most = np.column_stack([toe, np.full(len(toe), limits.axle_u_mm)])
    return np.asarray(2.0 * line_sigmas(solution) / most, dtype=float)


def _further_rad(solution: RollSolution, spans_rad: Sequence[float], limits: RollLimits) -> float:
    """Turn to add so that the same boards and epochs, spread wider, would satisfy the limits."""
    span = max(float(np.median(spans_rad)), math.radians(0.5))
    wanted = MOST_TURN_RAD
    for turned in np.arange(math.radians(15.0), MOST_TURN_RAD, math.radians(15.0)):
        if turned > span and _excess(_spread(solution, turned / span), limits).max() <= 1.0:
            wanted = float(turned)
            break
    return max(wanted - span, math.radians(30.0))


def _spread(solution: RollSolution, factor: float) -> RollSolution:
    state: RollState = solution.state
    wider = replace(state, turn=state.turn * factor, car_shift=state.car_shift * factor)
    return linearise(solution.data, wider)
