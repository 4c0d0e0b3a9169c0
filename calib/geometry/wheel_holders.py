"""Does what is typed of the wheel boards' holders agree with how the wheels turned? What does not is left out and told."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtrc

from calib.geometry.wheel_data import WheelSpec, wheel_words
from calib.geometry.wheel_model import RollSolution, adjust
from calib.geometry.wheel_priors import CENTRING, MOUNTING, centred, off_centre, off_square, prior_sources, squared
from vision.frames import Array

FALSE_ALARM = 1e-3
"""Chance that a sound set of holders is contradicted, all together (Bonferroni)."""
SHOWN = 0.2
"""Least share of an observation that shows in its residual: without turning wheels none does."""
MOST_LEFT_OUT = 8


@dataclass(frozen=True, slots=True)
class _Doubt:
    """What is typed of one wheel's holder, and how improbable the turning wheel makes it."""

    source: str
    wheel: int
    chance: float


def believed(solution: RollSolution, wheels: Mapping[str, WheelSpec]) -> tuple[RollSolution, list[str]]:
    """The fit without what it contradicts of the holders, the most improbable first; in words what that was."""
    told: list[tuple[str, int]] = []
    for _ in range(MOST_LEFT_OUT):
        doubts = _doubts(solution)
        if not doubts:
            break
        worst = min(doubts, key=lambda doubt: doubt.chance)
        if worst.chance * len(doubts) > FALSE_ALARM:
            break
        told.append((worst.source, worst.wheel))
        data = solution.data
        name = "centring_sigma_mm" if worst.source == CENTRING else "square_sigma_rad"
        sigma = getattr(data, name).copy()
        sigma[worst.wheel] = math.inf
        solution = adjust(replace(data, **{name: sigma}), solution.state)
    return solution, [_words(solution, wheels, source, wheel) for source, wheel in told]


def _doubts(solution: RollSolution) -> list[_Doubt]:
    """Of every typed centring and mounting: χ² of its two residuals against their own covariance."""
    data = solution.data
    priors = prior_sources(data)
    first = len(solution.white) - len(priors)
    scale = np.linalg.norm(solution.design, axis=0)
    q, _ = np.linalg.qr(solution.design / scale)
    spread = max(1.0, solution.chi2 / solution.redundancy) if solution.redundancy > 0 else 1.0
    out = []
    for source, known in ((CENTRING, centred(data)), (MOUNTING, squared(data))):
        rows = first + np.flatnonzero(np.array(priors) == source).reshape(-1, 2)
        for wheel, pair in zip(known, rows, strict=True):
            shown, axes = np.linalg.eigh(np.eye(2) - q[pair] @ q[pair].T)
            seen = shown > SHOWN
            if not seen.any():
                continue
            parts = (axes.T @ solution.white[pair])[seen]
            score = float((parts**2 / shown[seen]).sum()) / spread
            out.append(_Doubt(source, int(wheel), float(chdtrc(int(seen.sum()), score))))
    return out


def _words(solution: RollSolution, wheels: Mapping[str, WheelSpec], source: str, wheel: int) -> str:
    name = solution.data.wheels[wheel]
    spec, state = wheels[name], solution.state
    if source == CENTRING:
        value, jac = off_centre(solution.data, state, solution.columns)
        off, u = _length(solution, value[wheel], jac[wheel])
        return (
            f"the spin axis of the {wheel_words(name)} wheel passes {off:.1f} mm (U {u:.1f} mm) beside the centre mark of "
            f"{spec.board}, which centring_pm_mm = {spec.centring_pm_mm:g} excludes: it does not count; see that the holder is "
            "not worn, sits home on the rim, and carries the board with its mark in the middle"
        )
    value, jac = off_square(state, solution.columns)
    off, u = (math.degrees(x) for x in _length(solution, value[wheel], jac[wheel]))
    typed = math.degrees(spec.mounting_pm_rad or 0.0)
    return (
        f"{spec.board} sits {off:.2f}° (U {u:.2f}°) off square to the spin axis of the {wheel_words(name)} wheel, which "
        f"mounting_pm_deg = {typed:g} excludes: it does not count; see that the holder sits home on the rim and is not bent"
    )


def _length(solution: RollSolution, value: Array, jac: Array) -> tuple[float, float]:
    """Length of a vector of two and its expanded uncertainty along itself."""
    scale = np.linalg.norm(solution.design, axis=0)
    gain = np.linalg.pinv(solution.design / scale) / scale[:, None]
    off = float(np.linalg.norm(value))
    return off, 2.0 * float(np.linalg.norm(value / off @ jac @ gain))
