"""Propagation of distributions by drawing (JCGM 101:2008), to check that first-order propagation is good enough."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from vision.frames import Array, Pose
from vision.poses import PoseSet

COVERED = 0.9545
"""Probability that k = 2 stands for."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """What the draws say beside a first-order U.

    Attributes
    ----------
    draws : int
    mean, u : float
        Mean, and half the probabilistically symmetric interval that covers 95.45 % of the draws.
    low, high : float
        Ends of that interval.
    tolerance : float
        Half a unit of the last digit of the standard uncertainty written with one digit (JCGM 101:2008, 7.9.2).
    agrees : bool
        Both ends of value ± U lie within the tolerance of the drawn interval's (JCGM 101:2008, 8.1), beyond what this
        number of draws scatters by itself (two standard errors).
    """

    draws: int
    mean: float
    u: float
    low: float
    high: float
    tolerance: float
    agrees: bool


def draw(poses: PoseSet, function: Callable[[Mapping[str, Pose]], float], draws: int, seed: int) -> Array:
    """Values of a function of the poses under their joint normal law, shape (draws,)."""
    rng = np.random.default_rng(seed)
    values, vectors = np.linalg.eigh(poses.cov)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    out = np.empty(draws)
    for k in range(draws):
        delta = root @ rng.normal(size=len(values))
        out[k] = function({pose.source: pose.perturbed(delta[6 * i : 6 * i + 6]) for i, pose in enumerate(poses.poses)})
    return out


def compare(values: Array, value: float, u: float) -> Drawn:
    """Draws against the first-order result ``value ± u`` (k = 2)."""
    tail = (1.0 - COVERED) / 2.0
    low, high = (float(q) for q in np.quantile(values, [tail, 1.0 - tail]))
    # Standard error of a quantile: sqrt(p (1 − p) / n) over the density there, the normal one with u/2.
    density = math.exp(-2.0) / math.sqrt(2.0 * math.pi) / (u / 2.0)
    scatter = math.sqrt(tail * (1.0 - tail) / len(values)) / density
    tolerance = 0.5 * 10.0 ** math.floor(math.log10(u / 2.0))
    gap = max(abs(value - u - low), abs(value + u - high))
    return Drawn(len(values), float(values.mean()), (high - low) / 2.0, low, high, tolerance, gap <= tolerance + 2.0 * scatter)
