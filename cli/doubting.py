"""What the photos contradict: asked of every adjusted network, cured where that is possible, told in any case."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from calib.bodies import board_of
from calib.doubts import EARLIER, Cure, Doubt, Guess, doubt_about, opened, parted, stop
from calib.paper.job import Job
from vision.boards import BoardSet
from vision.network import Network, start_of
from vision.network_start import Start
from vision.observations import View
from vision.snooping import snoop

MOST_CURES = 3
"""Faults cured one after another; a job with more of them should be photographed again."""


@dataclass(frozen=True, slots=True, eq=False)
class Settled:
    """A network, what it was adjusted from, and what had to be said."""

    network: Network
    views: tuple[View, ...]
    boards: BoardSet
    remarks: tuple[str, ...]


def doubt_in(network: Network, guesses: Sequence[Guess], boards: BoardSet, job: Job, views: Sequence[View]) -> Doubt | None:
    """What the network contradicts most, if anything."""
    if network.inside is None:
        raise ValueError("this network does not know what it was adjusted from")
    problem, solution = network.inside
    found = snoop(problem, solution, [guess.what for guess in guesses], network.state.variance_factor)
    return doubt_about(found, guesses, boards, network.poses, job, views)


def settled(
    views: Sequence[View],
    boards: BoardSet,
    job: Job,
    adjust: Callable[[Sequence[View], BoardSet, Start | None], Network],
    guesses_of: Callable[[Sequence[View]], list[Guess]],
) -> Settled:
    """Adjust, doubt, cure, and again, until nothing contradicts.

    Raises
    ------
    MeasurementError
        A doubt that cannot be cured and would pull a board by more than its U.
    """
    remarks: list[str] = []
    network = adjust(views, boards, None)
    for _ in range(MOST_CURES):
        doubt = doubt_in(network, guesses_of(views), boards, job, views)
        if doubt is None:
            break
        if doubt.stops:
            raise stop(doubt)
        remarks.append(f"{doubt.words}; {doubt.hint}")
        if doubt.cure is Cure.NONE:
            break
        views, boards = parted(views, doubt), opened(boards, doubt)
        network = adjust(views, boards, _start(network, views))
    return Settled(network, tuple(views), boards, tuple(remarks))


def _start(network: Network, views: Sequence[View]) -> Start | None:
    """Where the adjusted network stands, a floor board's earlier place beside its present one; none if a body is new."""
    start = start_of(network)
    wanted = {s.body for view in views for s in view.seen}
    bodies = dict(start.bodies)
    for body in wanted - set(bodies):
        if body.endswith(f"@{EARLIER}") and board_of(body) in start.bodies:
            bodies[body] = start.bodies[board_of(body)]
    known = wanted <= set(bodies) and all(view.photo in start.photos for view in views if view.seen)
    return replace(start, bodies=bodies) if known else None
