"""What could be wrong in a network without being noticed, and how far it would move the results.

Baarda, "A Testing Procedure for Use in Geodetic Networks" (Netherlands Geodetic Commission, 1968): *internal* reliability is
the smallest error of one kind that the test on that kind finds with a given power, *external* reliability what an error of
that size does to the results. For an error ``C b`` in the whitened observations (q kinds at once, ``b`` of shape (q,)), normal
matrix H and design A: ``N = C'C − C'A H⁻¹ A'C``; the test statistic ``T = w' N⁻¹ w``, ``w = C' r``, is χ² of q if nothing is
wrong; errors with ``b' N b = λ₀`` are found with power β₀; the results move by ``H⁻¹ A'C b``.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq
from scipy.special import chdtri, chndtr

from vision.adjust import Problem, Solution, linearised, tape_rows
from vision.frames import Array, Estimate
from vision.network_report import Network
from vision.network_state import NetworkState
from vision.observations import BEND_MODES
from vision.unknowns import Known, departure, vector_of

ALPHA = 1e-4
"""False alarm of one test; of some 300 tests in a survey one speaks up for nothing in three surveys of a hundred."""
POWER = 0.80
PROBE = 1e-18
"""Size of a probe (variance): nothing beside any real source, and squares of effects keep all their digits."""
NEVER = 1e-9
"""Share of an error that shows in the residuals, below which it is called unobservable."""


@dataclass(frozen=True, slots=True)
class Suspect:
    """A body that may have moved: it would stand elsewhere in the named photos."""

    label: str
    body: str
    photos: frozenset[str]


@dataclass(frozen=True, slots=True, eq=False)
class SingleError:
    """One kind of error: how large it must be to be noticed, whether it shows, and what an unnoticed one does.

    Attributes
    ----------
    kind : str
        "sighting" (a board read beside itself in one photo), "moved", "scale", "flatness", "lens" or "tape".
    what : str
        Board, photo, print run, profile or tape it is about.
    unit : str
        "px", "mm" or "%".
    share : float
        Part of such an error that shows in the residuals, in its worst direction, 0 to 1 (Baarda's redundancy number).
    smallest : float
        Smallest error that is noticed with a power of 80 %, in its worst direction; infinite when none is.
    statistic : float
        T over its critical value: above 1 the error shows in these photos.
    effect : ndarray, shape (n, q)
        Largest unnoticed change of the joint vector, as a factor: of a function with gradient g it is ``|g @ effect|``.
    """

    kind: str
    what: str
    unit: str
    share: float
    smallest: float
    statistic: float
    effect: Array

    @property
    def shows(self) -> bool:
        return self.statistic > 1.0


@dataclass(frozen=True, slots=True, eq=False)
class _Error:
    """An error ``C b`` by its products: with itself (`own`: less what photo poses take up), with the design, the residuals."""

    kind: str
    what: str
    unit: str
    whole: Array
    own: Array
    by_joint: Array
    by_residual: Array
    natural: float = 1.0


def single_errors(network: Network, suspects: Sequence[Suspect] = ()) -> list[SingleError]:
    """All single errors of an adjusted network: each sighting, what was known beforehand, each tape, and the given suspects.

    Raises
    ------
    ValueError
        The network does not know what it was adjusted from.
    """
    if network.inside is None:
        raise ValueError("this network does not know what it was adjusted from")
    problem, solution = network.inside
    n, variance_factor = problem.layout.size, network.state.variance_factor
    cov = network.state.cov[:n, :n]
    errors = [*_in_sightings(problem, solution, suspects), *_in_known(problem, solution)]
    return [_judged(error, cov, variance_factor) for error in errors]


def with_probes(state: NetworkState, found: Sequence[SingleError], label: str = "error") -> NetworkState:
    """The state with every error's effect riding along as a further, vanishing source of uncertainty.

    What carries a covariance split by source carries the effects too, through any later adjustment or function; `hidden` reads
    them off the result.
    """
    n = len(state.names)
    probes = dict(state.probes)
    # Effects are of reported size; parts are multiplied by the variance factor when they are reported.
    size = math.sqrt(PROBE / state.variance_factor)
    for i, one in enumerate(found):
        effect = np.zeros((n, one.effect.shape[1]))
        effect[: len(one.effect)] = size * one.effect
        probes[f"{label}:{i}"] = effect
    return replace(state, probes=probes)


def hidden(estimate: Estimate, name: str, found: Sequence[SingleError], label: str = "error") -> list[float]:
    """How far an unnoticed error of each kind would move one value of an estimate that came from `with_probes`."""
    i = estimate.index(name)
    return [math.sqrt(max(float(estimate.parts[f"{label}:{k}"][i, i]), 0.0) / PROBE) for k in range(len(found))]


@functools.cache
def noncentrality(dof: int) -> float:
    """λ₀: non-centrality at which a χ² test of false alarm `ALPHA` has the power `POWER`."""
    limit = chdtri(dof, ALPHA)
    return float(brentq(lambda value: 1.0 - chndtr(limit, dof, value) - POWER, 1.0, 200.0))


def _judged(error: _Error, cov: Array, factor: float) -> SingleError:
    moved = cov @ error.by_joint
    left = error.own - error.by_joint.T @ moved
    # In units in which the error's own matrix is one, eigenvalues are the shares that show in the residuals (Baarda's
    # redundancy numbers).
    root = np.asarray(np.linalg.cholesky(error.whole), dtype=float)
    shares, directions = np.linalg.eigh(_sandwich(root, left))
    q = len(shares)
    hidden = shares < NEVER
    back = np.linalg.solve(root.T, directions)
    gain = 1.0 / np.sqrt(np.where(hidden, NEVER, shares))
    inverse_root = back * gain
    size = math.sqrt(noncentrality(q) * factor)
    smallest = math.inf if hidden.any() else size * float(np.linalg.norm(inverse_root, 2)) * error.natural
    seen = (inverse_root[:, ~hidden].T @ error.by_residual) ** 2
    statistic = float(seen.sum()) / factor / float(chdtri(q, ALPHA))
    share = float(np.clip(shares[0], 0.0, 1.0))
    return SingleError(error.kind, error.what, error.unit, share, smallest, statistic, size * moved @ inverse_root)


def _sandwich(root: Array, matrix: Array) -> Array:
    half = np.linalg.solve(root, matrix)
    out = np.linalg.solve(root, half.T)
    return np.asarray((out + out.T) / 2, dtype=float)


def _in_sightings(problem: Problem, solution: Solution, suspects: Sequence[Suspect]) -> list[_Error]:
    """A board read beside itself in one photo (2 px), and suspects that stand elsewhere in some photos (3 mm)."""
    obs, layout = problem.obs, problem.layout
    res, jac_photo, jac_joint, places = linearised(problem, solution.values)
    out = []

    def error(kind: str, what: str, unit: str, rows: Sequence[int], c: Array) -> None:
        """`c`, shape (rows, m, 2, q): change of the whitened residuals."""
        q = c.shape[-1]
        whole, by_residual = np.zeros((q, q)), np.zeros(q)
        by_joint = np.zeros((layout.size + 1, q))
        by_photo: dict[int, Array] = {}
        for i, block in zip(rows, c.reshape(len(rows), -1, q), strict=True):
            whole += block.T @ block
            by_residual += block.T @ res[i].ravel()
            by_joint[places[i]] += jac_joint[i].reshape(len(block), -1).T @ block
            photo = int(obs.photo[i])
            pull = jac_photo[i].reshape(len(block), -1).T @ block
            by_photo[photo] = by_photo[photo] + pull if photo in by_photo else pull
        by_joint, own = by_joint[:-1], whole.copy()
        for photo, pull in by_photo.items():
            inverse = solution.normal.photo_inverse[photo]
            own -= pull.T @ inverse @ pull
            by_joint -= solution.normal.photo_joint[photo].T @ pull
        out.append(_Error(kind, what, unit, whole, own, by_joint, by_residual))

    seen = obs.used.any(axis=1)
    for i in np.flatnonzero(seen):
        shift = np.where(obs.used[i][:, None, None], obs.whiten[i], 0.0)
        error("sighting", f"{obs.bodies[obs.body[i]]} in {obs.photos[obs.photo[i]]}", "px", [int(i)], shift[None])
    for suspect in suspects:
        mine = [int(i) for i in np.flatnonzero(seen) if obs.bodies[obs.body[i]] == suspect.body]
        rows = [i for i in mine if obs.photos[obs.photo[i]] in suspect.photos]
        # Seen only before or only after: its place is its place, and nothing can be compared.
        if 0 < len(rows) < len(mine):
            error("moved", suspect.label, "mm", rows, jac_joint[rows][..., 3:6])
    return out


def _in_known(problem: Problem, solution: Solution) -> list[_Error]:
    """A print scale, board's flatness, focal length or tape that is other than typed."""
    layout, place = problem.layout, problem.layout.index()
    x = vector_of(solution.values, layout)
    out = []
    for known in problem.known:
        if kind := _kind_of(known):
            directions, what, unit, natural = kind
            columns, gap, jac = departure(x, known, place)
            weight = np.linalg.solve(known.cov, directions)
            by_joint = np.zeros((layout.size, directions.shape[1]))
            by_joint[columns] = jac.T @ weight
            source = next(iter(known.parts))
            own = directions.T @ weight
            out.append(_Error(source, what, unit, own, own, by_joint, weight.T @ gap, natural))
    for tape, gap_mm, row in tape_rows(problem, solution.values):
        information = (2.0 / tape.pm_mm) ** 2
        own, by_residual = np.array([[information]]), np.array([information * gap_mm])
        out.append(_Error("tape", f"{tape.a} to {tape.b}", "mm", own, own, information * row[:, None], by_residual))
    return out


def _kind_of(known: Known) -> tuple[Array, str, str, float] | None:
    """Directions (n, q) in which typed knowledge may err, what it is about, the unit and its size in the unit."""
    label, name, part = known.names[0].split(":", 2)
    n = len(known.names)
    if label == "scale":
        return np.ones((n, 1)), f"boards of print run {name}", "%", 100.0
    if label == "own":
        return np.ones((n, 1)), name, "%", 100.0
    if label == "bend" and n == BEND_MODES:
        return np.eye(n), name, "mm", 1.0
    if label == "lens" and part == "fx_px":
        focal = np.array(
            [[v] if k.endswith((":fx_px", ":fy_px")) else [0.0] for k, v in zip(known.names, known.value, strict=True)]
        )
        return focal, f"focal length of {name}", "%", 100.0
    return None
