"""Did a wheel board move on its wheel between two epochs? A test per wheel and break, and what the rolling radius says.

A slip shows as a large drop of chi-square once the board may be mounted anew after the break. A slip about the spin axis itself
is invisible to that: it only shows in the travel per roll angle.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtrc, fdtrc

from calib.geometry.wheel_data import WheelSpec, wheel_words
from calib.geometry.wheel_model import RollSolution, adjust, remounted
from vision.errors import MeasurementError
from vision.frames import Array, log_so3

FALSE_ALARM = 1e-3
"""Chance that a sound set of epochs is refused, all wheels and breaks together (Bonferroni)."""
LEAST_SHIFT_MM, LEAST_TILT_RAD = 0.5, math.radians(0.05)
"""Slips below both are left to the misfit factor: smaller than what flatness and floor do."""
TRAVEL_MM, TRAVEL_SHARE = 3.0, 0.01
"""How far travel and roll angle may disagree between two epochs: tyres, not boards."""
TYRE_MM = 50.0
COUNTED_SIGMAS = 3.0
MISFIT = 3.0
"""σ̂₀ above which the epochs are not the same car on the same floor."""
REFIT, SETTLED = 4, 1e-4
AS_WELL = 11.0
"""A slip that lowers chi-square by this much less (one in a thousand, one degree of freedom) may as well be the true one."""


@dataclass(frozen=True, slots=True)
class Slip:
    """A candidate slip: mounting, epochs on both sides of the break, drop of chi-square and its chance without a slip.

    `mount` counts the wheels first, then the boards on the body. `freed` counts the degrees of freedom the new mounting takes:
    5, or fewer where few epochs are left.
    """

    mount: int
    after: int
    before: int
    freed: int
    drop: float
    chance: float
    shift_mm: float
    tilt_rad: float


def check_slip(solution: RollSolution, redundancy: int, wheels: Mapping[str, WheelSpec]) -> None:
    """Refuse boards that moved on their wheels, and epochs that do not fit together at all.

    Raises
    ------
    MeasurementError
    """
    found = likely_slips(solution, redundancy)
    if found:
        board = "board" if len({slip.mount for slip in found}) == 1 else "boards"
        fasten = " and ".join(dict.fromkeys(_carrier(solution, slip.mount) for slip in found))
        raise MeasurementError(
            " or ".join(_slip_words(solution, wheels, slip) for slip in found),
            hint=f"fasten the {fasten} {board}, then roll and photograph all epochs again",
        )
    if redundancy > 0 and math.sqrt(solution.chi2 / redundancy) > MISFIT:
        wheel, epoch = _worst(solution)
        raise MeasurementError(
            f"the epochs do not fit a car rolling on this floor (σ̂₀ = {math.sqrt(solution.chi2 / redundancy):.1f}); "
            f"worst: {wheel} in {epoch}",
            hint="look for a board that was touched, a photo filed under the wrong epoch, or a floor rougher than floor_pm_mm",
        )


def likely_slips(solution: RollSolution, dof: int) -> list[Slip]:
    """The significant slip that explains most, and those that explain it as well; empty when no board moved."""
    breaks = _breaks(solution)
    if not breaks or dof <= 0:
        return []
    scale = np.linalg.norm(solution.design, axis=0)
    q, _ = np.linalg.qr(solution.design / scale)
    tried = [_linear(solution, q, dof, *item) for item in breaks]
    # Large slips bend the fit: what is likely is fitted anew before it is judged.
    likely = sorted(tried, key=lambda slip: -slip.drop)[:REFIT]
    if min(slip.chance for slip in likely) * len(breaks) > FALSE_ALARM and solution.chi2 < 4.0 * dof:
        return []
    if solution.chi2 > 4.0 * dof:
        likely = tried
    refitted = [_refitted(solution, dof, slip) for slip in likely]
    best = max(refitted, key=lambda slip: slip.drop)
    sure = best.chance * len(breaks) < FALSE_ALARM
    large = best.shift_mm > LEAST_SHIFT_MM or best.tilt_rad > LEAST_TILT_RAD
    if not (sure and large):
        return []
    return sorted((slip for slip in refitted if slip.drop > best.drop - AS_WELL), key=lambda slip: -slip.drop)


def _carrier(solution: RollSolution, mount: int) -> str:
    """The wheel a board hangs on, or the name of a board on the body."""
    data = solution.data
    return wheel_words(data.wheels[mount]) if mount < len(data.wheels) else data.body[mount - len(data.wheels)]


def _slip_words(solution: RollSolution, wheels: Mapping[str, WheelSpec], slip: Slip) -> str:
    data = solution.data
    told = (
        f"between {data.epochs[slip.after]} and {data.epochs[slip.before]}, by {slip.shift_mm:.1f} mm and "
        f"{math.degrees(slip.tilt_rad):.2f}°"
    )
    if slip.mount >= len(data.wheels):
        return f"board {_carrier(solution, slip.mount)} moved on the car's body, or the body on its wheels, {told}"
    wheel = data.wheels[slip.mount]
    return f"the board of the {wheel_words(wheel)} wheel ({wheels[wheel].board}) slipped on its wheel {told}"


def check_rolling(
    solution: RollSolution,
    wheels: Mapping[str, WheelSpec],
    travel_mm: Array,
    roll_rad: Array,
    yaw_rad: Array,
    sigma_mm: Array,
) -> None:
    """Refuse when travel and roll angle of a wheel disagree from one interval to the other.

    Parameters
    ----------
    travel_mm, roll_rad : ndarray, shape (n,)
        Of each sighting from `rest`, forward positive; 0 at `rest`.
    yaw_rad : ndarray, shape (n,)
        Of the car from `rest`.
    sigma_mm : ndarray, shape (n,)
        σ of travel minus rolled length.

    Raises
    ------
    MeasurementError
    """
    data = solution.data
    suspects: list[tuple[float, int, int, int, float]] = []
    for w in range(len(data.wheels)):
        mine = np.flatnonzero(data.wheel == w)
        travel, roll = np.diff(travel_mm[mine]), np.diff(roll_rad[mine])
        # In a bend the travel depends on where across its width the tyre is thought to roll.
        bend = TYRE_MM * np.abs(np.diff(yaw_rad[mine]))
        sigma = np.hypot(sigma_mm[mine][1:], sigma_mm[mine][:-1])
        for i in range(len(travel)):
            rest_of = np.arange(len(travel)) != i
            weight = float(roll[rest_of] @ roll[rest_of])
            if weight < 1e-4:
                continue
            radius = float(travel[rest_of] @ roll[rest_of]) / weight
            gap = float(travel[i] - radius * roll[i])
            # The radius from the other intervals is used beyond them: its own error grows with the lever.
            lever = math.hypot(1.0, roll[i] / math.sqrt(weight))
            allowed = (TRAVEL_MM + COUNTED_SIGMAS * float(sigma[i]) + float(bend[i])) * lever + TRAVEL_SHARE * abs(
                float(travel[i])
            )
            if abs(gap) > allowed:
                suspects.append((abs(gap) / allowed, w, int(data.epoch[mine[i]]), int(data.epoch[mine[i + 1]]), gap))
    if suspects:
        _refuse_rolling(solution, wheels, suspects)


def _refuse_rolling(
    solution: RollSolution, wheels: Mapping[str, WheelSpec], suspects: list[tuple[float, int, int, int, float]]
) -> None:
    names, epochs = solution.data.wheels, solution.data.epochs
    _, w, after, before, gap = max(suspects)
    between = f"between {epochs[after]} and {epochs[before]}"
    alike = {item[1] for item in suspects if item[2:4] == (after, before)}
    if len(alike) == len(names) > 1:
        raise MeasurementError(
            f"{between} the wheels turned without rolling, or the car slid: travel and roll angle differ by {abs(gap):.0f} mm "
            "on every wheel",
            hint="roll the car by hand without braking or steering, and photograph all epochs again",
        )
    raise MeasurementError(
        f"{between} the roll angle of the {wheel_words(names[w])} wheel and the car's travel disagree by {abs(gap):.0f} mm: "
        f"its board ({wheels[names[w]].board}) slipped round the spin axis, or the wheel skidded"
        + (" (with one other interval only, it may as well have been there)" if _intervals(solution, w) == 2 else ""),
        hint=f"fasten the {wheel_words(names[w])} board, then roll without braking and photograph all epochs again",
    )


def _intervals(solution: RollSolution, wheel: int) -> int:
    return int((solution.data.wheel == wheel).sum()) - 1


def _breaks(solution: RollSolution) -> list[tuple[int, int, int]]:
    """(mounting, epoch after which, epoch before which) of all breaks between sightings of a board."""
    data = solution.data
    out = []
    for mount in range(len(data.wheels) + len(data.body)):
        seen = sorted(int(k) for k in data.epoch[data.mount == mount])
        out += [(mount, after, before) for after, before in zip(seen[:-1], seen[1:], strict=True)]
    return out


def _linear(solution: RollSolution, q: Array, dof: int, mount: int, after: int, before: int) -> Slip:
    """Drop of chi-square by a new mounting, to first order."""
    data = solution.data
    early = np.flatnonzero((data.mount == mount) & (data.epoch <= after))
    rows = (6 * early[:, None] + np.arange(6)).ravel()
    columns = slice(6 * mount, 6 * mount + 6)
    extra = np.zeros((len(solution.white), 6))
    extra[: len(solution.residual)] = data.whiten[:, rows] @ solution.jacobian[rows, columns]
    extra -= q @ (q.T @ extra)
    size = np.linalg.norm(extra, axis=0)
    size = np.where(size > 0, size, 1.0)
    basis, values, right = np.linalg.svd(extra / size, full_matrices=False)
    free = values > 1e-5
    along = basis[:, free].T @ solution.white
    step = -(right[free].T @ (along / values[free])) / size
    drop = float(along @ along)
    shift_mm, tilt_rad = _without_spin(solution, mount, step[:3], step[3:])
    freed = int(free.sum())
    return Slip(mount, after, before, freed, drop, _chance(drop, freed, solution.chi2, dof), shift_mm, tilt_rad)


def _refitted(solution: RollSolution, dof: int, slip: Slip) -> Slip:
    """The same slip with the whole problem adjusted anew."""
    data, state = remounted(solution.data, solution.state, slip.mount, slip.after)
    fit = adjust(data, state, SETTLED)
    drop = solution.chi2 - fit.chi2
    old, new = fit.state.mount_rotation[slip.mount], fit.state.mount_rotation[-1]
    turn = log_so3(new @ old.T)
    shift = fit.state.mount_origin[-1] - fit.state.mount_origin[slip.mount]
    shift_mm, tilt_rad = _without_spin(fit, slip.mount, turn, shift)
    chance = _chance(drop, slip.freed, solution.chi2, dof)
    return replace(slip, drop=drop, chance=chance, shift_mm=shift_mm, tilt_rad=tilt_rad)


def _without_spin(solution: RollSolution, wheel: int, turn: Array, shift: Array) -> tuple[float, float]:
    """Shift and tilt of a new mounting; on a wheel less the turn about the spin axis, which no chi-square can see."""
    state = solution.state
    if wheel >= len(state.axis):
        return float(np.linalg.norm(shift)), float(np.linalg.norm(turn))
    axis, arm = state.axis[wheel], state.mount_origin[wheel] - state.point[wheel]
    about = float(turn @ axis)
    left = shift - about * np.cross(axis, arm)
    return float(np.linalg.norm(left)), float(np.linalg.norm(turn - about * axis))


def _chance(drop: float, extra: int, chi2: float, dof: int) -> float:
    """Probability of such a drop by chance: chi-square, or F when the fit is worse than its covariance says."""
    left = dof - extra
    if extra <= 0 or left <= 0 or drop <= 0:
        return 1.0
    spread = (chi2 - drop) / left
    if spread <= 1.0:
        return float(chdtrc(extra, drop))
    return float(fdtrc(extra, left, drop / extra / spread))


def _worst(solution: RollSolution) -> tuple[str, str]:
    data = solution.data
    white = solution.white[: 6 * len(data.wheel)].reshape(-1, 6)
    i = int(np.argmax((white**2).sum(axis=1)))
    mount = data.mount[i]
    where = f"the {_carrier(solution, mount)} wheel" if mount < len(data.wheels) else _carrier(solution, mount)
    return where, data.epochs[data.epoch[i]]
