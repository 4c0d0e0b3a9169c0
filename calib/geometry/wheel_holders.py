"""Does what is typed of the wheel boards' holders agree with how the wheels turned? What does not is left out and told."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtrc

from calib.geometry.wheel_data import WheelSpec, wheel_words
from calib.geometry.wheel_model import RollSolution, adjust
from calib.geometry.wheel_priors import CENTRING, MOUNTING, centred, off_centre, off_square, squared
from calib.geometry.wheel_state import RollData
from vision.frames import Array

FALSE_ALARM = 1e-3
"""Chance that a sound set of holders is contradicted, all together (Bonferroni)."""
UNSEEN = 1e-14
"""Least eigenvalue of the scaled normal matrix: what the photos do not show contradicts nothing."""


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """What the turning wheels show of one holder, the typed values set aside: two values along the board's axes and their
    covariance, mm or parts of a unit axis; `sigma` is what is typed."""

    source: str
    wheel: int
    value: Array
    cov: Array
    sigma: float

    @property
    def chance(self) -> float:
        """Of so large a value, if the holder is as typed."""
        score = float(self.value @ np.linalg.solve(self.cov + self.sigma**2 * np.eye(2), self.value))
        return float(chdtrc(2, score))

    @property
    def length(self) -> tuple[float, float]:
        """Length and its expanded uncertainty along itself."""
        off = float(np.linalg.norm(self.value))
        along = self.value / off
        return off, 2.0 * math.sqrt(float(along @ self.cov @ along))


def believed(solution: RollSolution, wheels: Mapping[str, WheelSpec]) -> tuple[RollSolution, list[str]]:
    """The fit without what the turning wheels contradict of the holders, and in words what that was.

    Every typed value is compared with a fit that knows none of them: several wrong ones cannot vouch for one another.
    """
    data = solution.data
    typed = len(centred(data)) + len(squared(data))
    if not typed:
        return solution, []
    unknown = np.full(len(data.wheels), math.inf)
    free = adjust(replace(data, centring_sigma_mm=unknown, square_sigma_rad=unknown), solution.state)
    wrong = [seen for seen in _seen(free, data) if seen.chance < FALSE_ALARM / typed]
    if not wrong:
        return solution, []
    centring, square = data.centring_sigma_mm.copy(), data.square_sigma_rad.copy()
    for seen in wrong:
        (centring if seen.source == CENTRING else square)[seen.wheel] = math.inf
    kept = adjust(replace(data, centring_sigma_mm=centring, square_sigma_rad=square), free.state)
    return kept, [_words(seen, data.wheels[seen.wheel], wheels) for seen in wrong]


def _seen(free: RollSolution, typed: RollData) -> list[_Seen]:
    cov = _covariance(free)
    out = []
    for source, known, sigma, (value, jac) in (
        (CENTRING, centred(typed), typed.centring_sigma_mm, off_centre(free.data, free.state, free.columns)),
        (MOUNTING, squared(typed), typed.square_sigma_rad, off_square(free.state, free.columns)),
    ):
        out += [_Seen(source, int(w), value[w], jac[w] @ cov @ jac[w].T, float(sigma[w])) for w in known]
    return out


def _covariance(solution: RollSolution) -> Array:
    scale = np.linalg.norm(solution.design, axis=0)
    scale = np.where(scale > 0, scale, 1.0)
    values, vectors = np.linalg.eigh((solution.design / scale).T @ (solution.design / scale))
    half = vectors / np.sqrt(np.maximum(values, UNSEEN)) / scale[:, None]
    spread = max(1.0, solution.chi2 / solution.redundancy) if solution.redundancy > 0 else 1.0
    return np.asarray(spread * half @ half.T, dtype=float)


def _words(seen: _Seen, wheel: str, wheels: Mapping[str, WheelSpec]) -> str:
    spec, (off, u) = wheels[wheel], seen.length
    if seen.source == CENTRING:
        return (
            f"the spin axis of the {wheel_words(wheel)} wheel passes {off:.1f} mm (U {u:.1f} mm) beside the centre mark of "
            f"{spec.board}, which centring_pm_mm = {spec.centring_pm_mm:g} excludes: it does not count; see that the holder is "
            "not worn, sits home on the rim, and carries the board with its mark in the middle"
        )
    off, u = math.degrees(off), math.degrees(u)
    return (
        f"{spec.board} sits {off:.2f}° (U {u:.2f}°) off square to the spin axis of the {wheel_words(wheel)} wheel, which "
        f"mounting_pm_deg = {math.degrees(spec.mounting_pm_rad or 0.0):g} excludes: it does not count; see that the holder "
        "sits home on the rim and is not bent"
    )
