"""The joint estimate of a network, and how it is carried into a later adjustment."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from vision.camera import Camera
from vision.frames import Array, Pose, exp_so3, log_so3
from vision.poses import PoseSet
from vision.unknowns import LENS_NAMES, POSE_NAMES


@dataclass(frozen=True, slots=True, eq=False)
class NetworkState:
    """Joint estimate of all unknowns, to be carried into a later adjustment.

    Attributes
    ----------
    datum : str
        Body whose pose is the survey frame.
    names, value, cov, parts
        Joint vector (see `vision.unknowns`), values (poses as rotation vector and translation), covariance for σ₀ = 1 and its
        split by source.
    boards : dict of body to board name
    variance_factor : float
        What the covariance is multiplied by wherever it is reported: max(1, σ̂₀²), of all photos so far, and of the last ones
        alone where these scatter significantly more.
    chi_square, redundancy
        Of all photos so far.
    noise_share : float
        Of the survey (`vision.noise_share`); later photos are weighed by it too.
    row_drift_px : float
        σ of the photos' drift from row to row as the survey found it (`vision.row_drift`); later photos are allowed it too.
    probes : dict of str to ndarray, shape (n, q)
        Further, vanishing sources of uncertainty, each by a root of its covariance (`reliability.with_probes`); never written.
    """

    datum: str
    names: tuple[str, ...]
    value: Array
    cov: Array
    parts: Mapping[str, Array]
    boards: Mapping[str, str]
    variance_factor: float
    chi_square: float
    redundancy: int
    noise_share: float = 0.0
    row_drift_px: float = 0.0
    probes: Mapping[str, Array] = field(default_factory=dict)

    def pose(self, body: str) -> Pose:
        """`survey_from_body`."""
        if body == self.datum:
            return Pose.identity("survey", body)
        start = self.names.index(f"pose:{body}:rx")
        return Pose.from_rt("survey", body, self.value[start : start + 3], self.value[start + 3 : start + 6])

    def pose_set(self) -> PoseSet:
        """All bodies with their joint covariance; the datum's is zero."""
        place = {name: i for i, name in enumerate(self.names)}
        rows = [place.get(f"pose:{body}:{c}", -1) for body in self.boards for c in POSE_NAMES]
        known = np.array([r >= 0 for r in rows])
        index = np.array([r for r in rows if r >= 0], dtype=np.int64)

        def spread(matrix: Array) -> Array:
            out = np.zeros((len(rows), len(rows)))
            out[np.ix_(known, known)] = self.variance_factor * matrix[np.ix_(index, index)]
            return out

        poses = tuple(self.pose(body) for body in self.boards)
        parts = {source: spread(matrix) for source, matrix in self.parts.items()}
        for source, root in self.probes.items():
            mine = np.zeros((len(rows), root.shape[1]))
            mine[known] = root[index]
            parts[source] = self.variance_factor * mine @ mine.T
        return PoseSet(poses, spread(self.cov), parts)

    def camera(self, lens: str, base: Camera) -> Camera:
        """The adjusted camera of a lens profile; parameters that were held keep their value."""
        parameters = base.parameters
        for j, name in enumerate(LENS_NAMES):
            full = f"lens:{lens}:{name}"
            if full in self.names:
                parameters[j] = self.value[self.names.index(full)]
        return base.with_parameters(parameters)


def carry(state: NetworkState, prior: NetworkState, lead: Array) -> NetworkState:
    """Bring the rest of the prior's unknowns along: what they share with the adjusted ones moves with them.

    For jointly normal (a, b) with b re-estimated: a' = a + C_ab C_bb⁻¹ (b' − b), and the covariance alike. The split by source
    follows the errors of the prior's sources through both ways, `lead` (n, shared) and the remainder of a that b does not hold.
    """
    mine = {name: i for i, name in enumerate(state.names)}
    there = {name: i for i, name in enumerate(prior.names)}
    shared = [name for name in prior.names if name in mine]
    rest = [name for name in prior.names if name not in mine]
    b, a = [there[name] for name in shared], [there[name] for name in rest]
    gain = np.linalg.solve(prior.cov[np.ix_(b, b)], prior.cov[np.ix_(b, a)]).T
    n, r = len(state.names), len(rest)
    lift = np.vstack([np.eye(n), np.zeros((r, n))])
    lift[n:, [mine[name] for name in shared]] = gain
    through = np.zeros((n + r, len(prior.names)))
    through[:, b] = lift @ lead
    remainder = np.zeros_like(through)
    remainder[n:, a] = np.eye(r)
    remainder[n:, b] = -gain
    through += remainder

    cov = lift @ state.cov @ lift.T + remainder @ prior.cov @ remainder.T
    parts = {source: through @ matrix @ through.T for source, matrix in prior.parts.items()}
    for source, matrix in state.parts.items():
        new = lift @ matrix @ lift.T
        parts[source] = parts[source] + new if source in parts else new
    probes = {source: through @ root for source, root in prior.probes.items()}
    shift = gain @ difference(shared, state.value[[mine[name] for name in shared]], prior.value[b])
    value = np.concatenate([state.value, advance(rest, prior.value[a], shift)])
    boards = dict(prior.boards) | dict(state.boards)
    return replace(state, names=(*state.names, *rest), value=value, cov=cov, parts=parts, boards=boards, probes=probes)


def difference(names: Sequence[str], now: Array, then: Array) -> Array:
    """Step from `then` to `now` in the joint vector's local parameters (poses: turn and shift as in `unknowns.departure`)."""
    out = now - then
    for k in _pose_starts(names):
        turn = log_so3(exp_so3(now[k : k + 3]) @ exp_so3(then[k : k + 3]).T)
        out[k : k + 3] = turn
        out[k + 3 : k + 6] = now[k + 3 : k + 6] - then[k + 3 : k + 6] - np.cross(turn, then[k + 3 : k + 6])
    return out


def advance(names: Sequence[str], then: Array, step: Array) -> Array:
    """`then` moved by a step in the joint vector's local parameters: undoes `difference`."""
    out = then + step
    for k in _pose_starts(names):
        turn = step[k : k + 3]
        out[k : k + 3] = log_so3(exp_so3(turn) @ exp_so3(then[k : k + 3]))
        out[k + 3 : k + 6] = then[k + 3 : k + 6] + np.cross(turn, then[k + 3 : k + 6]) + step[k + 3 : k + 6]
    return out


def _pose_starts(names: Sequence[str]) -> list[int]:
    return [k for k, name in enumerate(names) if name.startswith("pose:") and name.endswith(":rx")]
