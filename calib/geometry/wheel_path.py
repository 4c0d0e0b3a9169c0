"""The way of the rear axle's middle against the thrust line: a car that rolls freely goes where its rear wheels point.

Between two epochs the way is told against the heading half-way between them, exact for a bend of one curvature.
"""

from __future__ import annotations

import math

import numpy as np

from calib.geometry.lines import REAR
from calib.geometry.wheel_model import RollSolution, moved_state
from calib.geometry.wheel_priors import pierce_points
from calib.geometry.wheel_state import RollState
from vision.frames import Array, Estimate, exp_so3, log_so3

TRAVEL = "travel_to_thrust_rad"
LEAST_WAY_MM = 300.0
"""Less says nothing: tyres and bushes give way by a millimetre or two."""
SIDE_PLAY_MM = 3.0
"""Of tyres and bushes over the whole way (common practice, no source)."""
ENOUGH_RAD = math.radians(170.0)
"""Half a turn, give or take: more makes little surer."""
MOST_YAW_RAD = math.radians(0.3)
"""A car that yaws more goes a way whose bends between the epochs nobody saw."""
STEP = 1e-5


def path_figures(solution: RollSolution, standoffs_mm: Array) -> tuple[list[str], Array, Array]:
    """Name, value (1,) and Jacobian (1, p) of the way's angle to the thrust direction, rad, + to the left; none of a short way.

    Parameters
    ----------
    standoffs_mm : ndarray, shape (W,)
        From the printed planes inboard to the reference points; matters only where the car yaws.
    """
    size = solution.columns.size
    nothing: tuple[list[str], Array, Array] = ([], np.zeros(0), np.zeros((0, size)))
    ways = _ways(solution, solution.state, standoffs_mm)
    if np.abs(ways[:, 0]).sum() < LEAST_WAY_MM:
        return nothing

    def angle(step: Array) -> float:
        return _angle(_ways(solution, moved_state(solution.data, solution.state, step), standoffs_mm))

    # The way is that of car and rear axles: no other unknown has a share.
    jac, columns = np.zeros((1, size)), solution.columns
    for i in [*range(columns.line, columns.turn), *range(columns.motion, columns.steer), *range(columns.tilt, columns.pivot)]:
        step = np.zeros(size)
        step[i] = STEP
        jac[0, i] = (angle(step) - angle(-step)) / (2.0 * STEP)
    return [TRAVEL], np.array([_angle(ways)]), jac


def path_in_words(rolling: Estimate) -> list[str]:
    """What is odd about the way, if anything; needs "travel@…", "yaw@…" and the angle in `WheelFit.rolling`."""
    if TRAVEL not in rolling.names:
        return []
    angle, u = _way(rolling)
    if abs(angle) <= u + _give(rolling):
        return []
    told, yaw = f"while rolling, {_told(angle, u)}", _spread(rolling, "yaw@")
    if yaw > MOST_YAW_RAD:
        return [f"{told}; not judged, as the car yawed by {math.degrees(yaw):.1f}° meanwhile"]
    return [
        f"{told}, although the car did not yaw: it was pushed sideways or skidded, its rear wheels steer, "
        "or the floor slopes; roll again by hand with the steering wheel straight, and see whether that stays"
    ]


def way_in_words(rolling: Estimate) -> str:
    """Which way the rear axle's middle went, and whether that matters; "" when the car was not rolled far enough."""
    if TRAVEL not in rolling.names:
        return ""
    angle, u = _way(rolling)
    give = _give(rolling)
    if abs(angle) <= u:
        return f"{_told(angle, u)}: along it, as sure as that is known"
    if abs(angle) > u + give:
        return f"{_told(angle, u)}: more than tyres and bushes give way; see the note"
    return (
        f"{_told(angle, u)}, and the car yawed by {math.degrees(_spread(rolling, 'yaw@')):.2f}°: tyres and bushes give way by "
        f"as much ({math.degrees(give):.2f}°, {SIDE_PLAY_MM:g} mm over the whole way); no figure rests on it, as toe and "
        "thrust line come from the wheels' axes"
    )


def _told(angle: float, u: float) -> str:
    size, side = abs(math.degrees(angle)), "left" if angle > 0 else "right"
    return f"the rear axle's middle went {size:.2f}° (U {math.degrees(u):.3f}°) to the {side} of the thrust line"


def _way(rolling: Estimate) -> tuple[float, float]:
    """Angle of the way to the thrust line and its U, rad."""
    return float(rolling.value[rolling.index(TRAVEL)]), 2.0 * rolling.sigma(TRAVEL)


def _give(rolling: Estimate) -> float:
    """Angle that tyres and bushes may add to the way, rad."""
    return SIDE_PLAY_MM / _spread(rolling, "travel@")


def roll_advice(rolling: Estimate) -> list[str]:
    """Says when the car was rolled by less than half a turn of its wheels; needs "roll:…", "radius:…"."""
    wheels = [wheel for wheel in REAR if f"radius:{wheel}_mm" in rolling.names]
    if not wheels:
        return []
    turned = min(_spread(rolling, f"roll:{wheel}@") for wheel in wheels)
    if turned > ENOUGH_RAD:
        return []
    radius = float(np.mean([rolling.value[rolling.index(f"radius:{wheel}_mm")] for wheel in wheels]))
    further = math.pi - turned

    def told(angle: float) -> str:
        return f"{angle / (2 * math.pi):.2f} of a wheel turn, {angle * radius / 1000.0:.2f} m"

    return [f"the car was rolled by {told(turned)}: half a turn ({told(further)} further) makes toe and axles surer"]


def _spread(rolling: Estimate, kind: str) -> float:
    """Range of the car's motion over all epochs, `rest` (nil) included."""
    values = [float(rolling.value[i]) for i, name in enumerate(rolling.names) if name.startswith(kind)]
    return float(np.ptp([0.0, *values]))


def _angle(ways: Array) -> float:
    along, left = ways.T
    return math.atan(float(along @ left) / float(along @ along))


def _ways(solution: RollSolution, state: RollState, standoffs_mm: Array) -> Array:
    """Way of R along and to the left of the heading from epoch to epoch, mm, shape (E - 1, 2)."""
    data = solution.data
    rear = [data.wheels.index(wheel) for wheel in REAR]
    points = pierce_points(state, solution.columns)[0] - standoffs_mm[:, None] * state.axis
    arm = points[rear].mean(axis=0) - data.centre
    middle = state.car_shift + state.car_rotation @ arm
    forward = _thrust(state, rear)
    out = []
    for k in range(data.rest):
        first, second = state.car_rotation[k], state.car_rotation[k + 1]
        half = exp_so3(log_so3(second @ first.T) / 2.0) @ first
        way = middle[k + 1] - middle[k]
        out.append([way @ half @ forward, way @ half @ np.cross(state.up, forward)])
    return np.array(out)


def _thrust(state: RollState, rear: list[int]) -> Array:
    """Bisector of the rear wheels' forward directions, horizontal and unit, at `rest`."""
    left, right = state.axis[rear]
    ahead = [np.cross(axis, state.up) for axis in (left, -right)]
    total = sum((a / np.linalg.norm(a) for a in ahead), np.zeros(3))
    return np.asarray(total / np.linalg.norm(total), dtype=float)
