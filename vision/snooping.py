"""What an adjusted network contradicts: single suppositions, each tested by how far it would lower the square sum.

A supposition adds a few unknowns (a body that stood elsewhere in some photos, a lens that drew larger in some) or withdraws
something that was known beforehand (a print scale, a board's flatness, a lens profile). To first order it lowers the square sum
by ``T = wᵀ N⁻¹ w``, which is χ² when nothing is wrong (Baarda, "A Testing Procedure for Use in Geodetic Networks", Netherlands
Geodetic Commission, 1968; the test of `reliability.py`, here with an estimate of what is wrong). One thing that is wrong makes
many suppositions look true: the least probable under "nothing wrong" is the one to tell (data snooping).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from vision.adjust import Problem, Solution, covariance, linearised
from vision.frames import Array
from vision.linearise import PHOTO_COLUMNS
from vision.suppositions import Found, Moved, Supposition, Typed, Zoomed
from vision.unknowns import LENS_NAMES, Known, departure, vector_of

SINGULAR = 1e-7
LEAST_SHARE = 1e-6
"""Share of an unknown that shows in the residuals, below which only rounding speaks."""
"""Eigenvalue over the largest below which a direction of a supposition cannot be told from the rest of the network."""


def snoop(problem: Problem, solution: Solution, guesses: Sequence[Moved | Zoomed], factor: float = 1.0) -> list[Found]:
    """Test the guesses and everything known beforehand; the least probable first.

    Parameters
    ----------
    factor : float
        Variance of unit weight by which drops are divided (1 or more).
    """
    bench = _Bench(problem, solution)
    found = [bench.judged(guess, factor) for guess in guesses if bench.knows(guess)]
    found += [bench.known(known, factor) for known in problem.known]
    return sorted(found, key=lambda entry: entry.log_chance)


class _Bench:
    """The network's derivatives by sighting, made once for all guesses."""

    def __init__(self, problem: Problem, solution: Solution) -> None:
        obs = problem.obs
        res, by_photo, by_joint, self.places = linearised(problem, solution.values)
        used = obs.used[..., None, None]
        s = len(obs.photo)
        self.problem, self.solution, self.cov = problem, solution, covariance(solution.normal)
        seen = np.flatnonzero(obs.used.any(axis=1)).tolist()
        self.rows = {(obs.bodies[obs.body[i]], obs.photos[obs.photo[i]]): i for i in seen}
        self.residual = res.reshape(s, -1)
        self.by_photo, self.by_joint = ((jac * used).reshape(s, self.residual.shape[1], -1) for jac in (by_photo, by_joint))
        self.focal = self.by_joint.shape[2] - len(LENS_NAMES)

    def knows(self, guess: Moved | Zoomed) -> bool:
        return bool(self._columns(guess)[0])

    def judged(self, guess: Moved | Zoomed, factor: float) -> Found:
        """The guess's own matrix, less what photos and joint unknowns take up of it."""
        rows, blocks, q = self._columns(guess)
        size = self.problem.layout.size
        own, right, joint = np.zeros((q, q)), np.zeros(q), np.zeros((size + 1, q))
        pulls: dict[int, Array] = {}
        for i, block in zip(rows, blocks, strict=True):
            own += block.T @ block
            right += block.T @ self.residual[i]
            np.add.at(joint, self.places[i], self.by_joint[i].T @ block)
            photo = int(self.problem.obs.photo[i])
            pulls[photo] = pulls.get(photo, np.zeros((PHOTO_COLUMNS, q))) + self.by_photo[i].T @ block
        joint, whole = joint[:-1], np.diag(own).copy()
        for photo, pull in pulls.items():
            own -= pull.T @ self.solution.normal.photo_inverse[photo] @ pull
            joint -= self.solution.normal.photo_joint[photo].T @ pull
        return _settled(guess, own - joint.T @ self.cov @ joint, -right, factor, whole)

    def known(self, known: Known, factor: float) -> Found:
        """What is known beforehand against what the rest of the network says of it."""
        layout = self.problem.layout
        columns, gap, jac = departure(vector_of(self.solution.values, layout), known, layout.index())
        weight = np.linalg.inv(known.cov)
        left = weight - weight @ jac @ self.cov[np.ix_(columns, columns)] @ jac.T @ weight
        label, of = known.names[0].split(":")[:2]
        return _settled(Typed(label, of, known.names), left, weight @ gap, factor, np.diag(weight))

    def _columns(self, guess: Moved | Zoomed) -> tuple[list[int], list[Array], int]:
        """Sightings the guess touches, their derivatives by its unknowns (2m, q), and q."""
        obs = self.problem.obs
        if isinstance(guess, Zoomed):
            at = obs.lenses.index(guess.lens) if guess.lens in obs.lenses else -1
            rows = [i for (_, photo), i in self.rows.items() if photo in guess.later and obs.lens[i] == at]
            focal = self.solution.values.lens[at, :2]
            return rows, [self.by_joint[i][:, self.focal : self.focal + 2] @ focal[:, None] for i in rows], 1
        rows, blocks, q = [], [], 6 if guess.together else 6 * len(guess.later)
        for k, (body, photos) in enumerate(guess.later.items()):
            mine = [self.rows[body, photo] for photo in photos if (body, photo) in self.rows]
            columns = slice(0, 6) if guess.together else slice(6 * k, 6 * k + 6)
            for i in mine:
                block = np.zeros((self.by_joint.shape[1], q))
                block[:, columns] = self.by_joint[i][:, :6]
                rows.append(i)
                blocks.append(block)
        return rows, blocks, q


def _settled(what: Supposition, matrix: NDArray[Any], right: NDArray[Any], factor: float, whole: NDArray[Any]) -> Found:
    """Least-squares value of the added unknowns, in the directions that the network can tell.

    `whole` is the diagonal of their matrix before photos and joint unknowns took up what they can.
    """
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-30))
    values, vectors = np.linalg.eigh(matrix * np.outer(scale, scale))
    # At its largest, one over the smallest share; what none of the added unknowns keeps is rounding.
    kept = np.diag(matrix) / np.maximum(whole, 1e-30)
    tell = (values > SINGULAR * max(float(values[-1]), 1e-30)) & (kept.max(initial=0.0) > LEAST_SHARE)
    along = vectors[:, tell].T @ (right * scale)
    spread = scale[:, None] * vectors[:, tell] / np.sqrt(values[tell])
    value = spread @ (along / np.sqrt(values[tell]))
    drop = float((along**2 / values[tell]).sum()) / factor
    freedom = int(tell.sum())
    with np.errstate(divide="ignore"):  # no chance at all is minus infinity
        chance = float(np.log(chdtrc(freedom, drop))) if freedom else 0.0
    return Found(what, np.asarray(value, dtype=float), factor * spread @ spread.T, drop, freedom, chance)
