"""What an adjusted network says of itself: fit, rejected sightings, strength of every body."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from vision.adjust import Problem, Solution, distance_misfit, residuals
from vision.covariance import covariance, covariance_parts
from vision.errors import NetworkError
from vision.frames import Pose, skew
from vision.network_state import NetworkState, carry
from vision.observations import Distance
from vision.poses import PoseSet
from vision.sightings import Rejected
from vision.unknowns import Values, vector_of

TAPE_LIMIT = 4.0
"""Tape misfit over its standard uncertainty above which tape and photographs contradict each other."""

LEAST_CONVERGENCE_RAD = math.radians(15.0)
"""Angle between the extreme views of a body below which its distance is poorly known (common practice, no source)."""


@dataclass(frozen=True, slots=True, eq=False)
class BodyStrength:
    """How well a body is determined: photos that show it, angle between its extreme views, σ of its pose."""

    body: str
    photos: int
    convergence_rad: float
    sigma_rotation_rad: float
    sigma_position_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class Network:
    """An adjusted network.

    Attributes
    ----------
    state : NetworkState
    cam_from_survey : dict of photo to Pose
    sigma0 : float
        A posteriori standard deviation of unit weight.
    sigma0_band : (float, float)
        99 % band of sigma0 for correct weights (χ² law).
    redundancy : int
    corners : int
        Corners used.
    rms_px : dict of (photo, body) to float
        RMS of the 2-D corner residual of each used sighting, px.
    rejected : tuple of Rejected
    strength : tuple of BodyStrength
    kept : dict of (photo, body) to ndarray of bool
        Which corners of each sighting were used.
    tape_misfit_mm : tuple of (Distance, float)
        Photographs − tape.
    steps : int
    inside : (Problem, Solution), or None
        What was adjusted, for those who ask what it contradicts (`snooping.py`).
    """

    state: NetworkState
    cam_from_survey: Mapping[str, Pose]
    sigma0: float
    sigma0_band: tuple[float, float]
    redundancy: int
    corners: int
    rms_px: Mapping[tuple[str, str], float]
    rejected: tuple[Rejected, ...]
    strength: tuple[BodyStrength, ...]
    kept: Mapping[tuple[str, str], NDArray[np.bool_]]
    tape_misfit_mm: tuple[tuple[Distance, float], ...] = ()
    steps: int = 0
    chi_square: float = 0.0
    bodies_seen: tuple[str, ...] = field(default=())
    inside: tuple[Problem, Solution] | None = None

    @property
    def poses(self) -> PoseSet:
        """`survey_from_body` of all bodies, with joint covariance."""
        return self.state.pose_set()


def report(
    problem: Problem,
    solution: Solution,
    datum: str,
    prior: NetworkState | None,
    rejected: Sequence[Rejected],
    *,
    whole: bool = True,
) -> Network:
    """The network at its solution; without `whole` neither the split by source nor the prior's untouched unknowns."""
    obs, layout = problem.obs, problem.layout
    redundancy = redundancy_of(problem)
    chi_square = solution.normal.cost
    sigma0 = float(np.sqrt(chi_square / redundancy)) if redundancy > 0 else 1.0
    band = tuple(float(np.sqrt(chdtri(redundancy, 1.0 - q) / redundancy)) for q in (0.005, 0.995))
    cov = covariance(solution.normal)
    parts, lead = covariance_parts(problem, solution, cov) if whole else ({}, np.empty((0, 0)))
    board_of = {body: obs.boards[problem.board_of_body[i]] for i, body in enumerate(obs.bodies)}
    total, all_redundancy = chi_square, redundancy
    if prior:
        total, all_redundancy = total + prior.chi_square, all_redundancy + prior.redundancy
    factor = max(1.0, total / max(all_redundancy, 1), sigma0**2 if sigma0 > band[1] else 0.0)
    value = vector_of(solution.values, layout)
    state = NetworkState(
        datum, layout.names, value, cov, parts, board_of, factor, total, all_redundancy, obs.noise_share, problem.row_drift_px
    )
    if prior and whole:
        state = carry(state, prior, lead)
    misfit = distance_misfit(problem, solution.values)
    _need_agreement(misfit)
    res, _ = residuals(problem, solution.values)
    pixels = np.linalg.solve(obs.whiten, res[..., None])[..., 0]
    rms = {
        (obs.photos[obs.photo[i]], obs.bodies[obs.body[i]]): float(np.sqrt((pixels[i][obs.used[i]] ** 2).sum(axis=1).mean()))
        for i in np.flatnonzero(obs.used.any(axis=1))
    }
    values = solution.values
    cams = {
        photo: Pose.from_rt("cam", "survey", values.photo_rotation[i], values.photo_translation[i])
        for i, photo in enumerate(obs.photos)
    }
    return Network(
        state,
        cams,
        sigma0,
        (band[0], band[1]),
        redundancy,
        int(obs.used.sum()),
        rms,
        tuple(rejected),
        _strength(problem, values, state),
        _kept(problem),
        tuple(misfit),
        solution.steps,
        chi_square,
        obs.bodies,
        inside=(problem, solution),
    )


def redundancy_of(problem: Problem) -> int:
    unknowns = problem.layout.size + 6 * len(np.unique(problem.obs.photo[problem.obs.used.any(axis=1)]))
    carried = len(problem.carried.names) if problem.carried else 0
    known = sum(len(k.names) for k in problem.known) + carried + len(problem.distances)
    return int(2 * problem.obs.used.sum()) + known - unknowns


def weak_spots(network: Network) -> list[str]:
    """Bodies that are poorly tied, in words, each with the photo that would help; the weakest first.

    Raises
    ------
    NetworkError
        No body at all is seen from directions that differ enough: distances cannot be had from one place.
    """
    if max(s.convergence_rad for s in network.strength) < LEAST_CONVERGENCE_RAD:
        raise NetworkError(
            "all photos look at the boards from nearly the same direction: nothing tells how far away they are",
            hint="walk round: photograph every board from at least two places, 30° to 90° apart",
        )
    out = []
    for s in sorted(network.strength, key=lambda strength: -strength.sigma_position_mm):
        if s.photos == 1:
            out.append(f"{s.body} is seen in one photo only: add a photo of it from another side")
        elif s.convergence_rad < LEAST_CONVERGENCE_RAD:
            angle = math.degrees(s.convergence_rad)
            out.append(
                f"{s.body} is seen from one side only ({angle:.0f}° between its views): add a photo 30° to 90° beside them"
            )
    return out


def _kept(problem: Problem) -> dict[tuple[str, str], NDArray[np.bool_]]:
    obs = problem.obs
    keys = [(obs.photos[p], obs.bodies[b]) for p, b in zip(obs.photo, obs.body, strict=True)]
    return {key: obs.used[i, : obs.count[i]] for i, key in enumerate(keys)}


def _need_agreement(misfit: Sequence[tuple[Distance, float]]) -> None:
    for tape, gap in misfit:
        # The adjusted distance has already been pulled towards the tape; a large remaining gap is a contradiction.
        if abs(gap) > TAPE_LIMIT * tape.pm_mm / 2.0:
            raise NetworkError(
                f"tape and photographs contradict each other: {tape.a} to {tape.b} is {tape.mm:.1f} mm by tape, "
                f"{tape.mm + gap:.1f} mm after adjustment",
                hint="measure the distance again between the printed centre marks, and the check bars of the boards",
            )


def _strength(problem: Problem, values: Values, state: NetworkState) -> tuple[BodyStrength, ...]:
    obs = problem.obs
    place = {name: i for i, name in enumerate(state.names)}
    centres = -np.einsum("pji,pj->pi", values.photo_rotation, values.photo_translation)
    out = []
    for i, body in enumerate(obs.bodies):
        seen = np.flatnonzero((obs.body == i) & obs.used.any(axis=1))
        mark = values.body_rotation[i] @ problem.centres[problem.board_of_body[i]] + values.body_translation[i]
        rays = centres[obs.photo[seen]] - mark
        rays /= np.linalg.norm(rays, axis=1, keepdims=True)
        widest = float(np.arccos(np.clip((rays @ rays.T).min(initial=1.0), -1.0, 1.0)))
        start = place.get(f"pose:{body}:rx")
        rotation = position = 0.0
        if start is not None:
            block = state.variance_factor * state.cov[start : start + 6, start : start + 6]
            # Position of the centre mark, not of the frame's origin far away: d mark = d t + r x mark.
            at_mark = np.hstack([-skew(mark), np.eye(3)])
            rotation = float(np.sqrt(np.linalg.eigvalsh(block[:3, :3])[-1]))
            position = float(np.sqrt(np.linalg.eigvalsh(at_mark @ block @ at_mark.T)[-1]))
        out.append(BodyStrength(body, len(seen), widest, rotation, position))
    return tuple(out)
