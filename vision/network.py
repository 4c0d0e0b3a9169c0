"""Many photos, many boards: one least-squares network with joint covariance, outliers named, weak spots named.

`adjust_network` is a survey (no prior) or, with the state of an earlier network as prior, a sequential adjustment of later
photos: the earlier joint estimate enters once, with its full covariance (Mikhail and Ackermann, ch. "sequential", from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from vision.adjust import Problem, Solution, adjust, residuals, with_weights
from vision.boards import BoardSet
from vision.camera import Camera, LensProfile
from vision.errors import NetworkError
from vision.frames import Pose
from vision.linearise import PHOTO_COLUMNS
from vision.network_report import BodyStrength, Network, redundancy_of, report, weak_spots
from vision.network_start import Start, find_start, in_frame_of
from vision.network_state import NetworkState
from vision.noise_share import weighed, with_noise_share
from vision.observations import BEND_MODES, Distance, Observations, View, stack_views
from vision.sightings import Rejected
from vision.unknowns import Hold, Known, Layout, Values, known_beforehand, lay_out, moved

__all__ = ["BodyStrength", "Network", "NetworkState", "Rejected", "adjust_network", "start_of", "weak_spots"]

REJECT_CORNER = 4.5
"""Whitened residual above which a corner is left out; by chance 1 in 25 000 (Rayleigh law)."""
REJECT_SHARE = 0.4
"""A sighting that loses more than this share of its corners is left out whole: it is not where the others say."""
LEAST_CORNERS = 6
PRINTED = frozenset({"scale", "own", "bend", "print"})
"""Labels of unknowns that a board keeps from one network to the next, and that start at nil without an earlier one."""
GROSS_PX = 20.0
"""A sighting farther off than this at the start is wrong or its body is badly placed; either way it must not pull yet."""


def adjust_network(
    views: Sequence[View],
    boards: BoardSet,
    lenses: Mapping[str, LensProfile],
    *,
    distances: Sequence[Distance] = (),
    prior: NetworkState | None = None,
    datum: str | None = None,
    hold: Hold | None = None,
    robust: bool = True,
    start: Start | None = None,
    whole: bool = True,
    row_drift_px: float = 0.0,
) -> Network:
    """Adjust photos and boards in one network.

    Parameters
    ----------
    views : sequence of View
    boards : BoardSet
    lenses : mapping of name to LensProfile
    distances : sequence of Distance
        Tape distances between bodies seen in the views.
    prior : NetworkState, optional
        State of an earlier network; lens, scales and bends it holds are not applied a second time.
    datum : str, optional
        Body that is the survey frame (default: the most seen one; with a prior: the prior's).
    hold : Hold, optional
        Groups of unknowns held at their value.
    robust : bool
        Huber weights to find and leave out wrong corners and sightings; the result is then plain least squares on the rest.
    start : Start, optional
        Where to start from, when it is known (`start_of` an earlier adjustment of the same photos).
    whole : bool
        Carry the prior's other unknowns along and split the covariance by source; a trial adjustment can do without.
    row_drift_px : float
        σ (k = 1) of every photo's drift from row to row, px over `ROWS`, where its lens profile has less; with a prior, that of
        its survey counts.

    Raises
    ------
    NetworkError
        Not tied together (`NotTiedError`), singular, no redundancy, or tape against photographs.
    """
    hold = hold or Hold()
    views = [view for view in views if view.seen]
    if not views:
        raise NetworkError("no photo shows a board", hint="look at the photos: boards sharp, whole and lit?")
    datum = prior.datum if prior else datum or _most_seen(views)
    cameras = {name: lens.camera for name, lens in lenses.items()}
    if prior:
        cameras = {name: prior.camera(name, camera) for name, camera in cameras.items()}
    if start is None:
        known = {body: prior.pose(body) for body in _bodies(views) if body in prior.boards} if prior else None
        start = find_start(views, boards, cameras, datum, known)
    elif not prior:
        start = in_frame_of(start, datum)
    skip = {(photo, body) for photo, body, _ in start.unusable}
    rejected = [Rejected(photo, body, reason) for photo, body, reason in start.unusable]
    views = [View(v.photo, v.lens, tuple(s for s in v.seen if (v.photo, s.body) not in skip)) for v in views]
    views = [view for view in views if view.photo in start.photos and view.seen]

    left_out: list[Rejected] = []
    while True:
        problem = _problem(views, boards, lenses, datum, hold, prior, distances, row_drift_px)
        values = _start_values(problem, start, cameras, prior)
        solution, problem, gone = _settle(problem, values, robust, trial=not whole)
        left_out += gone
        if not gone:
            if prior is None:
                problem, solution = with_noise_share(problem, solution)
            return report(problem, solution, datum, prior, rejected + left_out, whole=whole)
        # A body or photo that lost its last sighting must not stay in the normal equations.
        views = _without(views, gone)
        start = _start_from(problem, solution)


def start_of(network: Network) -> Start:
    """Poses of an adjusted network as the start of another adjustment of the same photos."""
    bodies = {body: network.state.pose(body) for body in network.bodies_seen}
    return Start(network.cam_from_survey, bodies, ())


def _without(views: Sequence[View], gone: Sequence[Rejected]) -> list[View]:
    pairs = {(r.photo, r.body) for r in gone}
    kept = [replace(v, seen=tuple(s for s in v.seen if (v.photo, s.body) not in pairs)) for v in views]
    kept = [view for view in kept if view.seen]
    if not kept:
        raise NetworkError(
            "no sighting agrees with the others", hint="take the photos again: nothing may move while they are taken"
        )
    return kept


def _start_from(problem: Problem, solution: Solution) -> Start:
    obs, values = problem.obs, solution.values
    photos = {
        name: Pose.from_rt("cam", "survey", values.photo_rotation[i], values.photo_translation[i])
        for i, name in enumerate(obs.photos)
    }
    bodies = {
        name: Pose.from_rt("survey", name, values.body_rotation[i], values.body_translation[i])
        for i, name in enumerate(obs.bodies)
    }
    return Start(photos, bodies, ())


def _bodies(views: Sequence[View]) -> list[str]:
    return list(dict.fromkeys(seen.body for view in views for seen in view.seen))


def _most_seen(views: Sequence[View]) -> str:
    count: dict[str, int] = {}
    for view in views:
        for seen in view.seen:
            count[seen.body] = count.get(seen.body, 0) + len(seen.sighting.corner_ids)
    return max(count, key=lambda body: count[body])


def _problem(
    views: Sequence[View],
    boards: BoardSet,
    lenses: Mapping[str, LensProfile],
    datum: str,
    hold: Hold,
    prior: NetworkState | None,
    distances: Sequence[Distance],
    row_drift_px: float = 0.0,
) -> Problem:
    obs = weighed(stack_views(views, boards, lenses), prior.noise_share if prior else 0.0)
    held = frozenset(prior.names) if prior else frozenset()
    layout = lay_out(obs, boards, lenses, datum, hold, held)
    carried = _part_of(prior, layout) if prior else None
    known = known_beforehand(obs, boards, lenses, layout, held)
    board_of_body = np.zeros(len(obs.bodies), dtype=np.int64)
    board_of_body[obs.body] = obs.board
    drift = prior.row_drift_px if prior else row_drift_px
    wobble = np.array(
        [
            [w.focal_percent / 100.0, w.centre_px, w.centre_px, max(w.row_drift_px, drift), max(w.row_drift_px, drift)]
            for w in (lenses[name].wobble for name in obs.lenses)
        ]
    )
    place = {body: i for i, body in enumerate(obs.bodies)}
    tapes = tuple((place[d.a], place[d.b], d) for d in distances if d.a in place and d.b in place)
    centres = np.array([boards[name].centre_mm for name in obs.boards])
    return Problem(obs, layout, tuple(known), tapes, centres, board_of_body, wobble[obs.lens_of_photo], carried, drift)


def _part_of(prior: NetworkState, layout: Layout) -> Known:
    """The marginal of what is known for the unknowns that the new photos touch."""
    place = layout.index()
    rows = [i for i, name in enumerate(prior.names) if name in place]
    names = tuple(prior.names[i] for i in rows)
    return Known(names, prior.value[rows], prior.cov[np.ix_(rows, rows)])


def _start_values(problem: Problem, start: Start, cameras: Mapping[str, Camera], prior: NetworkState | None) -> Values:
    obs = problem.obs
    bodies = [start.bodies[body] for body in obs.bodies]
    photos = [start.photos[photo] for photo in obs.photos]
    values = Values(
        np.array([cameras[name].parameters for name in obs.lenses]),
        np.zeros((len(obs.photos), PHOTO_COLUMNS - 6)),
        np.zeros((len(obs.runs), 2)),
        np.zeros((len(obs.boards), 2)),
        np.zeros((len(obs.boards), BEND_MODES)),
        np.array([pose.rotation for pose in bodies]),
        np.array([pose.translation_mm for pose in bodies]),
        np.array([pose.rotation for pose in photos]),
        np.array([pose.translation_mm for pose in photos]),
        np.zeros((*problem.layout.printed.shape[:2], 2)),
    )
    if prior:
        there = {name: i for i, name in enumerate(prior.names)}
        step = np.zeros(problem.layout.size)
        for i, name in enumerate(problem.layout.names):
            if name in there and name.partition(":")[0] in PRINTED:
                step[i] = prior.value[there[name]]
        values = moved(values, problem.layout, step, np.zeros((len(obs.photos), PHOTO_COLUMNS)))
    return values


def _settle(problem: Problem, values: Values, robust: bool, *, trial: bool = False) -> tuple[Solution, Problem, list[Rejected]]:
    """Robust adjustment, then plain least squares on the acceptable corners; stops early when whole sightings must go."""
    if not robust:
        return adjust(problem, values, trial=trial), problem, []
    first = problem.obs.used
    solution = adjust(with_weights(problem, _without_gross(problem, values)), values, robust=True)
    for _ in range(4):
        used = _acceptable(problem, solution, first)
        same = bool((used == problem.obs.used).all())
        problem = with_weights(problem, used)
        gone = _left_out(problem, solution, first)
        if gone:
            return solution, problem, gone
        _need_redundancy(problem)
        solution = adjust(problem, solution.values, trial=trial)
        if same:
            break
    return solution, problem, []


def _without_gross(problem: Problem, values: Values) -> NDArray[np.bool_]:
    """Corners to begin with: sightings far from where the start has them wait outside, as their pull would bend the rest.

    They are judged anew after the first adjustment. A sighting that alone ties two parts of the network stays: without it the
    parts would drift.
    """
    obs = problem.obs
    res, _ = residuals(problem, values)
    gap_px = np.linalg.norm(np.linalg.solve(obs.whiten, res[..., None])[..., 0], axis=-1)
    typical = np.array([float(np.median(gap_px[i][obs.used[i]])) for i in range(len(obs.photo))])
    used = obs.used.copy()
    for i in np.argsort(-typical):
        if typical[i] < GROSS_PX:
            break
        others = np.asarray(used.any(axis=1), dtype=np.bool_)
        others[i] = False
        if _tied(obs, others, i):
            used[i] = False
    return np.asarray(used, dtype=bool)


def _tied(obs: Observations, others: NDArray[np.bool_], i: int) -> bool:
    """Whether the photo and the body of sighting i hang together by the other sightings."""
    photos = len(obs.photos)
    n = photos + len(obs.bodies)
    links = coo_array((np.ones(int(others.sum())), (obs.photo[others], photos + obs.body[others])), shape=(n, n))
    part = connected_components(links, directed=False)[1]
    return bool(part[obs.photo[i]] == part[photos + obs.body[i]])


def _acceptable(problem: Problem, solution: Solution, first: NDArray[np.bool_]) -> NDArray[np.bool_]:
    everything = with_weights(problem, first)
    res, ahead = residuals(everything, solution.values)
    norm = np.sqrt((res * res).sum(axis=-1))
    # Median of the Rayleigh law is 1.1774 σ: a scale that wrong sightings cannot pull up.
    spread = max(1.0, float(np.median(norm[problem.obs.used])) / 1.1774)
    used = first & ahead & (norm <= REJECT_CORNER * spread)
    share = used.sum(axis=1) / first.sum(axis=1)
    used[(share < 1.0 - REJECT_SHARE) | (used.sum(axis=1) < LEAST_CORNERS)] = False
    return np.asarray(used, dtype=bool)


def _need_redundancy(problem: Problem) -> None:
    if redundancy_of(problem) <= 0:
        raise NetworkError("too few corners are left to determine the boards", hint="take more photos from other directions")


def _left_out(problem: Problem, solution: Solution, first: NDArray[np.bool_]) -> list[Rejected]:
    obs = problem.obs
    everything = with_weights(problem, first)
    res, _ = residuals(everything, solution.values)
    norm = np.sqrt((res * res).sum(axis=-1))
    out = []
    for i in np.flatnonzero(~obs.used.any(axis=1)):
        typical = float(np.median(norm[i][first[i]]))
        reason = f"its corners lie {typical:.1f} times their uncertainty from where all other photos put them"
        out.append(Rejected(obs.photos[obs.photo[i]], obs.bodies[obs.body[i]], reason, typical))
    return out
