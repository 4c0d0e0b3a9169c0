"""Which bodies moved since an earlier network: each is freed in turn, and the drop of the square sum is judged.

A body that stayed brings six conditions; freeing it lowers the square sum by a χ² of six. The search is greedy: the most
telling body is freed for good, then the others are tried again (data snooping; Baarda 1968, from memory).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from scipy.stats import chi2

from vision.boards import BoardSet
from vision.frames import Estimate
from vision.network import Network, NetworkState, start_of
from vision.network_start import Start
from vision.observations import View
from vision.poses import PoseSet

FALSE_ALARM = 1e-3
"""Probability that a check in which nothing moved names a body, all bodies together."""
LEAST_SHIFT_MM = 1.0
LEAST_TURN_RAD = 1.5e-3
"""Below both nothing is called moved: such a body pulls no figure by more than its U, and dust lifts a board as much."""
LOOSE_MM, LOOSE_RAD = 50.0, 0.02
NOW = "@now"


@dataclass(frozen=True, slots=True, eq=False)
class Moved:
    """A body that is not where it was.

    Attributes
    ----------
    body : str
    shift_mm : float
        How far its centre mark moved.
    turn_rad : float
    drop : float
        Drop of the square sum when the body is freed (χ² of 6 if it had stayed).
    """

    body: str
    shift_mm: float
    turn_rad: float
    drop: float


@dataclass(frozen=True, slots=True, eq=False)
class MovedSearch:
    """Bodies that moved, the network with them freed, and the views it was adjusted from."""

    moved: tuple[Moved, ...]
    network: Network
    views: tuple[View, ...]


class Adjust(Protocol):
    """Adjusts views on a prior; the other arguments are those of `adjust_network`."""

    def __call__(
        self, views: Sequence[View], prior: NetworkState, *, robust: bool, start: Start | None, whole: bool
    ) -> Network: ...


def find_moved(
    views: Sequence[View], candidates: Collection[str], boards: BoardSet, prior: NetworkState, adjust: Adjust
) -> MovedSearch:
    """Find bodies among `candidates` that moved since the earlier network `prior`.

    Parameters
    ----------
    adjust : Adjust
        A body called ``name@now`` is new to the prior. Corners that are wrong in the picture are found once, with all
        candidates nearly free; square sums are then compared on the same corners.

    Raises
    ------
    NetworkError
        The views are not tied to the earlier network.
    """
    seen = [body for body in candidates if any(s.body == body for view in views for s in view.seen)]
    # Nearly free: nothing that moved can make a good corner look wrong, and every photo stays tied to the bay.
    rough = adjust(views, _loosened(prior, seen), robust=True, start=None, whole=False)
    clean, start = _clean(views, rough), start_of(rough)
    # Bodies whose sightings are all wrong in the picture cannot tell whether they moved.
    seen = [body for body in seen if any(s.body == body for view in clean for s in view.seen)]
    freed: list[str] = []
    network = adjust(clean, prior, robust=False, start=start, whole=False)
    drops: dict[str, float] = {}
    while len(freed) < len(seen) - 1:
        limit = chi2.isf(FALSE_ALARM / len(seen), 6) * max(1.0, network.sigma0**2 if freed else 1.0)
        trials = []
        for body in seen:
            views_freed = _freed(clean, [*freed, body])
            # A body that is the only tie of some photo: nothing else there could tell that it moved.
            if body in freed or not _tied(views_freed, prior):
                continue
            trial = adjust(views_freed, prior, robust=False, start=_with_freed(start, [*freed, body]), whole=False)
            drop = network.chi_square - trial.chi_square
            if drop > limit:
                trials.append((drop, body, trial))
        if not trials:
            break
        drop, body, trial = max(trials, key=lambda entry: entry[0])
        moved = _how_far(trial.state, prior, body, boards, drop)
        if moved.shift_mm < LEAST_SHIFT_MM and moved.turn_rad < LEAST_TURN_RAD:
            break
        freed.append(body)
        drops[body] = drop
        network = trial
    views_freed = _freed(clean, freed)
    network = adjust(views_freed, prior, robust=False, start=_with_freed(start, freed), whole=True)
    final = tuple(_how_far(network.state, prior, body, boards, drops[body]) for body in freed)
    network = replace(network, rejected=(*rough.rejected, *network.rejected))
    return MovedSearch(final, network, tuple(views_freed))


def _with_freed(start: Start, bodies: Collection[str]) -> Start:
    return replace(start, bodies=dict(start.bodies) | {body + NOW: start.bodies[body] for body in bodies})


def _tied(views: Sequence[View], prior: NetworkState) -> bool:
    """Whether every photo hangs together with a body of the prior."""
    tied = set(prior.boards)
    waiting = [{s.body for s in view.seen} for view in views if view.seen]
    while waiting:
        left = [bodies for bodies in waiting if not bodies & tied]
        if len(left) == len(waiting):
            return False
        tied |= {body for bodies in waiting if bodies & tied for body in bodies}
        waiting = left
    return True


def _loosened(prior: NetworkState, bodies: Collection[str]) -> NetworkState:
    """The prior with the bodies' poses known only roughly."""
    extra = np.zeros(len(prior.names))
    for i, name in enumerate(prior.names):
        label, _, rest = name.partition(":")
        body, _, axis = rest.rpartition(":")
        if label == "pose" and body in bodies:
            extra[i] = LOOSE_RAD if axis.startswith("r") else LOOSE_MM
    more = np.diag(extra**2)
    parts = {**prior.parts, "corners": prior.parts["corners"] + more}
    return replace(prior, cov=prior.cov + more, parts=parts)


def _freed(views: Sequence[View], bodies: Collection[str]) -> list[View]:
    return [
        replace(view, seen=tuple(replace(s, body=s.body + NOW) if s.body in bodies else s for s in view.seen)) for view in views
    ]


def _clean(views: Sequence[View], network: Network) -> list[View]:
    """Views with the corners only that even nearly free bodies explain: the others are wrong in the picture, not moved."""
    out = []
    for view in views:
        seen = []
        for s in view.seen:
            kept = network.kept.get((view.photo, s.body))
            if kept is not None and kept.any():
                part = replace(
                    s.sighting,
                    corner_ids=s.sighting.corner_ids[kept],
                    px=s.sighting.px[kept],
                    cov_px=s.sighting.cov_px[kept],
                )
                seen.append(replace(s, sighting=part))
        out.append(replace(view, seen=tuple(seen)))
    return out


def _how_far(state: NetworkState, prior: NetworkState, body: str, boards: BoardSet, drop: float) -> Moved:
    mark = boards[prior.boards[body]].centre_mm
    before, after = prior.pose(body), state.pose(body + NOW)
    turn = (before.transform.rotation.inv() * after.transform.rotation).magnitude()
    return Moved(body, float(np.linalg.norm(after.apply(mark) - before.apply(mark))), float(turn), drop)


def pose_change(poses: PoseSet, before: str, after: str, mark_mm: np.ndarray) -> Estimate:
    """Turn (rad) and shift of the centre mark (mm) between two bodies that carry the same board, in the survey's axes.

    Names ``rx_rad ry_rad rz_rad x_mm y_mm z_mm``.
    """

    def change(state: PoseSet) -> np.ndarray:
        turn = state[after].transform.rotation * state[before].transform.rotation.inv()
        return np.concatenate([turn.as_rotvec(), state[after].apply(mark_mm) - state[before].apply(mark_mm)])

    names = ("rx_rad", "ry_rad", "rz_rad", "x_mm", "y_mm", "z_mm")
    return poses.of([before, after]).propagate(names, change)
