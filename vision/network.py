"""Many photos, many boards: one least-squares network with joint covariance, outliers named, weak spots named.

`adjust_network` is a survey (no prior) or, with the state of an earlier network as prior, a sequential adjustment of later
photos: the earlier joint estimate enters once, with its full covariance (Mikhail and Ackermann, ch. "sequential", from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from vision.adjust import Problem, Solution, adjust, covariance, covariance_parts, distance_misfit, residuals, with_weights
from vision.boards import BoardSet
from vision.camera import Camera, LensProfile
from vision.errors import NetworkError
from vision.frames import Array, Pose, exp_so3, log_so3, skew
from vision.network_start import Start, find_start
from vision.observations import BEND_MODES, Distance, View, stack_views
from vision.poses import PoseSet
from vision.unknowns import LENS_NAMES, POSE_NAMES, Hold, Known, Layout, Values, known_beforehand, lay_out, vector_of

REJECT_CORNER = 4.5
"""Whitened residual above which a corner is left out; by chance 1 in 25 000 (Rayleigh law)."""
REJECT_SHARE = 0.4
"""A sighting that loses more than this share of its corners is left out whole: it is not where the others say."""
LEAST_CORNERS = 6
TAPE_LIMIT = 4.0
"""Tape misfit over its standard uncertainty above which tape and photographs contradict each other."""


@dataclass(frozen=True, slots=True)
class Rejected:
    """A sighting the adjustment left out, and why."""

    photo: str
    body: str
    reason: str


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
        return PoseSet(poses, spread(self.cov), {s: spread(m) for s, m in self.parts.items()})

    def camera(self, lens: str, base: Camera) -> Camera:
        """The adjusted camera of a lens profile; parameters that were held keep their value."""
        parameters = base.parameters
        for j, name in enumerate(LENS_NAMES):
            full = f"lens:{lens}:{name}"
            if full in self.names:
                parameters[j] = self.value[self.names.index(full)]
        return base.with_parameters(parameters)


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

    @property
    def poses(self) -> PoseSet:
        """`survey_from_body` of all bodies, with joint covariance."""
        return self.state.pose_set()


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
    skip = {(photo, body) for photo, body, _ in start.unusable}
    rejected = [Rejected(photo, body, reason) for photo, body, reason in start.unusable]
    views = [View(v.photo, v.lens, tuple(s for s in v.seen if (v.photo, s.body) not in skip)) for v in views]
    views = [view for view in views if view.photo in start.photos and view.seen]

    left_out: list[Rejected] = []
    while True:
        problem = _problem(views, boards, lenses, datum, hold, prior, distances)
        values = _start_values(problem, start, cameras, prior)
        solution, problem, gone = _settle(problem, values, robust)
        left_out += gone
        if not gone:
            return _report(problem, solution, datum, prior, rejected + left_out)
        # A body or photo that lost its last sighting must not stay in the normal equations.
        views = _without(views, gone)
        start = _start_from(problem, solution)


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
) -> Problem:
    obs = stack_views(views, boards, lenses)
    carried = Known(prior.names, prior.value, prior.cov, prior.parts) if prior else None
    layout = lay_out(obs, boards, lenses, datum, hold, carried)
    if carried:
        carried = _part_of(carried, layout)
    known = known_beforehand(obs, boards, lenses, layout, carried)
    board_of_body = np.zeros(len(obs.bodies), dtype=np.int64)
    board_of_body[obs.body] = obs.board
    wobble = np.array(
        [[w.focal_percent / 100.0, w.centre_px, w.centre_px] for w in (lenses[name].wobble for name in obs.lenses)]
    )
    place = {body: i for i, body in enumerate(obs.bodies)}
    tapes = tuple((place[d.a], place[d.b], d) for d in distances if d.a in place and d.b in place)
    centres = np.array([boards[name].centre_mm for name in obs.boards])
    return Problem(obs, layout, tuple(known), tapes, centres, board_of_body, wobble[obs.lens_of_photo], carried)


def _part_of(known: Known, layout: Layout) -> Known:
    """The marginal of what is known for the unknowns that the new photos touch."""
    place = layout.index()
    rows = [i for i, name in enumerate(known.names) if name in place]
    grid = np.ix_(rows, rows)
    names = tuple(known.names[i] for i in rows)
    return Known(names, known.value[rows], known.cov[grid], {s: m[grid] for s, m in known.parts.items()})


def _start_values(problem: Problem, start: Start, cameras: Mapping[str, Camera], prior: NetworkState | None) -> Values:
    obs = problem.obs
    bodies = [start.bodies[body] for body in obs.bodies]
    photos = [start.photos[photo] for photo in obs.photos]
    values = Values(
        np.array([cameras[name].parameters for name in obs.lenses]),
        np.zeros((len(obs.photos), 3)),
        np.zeros((len(obs.runs), 2)),
        np.zeros((len(obs.boards), 2)),
        np.zeros((len(obs.boards), BEND_MODES)),
        np.array([pose.rotation for pose in bodies]),
        np.array([pose.translation_mm for pose in bodies]),
        np.array([pose.rotation for pose in photos]),
        np.array([pose.translation_mm for pose in photos]),
    )
    if prior:
        place = {name: i for i, name in enumerate(prior.names)}
        groups = (("scale", obs.runs, values.scale_run), ("own", obs.boards, values.scale_own))
        for label, names, array in groups:
            for i, name in enumerate(names):
                for j, axis in enumerate("xy"):
                    array[i, j] = prior.value[place[f"{label}:{name}:{axis}"]] if f"{label}:{name}:{axis}" in place else 0.0
        for i, name in enumerate(obs.boards):
            for j in range(BEND_MODES):
                if f"bend:{name}:{j}" in place:
                    values.bend[i, j] = prior.value[place[f"bend:{name}:{j}"]]
    return values


def _settle(problem: Problem, values: Values, robust: bool) -> tuple[Solution, Problem, list[Rejected]]:
    """Robust adjustment, then plain least squares on the acceptable corners; stops early when whole sightings must go."""
    if not robust:
        return adjust(problem, values), problem, []
    solution = adjust(problem, values, robust=True)
    first = problem.obs.used
    for _ in range(4):
        used = _acceptable(problem, solution, first)
        same = bool((used == problem.obs.used).all())
        problem = with_weights(problem, used)
        gone = _left_out(problem, solution, first)
        if gone:
            return solution, problem, gone
        _need_redundancy(problem)
        solution = adjust(problem, solution.values)
        if same:
            break
    return solution, problem, []


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
    if _redundancy(problem) <= 0:
        raise NetworkError("too few corners are left to determine the boards", hint="take more photos from other directions")


def _redundancy(problem: Problem) -> int:
    unknowns = problem.layout.size + 6 * len(np.unique(problem.obs.photo[problem.obs.used.any(axis=1)]))
    carried = len(problem.carried.names) if problem.carried else 0
    known = sum(len(k.names) for k in problem.known) + carried + len(problem.distances)
    return int(2 * problem.obs.used.sum()) + known - unknowns


def _left_out(problem: Problem, solution: Solution, first: NDArray[np.bool_]) -> list[Rejected]:
    obs = problem.obs
    everything = with_weights(problem, first)
    res, _ = residuals(everything, solution.values)
    norm = np.sqrt((res * res).sum(axis=-1))
    out = []
    for i in np.flatnonzero(~obs.used.any(axis=1)):
        typical = float(np.median(norm[i][first[i]]))
        reason = f"its corners lie {typical:.1f} times their uncertainty from where all other photos put them"
        out.append(Rejected(obs.photos[obs.photo[i]], obs.bodies[obs.body[i]], reason))
    return out


def _report(
    problem: Problem,
    solution: Solution,
    datum: str,
    prior: NetworkState | None,
    rejected: Sequence[Rejected],
) -> Network:
    obs, layout = problem.obs, problem.layout
    redundancy = _redundancy(problem)
    chi_square = solution.normal.cost
    sigma0 = float(np.sqrt(chi_square / redundancy)) if redundancy > 0 else 1.0
    band = tuple(float(np.sqrt(chi2.ppf(q, redundancy) / redundancy)) for q in (0.005, 0.995))
    cov = covariance(solution.normal)
    parts, lead = covariance_parts(problem, solution, cov)
    board_of = {body: obs.boards[problem.board_of_body[i]] for i, body in enumerate(obs.bodies)}
    total, all_redundancy = chi_square, redundancy
    if prior:
        total, all_redundancy = total + prior.chi_square, all_redundancy + prior.redundancy
    factor = max(1.0, total / max(all_redundancy, 1), sigma0**2 if sigma0 > band[1] else 0.0)
    value = vector_of(solution.values, layout)
    state = NetworkState(datum, layout.names, value, cov, parts, board_of, factor, total, all_redundancy)
    if prior:
        state = _carry(state, prior, lead)
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
    )


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


def _carry(state: NetworkState, prior: NetworkState, lead: Array) -> NetworkState:
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
    shift = gain @ difference(shared, state.value[[mine[name] for name in shared]], prior.value[b])
    value = np.concatenate([state.value, advance(rest, prior.value[a], shift)])
    boards = dict(prior.boards) | dict(state.boards)
    return replace(state, names=(*state.names, *rest), value=value, cov=cov, parts=parts, boards=boards)


def difference(names: Sequence[str], now: Array, then: Array) -> Array:
    """Step from `then` to `now` in the joint vector's local parameters (poses: left perturbation)."""
    out = now - then
    for k in _pose_starts(names):
        turn = log_so3(exp_so3(now[k : k + 3]) @ exp_so3(then[k : k + 3]).T)
        out[k : k + 3] = turn
        out[k + 3 : k + 6] = now[k + 3 : k + 6] - exp_so3(turn) @ then[k + 3 : k + 6]
    return out


def advance(names: Sequence[str], then: Array, step: Array) -> Array:
    """`then` moved by a step in the joint vector's local parameters (poses: left perturbation)."""
    out = then + step
    for k in _pose_starts(names):
        turn = exp_so3(step[k : k + 3])
        out[k : k + 3] = log_so3(turn @ exp_so3(then[k : k + 3]))
        out[k + 3 : k + 6] = turn @ then[k + 3 : k + 6] + step[k + 3 : k + 6]
    return out


def _pose_starts(names: Sequence[str]) -> list[int]:
    return [k for k, name in enumerate(names) if name.startswith("pose:") and name.endswith(":rx")]


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
