"""Which bodies moved since an earlier network: each is freed in turn, and the drop of the square sum is judged.

A body that stayed brings six conditions; freeing it lowers the square sum by a χ² of six. The search is greedy: the most
telling body is freed, then the others are tried again (data snooping; Baarda 1968, from memory); at the end each freed body is
held once more, and stays so when the others explain what it seemed to do.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from scipy.special import chdtri

from vision.boards import BoardSet
from vision.network import Network, NetworkState, start_of
from vision.network_start import Start
from vision.observations import View

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
    """Bodies that moved, the network with them freed and the views it was adjusted from, and the network with none freed."""

    moved: tuple[Moved, ...]
    network: Network
    views: tuple[View, ...]
    unfreed: Network


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

    def with_free(bodies: Sequence[str], *, whole: bool = False) -> Network:
        return adjust(_freed(clean, bodies), prior, robust=False, start=_with_freed(start, bodies), whole=whole)

    freed: list[str] = []
    network = unfreed = with_free(freed)
    while len(freed) < len(seen) - 1:
        # A body that is the only tie of some photo: nothing else there could tell that it moved.
        free = [body for body in seen if body not in freed and _tied(_freed(clean, [*freed, body]), prior)]
        trials = [(body, with_free([*freed, body])) for body in free]
        body, trial = min(trials, key=lambda entry: entry[1].chi_square, default=("", network))
        drop = network.chi_square - trial.chi_square
        if drop <= _limit(network, seen, freed) or not _far(_how_far(trial.state, prior, body, boards, drop)):
            break
        freed.append(body)
        network = trial
    freed, drops = _still_moved(freed, network, with_free, _limit(network, seen, freed))
    network = with_free(freed, whole=True)
    final = tuple(_how_far(network.state, prior, body, boards, drop) for body, drop in zip(freed, drops, strict=True))
    network = replace(network, rejected=(*rough.rejected, *network.rejected))
    return MovedSearch(final, network, tuple(_freed(clean, freed)), unfreed)


def _limit(network: Network, seen: Collection[str], freed: Collection[str]) -> float:
    """Drop of the square sum that a body which stayed exceeds by chance only."""
    return float(chdtri(6, FALSE_ALARM / len(seen))) * max(1.0, network.sigma0**2 if freed else 1.0)


def _far(moved: Moved) -> bool:
    return moved.shift_mm >= LEAST_SHIFT_MM or moved.turn_rad >= LEAST_TURN_RAD


def _still_moved(
    freed: Sequence[str], network: Network, with_free: Callable[[Sequence[str]], Network], limit: float
) -> tuple[list[str], list[float]]:
    """The freed bodies without those that the later ones explain, and by how much the square sum rises when each is held again.

    Of two bodies that moved, a third between them may look worst at first.
    """
    while len(freed) > 1:
        held = [with_free([body for body in freed if body != one]) for one in freed]
        rises = [trial.chi_square - network.chi_square for trial in held]
        least = int(np.argmin(rises))
        if rises[least] > limit:
            return list(freed), rises
        freed, network = [body for i, body in enumerate(freed) if i != least], held[least]
    return list(freed), [with_free([]).chi_square - network.chi_square for _ in freed]


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
