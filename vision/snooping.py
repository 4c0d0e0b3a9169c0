"""What an adjusted network contradicts: single suppositions, each tested by how far it would lower the square sum.

A supposition adds a few unknowns (a body that stood elsewhere in some photos, a lens that drew larger in some, a photo that
drifts from row to row) or withdraws something that was known beforehand (a print scale, a board's flatness, a lens profile). To
first order it lowers the square sum by ``T = wᵀ N⁻¹ w``, which is χ² when nothing is wrong (Baarda, "A Testing Procedure for
Use in Geodetic Networks", Netherlands Geodetic Commission, 1968; the test of `reliability.py`, here with an estimate of what is
wrong). One thing that is wrong makes many suppositions look true: the least probable under "nothing wrong" is the one to tell
(data snooping).
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cholesky, solve_triangular
from scipy.special import chdtrc

from vision.adjust import Problem, Solution, linearised
from vision.covariance import covariance
from vision.frames import Array
from vision.linearise import FOCAL, PHOTO_COLUMNS
from vision.suppositions import Found, Guessed, Sheared, Supposition, Typed, Zoomed
from vision.unknowns import Known, departure, vector_of

SINGULAR, SINGULAR_TYPED = 1e-5, 1e-4
"""Eigenvalue over the largest below which a direction of a supposition cannot be told from the rest of the network; of what is
known beforehand, where the difference of two nearly equal matrices is rounded to some 3e-6 (a scale without a tape)."""
LEAST_SHARE = 1e-6
"""Share of an unknown that shows in the residuals, below which only rounding speaks."""


def snoop(
    problem: Problem, solution: Solution, guesses: Sequence[Guessed], factor: float = 1.0, *, known: bool = True
) -> list[Found]:
    """Test the guesses and everything known beforehand; the least probable first.

    Parameters
    ----------
    factor : float
        Variance of unit weight by which drops are divided (1 or more).
    known : bool
        Test what is known beforehand, too.
    """
    bench = _Bench(problem, solution)
    found = [bench.judged(guess, factor) for guess in guesses if bench.knows(guess)]
    # A print's corners are many: whatever is wrong with a board looks like them too, and nobody could do anything about it.
    found += [bench.known(one, factor) for one in problem.known if known and "print" not in one.parts]
    return sorted(found, key=lambda entry: entry.log_chance)


class _Products:
    """Derivatives of every sighting by q unknowns of its own, less what photos and joint unknowns take up of them.

    Attributes
    ----------
    own : ndarray, shape (s, q, q)
        Their products with themselves.
    right : ndarray, shape (s, q)
        With the residuals.
    by_photo : ndarray, shape (s, 9, q)
        With the derivatives by the photo.
    by_joint : ndarray, shape (s, n, q)
        With those by the joint unknowns once the photos are eliminated, times a root of the joint covariance.
    """

    def __init__(self, bench: _Bench, blocks: Array) -> None:
        obs, size, q = bench.problem.obs, bench.problem.layout.size, blocks.shape[2]
        across = np.swapaxes(blocks, 1, 2)
        self.own = across @ blocks
        self.right = (across @ bench.residual[..., None])[..., 0]
        self.by_photo = np.swapaxes(bench.by_photo, 1, 2) @ blocks
        self.by_joint = np.zeros((len(blocks), size, q))
        direct = np.swapaxes(bench.by_joint, 1, 2) @ blocks
        for photo, photo_joint in enumerate(bench.solution.normal.photo_joint):
            mine = np.flatnonzero(obs.photo == photo)
            # Held unknowns share one place behind the last, and corners that a sighting lacks that of some corner it has.
            spread = np.zeros((size + 1, len(mine), q))
            for k, i in enumerate(mine):
                np.add.at(spread[:, k], bench.places[i], direct[i])
            touched = np.unique(bench.places[mine])
            touched = touched[touched < size]
            part = spread[touched] - np.einsum("pn,spq->nsq", photo_joint[:, touched], self.by_photo[mine])
            rooted = bench.root[:, touched] @ part.reshape(len(touched), -1)
            self.by_joint[mine] = np.swapaxes(rooted.reshape(size, len(mine), q), 0, 1)


class _Bench:
    """The network's derivatives by sighting, made once for all guesses."""

    def __init__(self, problem: Problem, solution: Solution) -> None:
        obs = problem.obs
        res, by_photo, by_joint, self.places = linearised(problem, solution.values)
        used = obs.used[..., None, None]
        s = len(obs.photo)
        self.problem, self.solution, self.cov = problem, solution, covariance(solution.normal)
        self.root = _root(solution.normal.matrix)
        seen = np.flatnonzero(obs.used.any(axis=1)).tolist()
        self.rows = {(obs.bodies[obs.body[i]], obs.photos[obs.photo[i]]): i for i in seen}
        self.residual = res.reshape(s, -1)
        self.by_photo, self.by_joint = ((jac * used).reshape(s, self.residual.shape[1], -1) for jac in (by_photo, by_joint))

    @functools.cached_property
    def poses(self) -> _Products:
        return _Products(self, self.by_joint[:, :, :6])

    @functools.cached_property
    def zooms(self) -> _Products:
        focal = self.by_joint[:, :, FOCAL]
        return _Products(self, focal @ self.solution.values.lens[self.problem.obs.lens][:, :2, None])

    @functools.cached_property
    def shears(self) -> _Products:
        return _Products(self, self._drifts())

    def _drifts(self) -> Array:
        """Whitened derivatives (s, 2 m, 2) of the corners by their photo's drift along x and y."""
        obs = self.problem.obs
        share = np.where(obs.used, obs.row_share, 0.0)
        return np.asarray((obs.whiten * share[..., None, None]).reshape(len(share), -1, 2), dtype=float)

    def _products_of(self, guess: Guessed) -> _Products:
        if isinstance(guess, Zoomed):
            return self.zooms
        return self.shears if isinstance(guess, Sheared) else self.poses

    def knows(self, guess: Guessed) -> bool:
        return bool(self._touched(guess))

    def judged(self, guess: Guessed, factor: float) -> Found:
        """The guess's own matrix, less what photos and joint unknowns take up of it."""
        products = self._products_of(guess)
        groups, width = self._touched(guess), products.own.shape[2]
        q = width * (max(groups) + 1)
        own, right, joint = np.zeros((q, q)), np.zeros(q), np.zeros((self.problem.layout.size, q))
        photos, places = np.unique(self.problem.obs.photo[np.concatenate(list(groups.values()))], return_inverse=True)
        pulls, first = np.zeros((len(photos), PHOTO_COLUMNS, q)), 0
        for k, rows in groups.items():
            at = slice(width * k, width * (k + 1))
            own[at, at] = products.own[rows].sum(axis=0)
            right[at] = products.right[rows].sum(axis=0)
            joint[:, at] = products.by_joint[rows].sum(axis=0)
            np.add.at(pulls[:, :, at], places[first : first + len(rows)], products.by_photo[rows])
            first += len(rows)
        whole = np.diag(own).copy()
        taken = self.solution.normal.photo_inverse[photos] @ pulls
        own -= pulls.reshape(-1, q).T @ taken.reshape(-1, q) + joint.T @ joint
        return _settled(guess, own, -right, factor, whole)

    def known(self, known: Known, factor: float) -> Found:
        """What is known beforehand against what the rest of the network says of it."""
        layout = self.problem.layout
        columns, gap, jac = departure(vector_of(self.solution.values, layout), known, layout.index())
        weight = known.weight
        left = weight - weight @ jac @ self.cov[np.ix_(columns, columns)] @ jac.T @ weight
        label, of = known.names[0].split(":")[:2]
        return _settled(Typed(label, of, known.names), left, weight @ gap, factor, np.diag(weight), SINGULAR_TYPED)

    def _touched(self, guess: Guessed) -> dict[int, list[int]]:
        """Sightings the guess touches, by the group of its unknowns that moves them; empty where there are none."""
        if isinstance(guess, Zoomed):
            obs = self.problem.obs
            rows = [i for (_, photo), i in self.rows.items() if photo in guess.later and obs.lenses[obs.lens[i]] == guess.lens]
            return {0: rows} if rows else {}
        if isinstance(guess, Sheared):
            rows = [i for (_, photo), i in self.rows.items() if photo == guess.photo]
            return {0: rows} if rows else {}
        mine = [
            [self.rows[body, photo] for photo in photos if (body, photo) in self.rows] for body, photos in guess.later.items()
        ]
        if guess.together:
            mine = [[i for rows in mine for i in rows]]
        return {k: rows for k, rows in enumerate(mine) if rows}


def _root(matrix: Array) -> Array:
    """R with RᵀR = the inverse of a positive definite matrix."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-30))
    lower = cholesky(matrix * np.outer(scale, scale), lower=True)
    return np.asarray(solve_triangular(lower, np.diag(scale), lower=True), dtype=float)


def _settled(
    what: Supposition,
    matrix: NDArray[Any],
    right: NDArray[Any],
    factor: float,
    whole: NDArray[Any],
    singular: float = SINGULAR,
) -> Found:
    """Least-squares value of the added unknowns, in the directions that the network can tell.

    `whole` is the diagonal of their matrix before photos and joint unknowns took up what they can.
    """
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-30))
    values, vectors = np.linalg.eigh(matrix * np.outer(scale, scale))
    # At its largest, one over the smallest share; what none of the added unknowns keeps is rounding.
    kept = np.diag(matrix) / np.maximum(whole, 1e-30)
    tell = (values > singular * max(float(values[-1]), 1e-30)) & (kept.max(initial=0.0) > LEAST_SHARE)
    along = vectors[:, tell].T @ (right * scale)
    spread = scale[:, None] * vectors[:, tell] / np.sqrt(values[tell])
    value = spread @ (along / np.sqrt(values[tell]))
    drop = float((along**2 / values[tell]).sum()) / factor
    freedom = int(tell.sum())
    with np.errstate(divide="ignore"):  # no chance at all is minus infinity
        chance = float(np.log(chdtrc(freedom, drop))) if freedom else 0.0
    return Found(what, np.asarray(value, dtype=float), factor * spread @ spread.T, drop, freedom, chance)
