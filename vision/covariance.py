"""Covariance of an adjusted network's joint vector, whole and split by source."""

from __future__ import annotations

import numpy as np
from scipy.linalg import cho_solve

from vision.adjust import Normal, Problem, Solution, factor_of, tape_rows
from vision.frames import Array
from vision.unknowns import Known, departure, vector_of


def covariance(normal: Normal) -> Array:
    """Inverse of the reduced normal matrix: covariance (k = 1) of the joint vector for σ₀ = 1.

    Raises
    ------
    NetworkError
        Singular: the photos do not determine every unknown.
    """
    if not len(normal.matrix):
        return np.zeros((0, 0))
    factor, scale = factor_of(normal.matrix)
    inverse = cho_solve(factor, np.eye(len(scale))) * np.outer(scale, scale)
    return np.asarray((inverse + inverse.T) / 2, dtype=float)


def covariance_parts(problem: Problem, solution: Solution, cov: Array) -> tuple[dict[str, Array], Array]:
    """`cov` split by source: what each group of (pseudo-)observations brings through the same estimator.

    With ``H = Σ H_s`` over independent sources, ``cov = H⁻¹ = Σ H⁻¹ H_s H⁻¹``; the corners are the rest.

    Returns
    -------
    parts : dict of str to ndarray, shape (n, n)
        Shares of the sources that enter with these photos.
    lead : ndarray, shape (n, k)
        How errors of the k carried unknowns come through: the carried estimate's share is ``lead @ carried.cov @ lead.T``.
    """
    layout, place = problem.layout, problem.layout.index()
    x = vector_of(solution.values, layout)
    parts: dict[str, Array] = {}

    def add(source: str, matrix: Array) -> None:
        parts[source] = parts[source] + matrix if source in parts else matrix

    def lead_of(known: Known) -> Array:
        columns, _, jac = departure(x, known, place)
        return np.asarray(cov[:, columns] @ (jac.T @ known.weight), dtype=float)

    leads = {known.names: lead_of(known) for known in problem.known}
    for source in dict.fromkeys(source for known in problem.known for source in known.parts):
        mine = [known for known in problem.known if source in known.parts]
        lead = np.concatenate([leads[known.names] for known in mine], axis=1)
        add(source, np.concatenate([leads[known.names] @ known.parts[source] for known in mine], axis=1) @ lead.T)
    if problem.wobble_sigma.any():
        held = np.where(problem.wobble_sigma > 0, problem.wobble_sigma, np.inf)
        pull = (solution.normal.photo_joint[:, 6:, :] / held[..., None]).reshape(-1, layout.size) @ cov
        add("wobble", pull.T @ pull)
    if problem.distances:
        rows = np.array([row * 2.0 / tape.pm_mm for tape, _, row in tape_rows(problem, solution.values)]) @ cov
        add("tape", rows.T @ rows)
    lead = lead_of(problem.carried) if problem.carried else np.zeros((layout.size, 0))
    before = problem.carried.cov if problem.carried else np.zeros((0, 0))
    add("corners", cov - sum(parts.values(), np.zeros_like(cov)) - lead @ before @ lead.T)
    return parts, lead
