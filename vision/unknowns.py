"""The unknowns of the network: which there are, where they stand in the joint vector, what is known of them beforehand.

Names of the joint vector: ``lens:<profile>:<parameter>``, ``scale:<print run>:x|y`` (relative, common to the run),
``own:<board>:x|y`` (relative, the board's own), ``bend:<board>:0..2`` (mm), ``pose:<body>:rx … tz`` (left perturbation),
``print:<board>:<corner>:x|y`` (mm; where a corner was printed about the scaled pattern: the same in all photos and epochs).
Photo poses and the per-photo lens wobble are eliminated before the joint vector is solved and have no place in it.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from vision.boards import BoardSet
from vision.camera import DISTORTION_NAMES, INTRINSIC_NAMES, LensProfile
from vision.frames import Array, exp_so3, log_so3, skew
from vision.observations import BEND_MODES, Observations, bend_sigma_mm

LENS_NAMES = INTRINSIC_NAMES + DISTORTION_NAMES
POSE_NAMES = ("rx", "ry", "rz", "tx", "ty", "tz")
SOURCES = ("corners", "lens", "wobble", "scale", "flatness", "print", "tape")


@dataclass(frozen=True, slots=True)
class Hold:
    """Unknowns held at their value instead of adjusted as observed unknowns."""

    lens: bool = False
    scale: bool = False
    bend: bool = False
    printed: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Values:
    """Current values of all unknowns. Rows follow the name tuples of `Observations`.

    Attributes
    ----------
    lens : ndarray, shape (lenses, 12)
    wobble : ndarray, shape (photos, 5)
        Relative focal length, principal point x and y in px, drift along x and y in px over `ROWS`.
    scale_run : ndarray, shape (runs, 2)
    scale_own : ndarray, shape (boards, 2)
    bend : ndarray, shape (boards, 3), mm
    body_rotation, body_translation : ndarray, shapes (bodies, 3, 3), (bodies, 3)
        `survey_from_board`.
    photo_rotation, photo_translation : ndarray, shapes (photos, 3, 3), (photos, 3)
        `cam_from_survey`.
    printed : ndarray, shape (boards, corners of the largest, 2), mm
        Where each corner was printed, minus where the scaled pattern has it.
    """

    lens: Array
    wobble: Array
    scale_run: Array
    scale_own: Array
    bend: Array
    body_rotation: Array
    body_translation: Array
    photo_rotation: Array
    photo_translation: Array
    printed: Array


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """What is known of some unknowns beforehand: values and covariance, from one source or split by source.

    `names` are names of the joint vector; `value` holds their values (for a pose: rotation vector and translation); `weight` is
    the inverse of `cov`.
    """

    names: tuple[str, ...]
    value: Array
    cov: Array
    parts: Mapping[str, Array] = field(default_factory=dict)
    weight: Array = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "weight", information(self.cov))


def information(cov: Array) -> Array:
    """Inverse of a covariance, symmetric, found in units of each unknown's σ."""
    if not len(cov):
        return np.zeros((0, 0))
    scale = 1.0 / np.sqrt(np.diag(cov))
    inverse = np.linalg.inv(cov * np.outer(scale, scale)) * np.outer(scale, scale)
    return np.asarray((inverse + inverse.T) / 2, dtype=float)


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """Places of the unknowns in the joint vector; -1 where an unknown is held.

    `lens` (lenses, 12), `scale_run` (runs, 2), `scale_own` (boards, 2), `bend` (boards, 3), `pose` (bodies, 6), `printed`
    (boards, corners of the largest, 2), only of corners that were seen.
    """

    names: tuple[str, ...]
    lens: NDArray[np.int64]
    scale_run: NDArray[np.int64]
    scale_own: NDArray[np.int64]
    bend: NDArray[np.int64]
    pose: NDArray[np.int64]
    printed: NDArray[np.int64]

    @property
    def size(self) -> int:
        return len(self.names)

    def index(self) -> dict[str, int]:
        return {name: i for i, name in enumerate(self.names)}


def lay_out(
    obs: Observations,
    boards: BoardSet,
    lenses: Mapping[str, LensProfile],
    datum: str,
    hold: Hold,
    held: Collection[str],
) -> Layout:
    """Give every unknown its place. `datum` is the body whose pose is fixed: it has none; `held` are names an earlier network
    knows."""
    names: list[str] = []

    def place(rows: int, columns: int, label: str, free: Mapping[tuple[int, int], str]) -> NDArray[np.int64]:
        out = np.full((rows, columns), -1, dtype=np.int64)
        for (i, j), name in free.items():
            out[i, j] = len(names)
            names.append(f"{label}:{name}")
        return out

    def wanted(label: str, name: str, sigma: float, keep: bool) -> bool:
        return not keep and (sigma > 0 or f"{label}:{name}" in held)

    lens_free = {
        (i, j): f"{lens}:{LENS_NAMES[j]}"
        for i, lens in enumerate(obs.lenses)
        for j in range(12)
        if wanted("lens", f"{lens}:{LENS_NAMES[j]}", lenses[lens].cov[j, j], hold.lens)
    }
    lens = place(len(obs.lenses), 12, "lens", lens_free)
    run_pm = {boards[b].print_run: boards[b].scale.common_pm for b in obs.boards}
    run_free = {
        (i, j): f"{run}:{'xy'[j]}"
        for i, run in enumerate(obs.runs)
        for j in range(2)
        if wanted("scale", f"{run}:{'xy'[j]}", run_pm[run], hold.scale)
    }
    scale_run = place(len(obs.runs), 2, "scale", run_free)
    own_free = {
        (i, j): f"{b}:{'xy'[j]}"
        for i, b in enumerate(obs.boards)
        for j in range(2)
        if wanted("own", f"{b}:{'xy'[j]}", boards[b].scale.own_pm, hold.scale)
    }
    scale_own = place(len(obs.boards), 2, "own", own_free)
    bend_free = {
        (i, j): f"{b}:{j}"
        for i, b in enumerate(obs.boards)
        for j in range(BEND_MODES)
        if wanted("bend", f"{b}:{j}", boards[b].flatness_pm_mm, hold.bend)
    }
    bend = place(len(obs.boards), BEND_MODES, "bend", bend_free)
    pose_free = {(i, j): f"{body}:{POSE_NAMES[j]}" for i, body in enumerate(obs.bodies) if body != datum for j in range(6)}
    pose = place(len(obs.bodies), 6, "pose", pose_free)
    printed = np.full((len(obs.boards), most_corners(obs, boards), 2), -1, dtype=np.int64)
    for i, corner in _seen_corners(obs):
        for j, name in enumerate(print_names(obs.boards[i], corner)):
            if not hold.printed and (boards[obs.boards[i]].print_pm_mm > 0 or name in held):
                printed[i, corner, j] = len(names)
                names.append(name)
    return Layout(tuple(names), lens, scale_run, scale_own, bend, pose, printed)


def print_names(board: str, corner: int) -> list[str]:
    return [f"print:{board}:{corner}:{axis}" for axis in "xy"]


def most_corners(obs: Observations, boards: BoardSet) -> int:
    return max(boards[name].corner_count for name in obs.boards)


def _seen_corners(obs: Observations) -> list[tuple[int, int]]:
    """(board, corner) of all that any photo shows, in order."""
    there = np.arange(obs.used.shape[1]) < obs.count[:, None]
    board = np.broadcast_to(obs.board[:, None], there.shape)
    return sorted({*zip(board[there].tolist(), obs.corner_id[there].tolist(), strict=True)})


def known_beforehand(
    obs: Observations, boards: BoardSet, lenses: Mapping[str, LensProfile], layout: Layout, taken: Collection[str]
) -> list[Known]:
    """Lens profiles, print scales, flatness and printed places as observed unknowns; what an earlier network holds (`taken`) is
    not applied again."""
    out: list[Known] = []

    def add(source: str, names: list[str], value: Array, cov: Array) -> None:
        free = [k for k, name in enumerate(names) if name not in taken and name in place]
        if free:
            part = cov[np.ix_(free, free)]
            out.append(Known(tuple(names[k] for k in free), value[free], part, {source: part}))

    place = layout.index()
    for lens in obs.lenses:
        profile = lenses[lens]
        cov = profile.cov.copy()
        # The focal length common to all photos of a survey differs from the lens photos' by the same wobble as one photo's.
        focal = np.zeros(12)
        focal[:2] = profile.camera.parameters[:2] * profile.wobble.focal_percent / 100.0
        cov += np.outer(focal, focal)
        add("lens", [f"lens:{lens}:{name}" for name in LENS_NAMES], profile.camera.parameters, cov)
    by_run = {boards[b].print_run: boards[b] for b in obs.boards}
    for run, board in by_run.items():
        add("scale", [f"scale:{run}:{c}" for c in "xy"], np.zeros(2), np.eye(2) * (board.scale.common_pm / 2) ** 2)
    for b in obs.boards:
        own, bend = boards[b].scale.own_pm / 2, bend_sigma_mm(boards[b])
        add("scale", [f"own:{b}:{c}" for c in "xy"], np.zeros(2), np.eye(2) * own**2)
        add("flatness", [f"bend:{b}:{j}" for j in range(BEND_MODES)], np.zeros(BEND_MODES), np.eye(BEND_MODES) * bend**2)
        printed = [name for corner in range(boards[b].corner_count) for name in print_names(b, corner)]
        add("print", printed, np.zeros(len(printed)), np.eye(len(printed)) * (boards[b].print_pm_mm / 2) ** 2)
    return out


def vector_of(values: Values, layout: Layout) -> Array:
    """Values of the joint vector's unknowns; poses as rotation vector and translation."""
    x = np.zeros(layout.size)
    poses = np.concatenate([log_so3(values.body_rotation), values.body_translation], axis=1)
    for part, place in (
        (values.lens, layout.lens),
        (values.scale_run, layout.scale_run),
        (values.scale_own, layout.scale_own),
        (values.bend, layout.bend),
        (poses, layout.pose),
        (values.printed, layout.printed),
    ):
        x[place[place >= 0]] = part[place >= 0]
    return x


def moved(values: Values, layout: Layout, step: Array, photo_step: Array) -> Values:
    """Values after a step of the joint vector and of every photo (`photo_step`, shape (photos, 11): pose and wobble)."""

    def bump(part: Array, place: NDArray[np.int64]) -> Array:
        out = part.copy()
        out[place >= 0] += step[place[place >= 0]]
        return out

    pose = np.zeros(layout.pose.shape)
    pose[layout.pose >= 0] = step[layout.pose[layout.pose >= 0]]
    turn, photo_turn = exp_so3(pose[:, :3]), exp_so3(photo_step[:, :3])
    return replace(
        values,
        lens=bump(values.lens, layout.lens),
        wobble=values.wobble + photo_step[:, 6:],
        scale_run=bump(values.scale_run, layout.scale_run),
        scale_own=bump(values.scale_own, layout.scale_own),
        bend=bump(values.bend, layout.bend),
        body_rotation=turn @ values.body_rotation,
        body_translation=np.einsum("nij,nj->ni", turn, values.body_translation) + pose[:, 3:],
        photo_rotation=photo_turn @ values.photo_rotation,
        photo_translation=np.einsum("nij,nj->ni", photo_turn, values.photo_translation) + photo_step[:, 3:6],
        printed=bump(values.printed, layout.printed),
    )


def departure(x: Array, known: Known, place: Mapping[str, int]) -> tuple[NDArray[np.int64], Array, Array]:
    """How far the unknowns are from what is known of them.

    Returns
    -------
    columns : ndarray of int, shape (n,)
    gap : ndarray, shape (n,)
        Difference; for poses turn and shift of the known pose, the shift without what the turn does beyond first order: so it
        is the board's own place, not its angle as seen from the survey's origin, that is taken as normally distributed.
    jac : ndarray, shape (n, n)
        d gap / d step.
    """
    columns = np.array([place[name] for name in known.names], dtype=np.int64)
    gap = x[columns] - known.value
    jac = np.eye(len(columns))
    starts = [k for k, name in enumerate(known.names) if name.startswith("pose:") and name.endswith(":rx")]
    if starts:
        rows = np.array(starts)[:, None] + np.arange(6)
        now, then = x[columns][rows], known.value[rows]
        turn = log_so3(exp_so3(now[:, :3]) @ np.swapaxes(exp_so3(then[:, :3]), 1, 2))
        way = now[:, 3:] - then[:, 3:]
        gap[rows[:, :3]], gap[rows[:, 3:]] = turn, way - np.cross(turn, then[:, 3:])
        for row, t in zip(rows, way, strict=True):
            jac[np.ix_(row[3:], row[:3])] = -skew(t)
    return columns, gap, jac
