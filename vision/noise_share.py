"""How much of what corners scatter about their board's pattern is noise: the network decides, where one photo cannot.

In a single photo a corner beside its place may be noise or a print error. Noise is another in every photo, a print error the
same in all: the network, whose printed places are unknowns of their own, leaves noise in its residuals and takes print errors
out of them. Sightings state the covariance that print errors leave them, and by which factor it would be larger if all were
noise (`Sighting.excess`). A survey multiplies its covariances by that factor to a common power between 0 and 1, such that the
square sum is what it should be: one variance component, estimated from the residuals (Koch, "Parameter Estimation and
Hypothesis Testing in Linear Models", ch. 3, from memory), with weights that still differ from photo to photo.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from vision.adjust import Problem, Solution, adjust, residuals, tape_rows
from vision.covariance import covariance
from vision.frames import Array
from vision.network_report import redundancy_of
from vision.observations import Observations
from vision.unknowns import departure, vector_of

NEAR = 0.02
"""Departure of σ₀ from one that needs no further step."""
STEPS = 3


def weighed(obs: Observations, share: float) -> Observations:
    """The observations with covariances times excess to the power `share`."""
    factor = obs.excess ** ((obs.noise_share - share) / 2.0)
    return replace(obs, whiten=obs.whiten * factor[:, None, None, None], noise_share=share)


def with_noise_share(problem: Problem, solution: Solution) -> tuple[Problem, Solution]:
    """The adjusted survey, its corners' covariances enlarged as far as the residuals ask for it."""
    low, high = 0.0, 1.0
    at_low = log_sigma0_of_corners(problem, solution)
    if at_low <= NEAR or not (problem.obs.excess > 1.0).any():
        return problem, solution
    problem, solution = _at(problem, solution, high)
    at_high = log_sigma0_of_corners(problem, solution)
    for _ in range(STEPS):
        if at_high >= -NEAR:
            break
        share = low + (high - low) * at_low / (at_low - at_high)
        problem, solution = _at(problem, solution, share)
        found = log_sigma0_of_corners(problem, solution)
        if abs(found) <= NEAR:
            break
        low, high, at_low, at_high = (share, high, found, at_high) if found > 0 else (low, share, at_low, found)
    return problem, solution


def _at(problem: Problem, solution: Solution, share: float) -> tuple[Problem, Solution]:
    problem = replace(problem, obs=weighed(problem.obs, share))
    return problem, adjust(problem, solution.values)


def log_sigma0_of_corners(problem: Problem, solution: Solution) -> float:
    """Logarithm of the corners' own σ₀: their square sum over the redundancy that is theirs.

    What is known beforehand has residuals and redundancy of its own: prints better than typed would hide noise of the corners.
    """
    res, _ = residuals(problem, solution.values)
    square = float((res[problem.obs.used] ** 2).sum())
    cov, layout = covariance(solution.normal), problem.layout
    x, place = vector_of(solution.values, layout), layout.index()
    redundancy = float(redundancy_of(problem))
    for known in (*problem.known, *([problem.carried] if problem.carried else [])):
        columns, gap, jac = departure(x, known, place)
        redundancy -= len(gap) - float(np.sum((known.weight @ jac @ cov[np.ix_(columns, columns)]) * jac))
    redundancy -= _redundancy_of_wobble(problem, solution, cov)
    for tape, _, row in tape_rows(problem, solution.values):
        redundancy -= 1.0 - float(row @ cov @ row) / (tape.pm_mm / 2.0) ** 2
    return 0.5 * math.log(square / redundancy) if redundancy > 0 and square > 0 else -math.inf


def _redundancy_of_wobble(problem: Problem, solution: Solution, cov: Array) -> float:
    """How much of what is known of the photos' wobble and drift the photos know better."""
    joint, own = solution.normal.photo_joint[:, 6:], np.einsum("pkk->pk", solution.normal.photo_inverse[:, 6:, 6:])
    variance = own + np.einsum("pkn,nm,pkm->pk", joint, cov, joint, optimize=True)
    sigma = problem.wobble_sigma
    return float(np.sum(1.0 - variance[sigma > 0] / sigma[sigma > 0] ** 2))
