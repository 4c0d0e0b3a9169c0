"""The network's own start: photos and bodies are placed one after another from single-board poses.

Both planar solutions of a board stay candidates until other boards and photos decide.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from vision.boards import Board, BoardSet
from vision.camera import Camera, project_arrays
from vision.errors import NetworkError, PoseError
from vision.frames import Array, Pose, exp_so3
from vision.observations import BodySighting, View
from vision.pose import BoardPose, board_pose
from vision.sightings import Sighting

CAP = 20.0
"""Whitened residuals above this count no more when candidates are compared: one wrong sighting must not decide."""

WILD_PX = 3.0
"""A corner farther from its board's plane map may be wrong; lens, print and bends move the corners of one board by less."""
LEAST_SOUND = 6
GOOD_START, MOST_ROOTS = 10.0, 8
"""Mean misfit, px², below which a start is good: right ones have 0.1 to 1.5; a wrong sighting adds CAP² over their number."""
REFINED_CHOICES, REFINE_STEPS, REFINE_HUBER = 4, 4, 3.0
SETTLED_RAD, SETTLED_MM = 1e-6, 1e-3
"""Steps below which a start needs no better."""


class NotTiedError(NetworkError):
    """The photos fall into groups that share no body.

    Attributes
    ----------
    groups : tuple of tuple of str
        Bodies of each group; the first is the one that was being placed.
    """

    def __init__(self, groups: tuple[tuple[str, ...], ...]) -> None:
        shown = "; ".join(", ".join(group) for group in groups)
        first, second = groups[0][0], groups[1][0]
        super().__init__(
            f"the photos are not tied together: {len(groups)} groups of boards are never seen in one photo: {shown}",
            hint=f"add a photo that shows {first} and {second} together, and at best more boards of both groups",
        )
        self.groups = groups


@dataclass(frozen=True, slots=True, eq=False)
class Edge:
    """One sighting with its candidate poses `cam_from_body`, shape (candidates, 4, 4)."""

    view: int
    seen: BodySighting
    candidates: Array
    corners: Array
    square_px: Array


@dataclass(slots=True, eq=False)
class Placing:
    """What has been placed so far (4 x 4 matrices `cam_from_survey`, `survey_from_body`), while the start is made."""

    cameras: list[Camera]
    photo: dict[int, Array] = field(default_factory=dict)
    body: dict[str, Array] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """Poses to start from: `cam_from_survey` by photo, `survey_from_body` by body, and sightings that gave no pose."""

    photos: Mapping[str, Pose]
    bodies: Mapping[str, Pose]
    unusable: tuple[tuple[str, str, str], ...]


def find_start(
    views: Sequence[View], boards: BoardSet, cameras: Mapping[str, Camera], datum: str, fixed: Mapping[str, Pose] | None = None
) -> Start:
    """Place all photos and bodies around the datum body.

    Parameters
    ----------
    fixed : mapping of body to `survey_from_body`, optional
        Bodies whose place is known already (a check after a survey).

    Raises
    ------
    NotTiedError
        The photos are not connected through shared bodies.
    """
    edges, unusable = _edges(views, boards, cameras)
    by_view: dict[int, list[Edge]] = {}
    by_body: dict[str, list[Edge]] = {}
    for edge in edges:
        by_view.setdefault(edge.view, []).append(edge)
        by_body.setdefault(edge.seen.body, []).append(edge)
    lenses = [cameras[view.lens] for view in views]
    if fixed:
        known = {body: np.asarray(pose.transform.as_matrix(), dtype=float) for body, pose in fixed.items()}
        state = _placed(Placing(lenses, body=known), edges, by_view, by_body)
    else:
        state = _placed_from_some_body(lenses, edges, by_view, by_body, datum)
    photos = {views[i].photo: Pose.from_matrix("cam", "survey", matrix) for i, matrix in state.photo.items()}
    bodies = {body: Pose.from_matrix("survey", body, matrix) for body, matrix in state.body.items()}
    return Start(photos, bodies, tuple(unusable))


def in_frame_of(start: Start, datum: str) -> Start:
    """The same start with the body `datum` as the survey's frame."""
    if np.array_equal(start.bodies[datum].transform.as_matrix(), np.eye(4)):
        return start
    survey_from_old = Pose("survey", "old", start.bodies[datum].inverse().transform)
    bodies = {body: survey_from_old @ Pose("old", body, pose.transform) for body, pose in start.bodies.items()}
    old_from_survey = survey_from_old.inverse()
    photos = {photo: Pose("cam", "old", pose.transform) @ old_from_survey for photo, pose in start.photos.items()}
    return Start(photos, bodies, start.unusable)


def _placed(
    state: Placing, edges: Sequence[Edge], by_view: Mapping[int, list[Edge]], by_body: Mapping[str, list[Edge]]
) -> Placing:
    """Everything placed around the bodies that stand already."""
    first = set(state.body)
    while _place_next(state, by_view, by_body):
        pass
    left = [body for body in by_body if body not in state.body]
    if left or len(state.photo) < len(by_view):
        raise NotTiedError(_groups(edges, state, left))
    _reconsider(state, by_body, by_view, first)
    return state


def _placed_from_some_body(
    lenses: list[Camera],
    edges: Sequence[Edge],
    by_view: Mapping[int, list[Edge]],
    by_body: Mapping[str, list[Edge]],
    datum: str,
) -> Placing:
    """Everything placed around the datum; when that does not fit, around other bodies, and the best is taken.

    One board placed by the wrong of its two planar poses carries all that hangs on it along; from another body the same board
    is reached by other photos.
    """
    corners = {body: sum(len(edge.corners) for edge in mine) for body, mine in by_body.items()}
    roots = [datum, *sorted((body for body in corners if body != datum), key=lambda body: -corners[body])]
    tried: list[tuple[float, Placing]] = []
    for root in roots[:MOST_ROOTS]:
        placed = _placed(Placing(lenses, body={root: np.eye(4)}), edges, by_view, by_body)
        tried.append((_mean_misfit(placed, edges), placed))
        if tried[-1][0] < GOOD_START:
            break
    _, state = min(tried, key=lambda entry: entry[0])
    survey_from_datum = state.body[datum]
    state.photo = {view: matrix @ survey_from_datum for view, matrix in state.photo.items()}
    state.body = {body: _inverse(survey_from_datum) @ matrix for body, matrix in state.body.items()}
    return state


def _mean_misfit(state: Placing, edges: Sequence[Edge]) -> float:
    """Capped square misfit per corner over all sightings, px² (1 px beside the corner noise)."""
    total = 0.0
    for edge in edges:
        chain = state.photo[edge.view] @ state.body[edge.seen.body]
        total += float(_misfits(state.cameras[edge.view], edge, chain[None])[0])
    return total / sum(len(edge.corners) for edge in edges)


def _edges(
    views: Sequence[View], boards: BoardSet, cameras: Mapping[str, Camera]
) -> tuple[list[Edge], list[tuple[str, str, str]]]:
    edges, unusable = [], []
    for i, view in enumerate(views):
        for seen in view.seen:
            board = boards[seen.board]
            try:
                found = _sound_pose(board, seen.sighting, cameras[view.lens])
            except PoseError as err:
                unusable.append((view.photo, seen.body, err.what))
                continue
            poses = [found.cam_from_board]
            # Lens and scale are not final: a second pose counts as possible more readily than corner noise alone allows.
            if found.second is not None and found.second_rms_px < 2.0 * found.rms_px + 1.0:
                poses.append(found.second)
            candidates = np.array([pose.transform.as_matrix() for pose in poses])
            corners = board.corners_mm()[seen.sighting.corner_ids]
            # One pixel beside the corner noise: a start is compared, not adjusted.
            square_px = 1.0 + np.trace(seen.sighting.cov_px, axis1=1, axis2=2)
            edges.append(Edge(i, seen, candidates, corners, square_px))
    return edges, unusable


def _sound_pose(board: Board, sighting: Sighting, camera: Camera) -> BoardPose:
    """Pose of one sighting; where it fits badly, without the corners that no plane map through the others explains.

    Raises
    ------
    PoseError
    """
    found = board_pose(board, sighting, camera)
    if found.rms_px < WILD_PX / 2 or len(sighting.corner_ids) <= LEAST_SOUND:
        return found
    points, rays = board.corners_mm()[sighting.corner_ids], camera.rays(sighting.px)[:, :2]
    plane = cv2.findHomography(points[:, :2], rays, cv2.LMEDS)[0]
    if np.shape(plane) != (3, 3):  # degenerate corners have none
        return found
    there = np.column_stack([points[:, :2], np.ones(len(points))]) @ plane.T
    gap_px = np.linalg.norm(there[:, :2] / there[:, 2:] - rays, axis=1) * camera.fx_px
    sound = gap_px <= max(WILD_PX, 4.0 * float(np.median(gap_px)))
    if sound.sum() < LEAST_SOUND:
        return found
    ids, px, cov = sighting.corner_ids[sound], sighting.px[sound], sighting.cov_px[sound]
    return board_pose(board, replace(sighting, corner_ids=ids, px=px, cov_px=cov), camera)


def _misfits(camera: Camera, edge: Edge, cam_from_body: Array) -> Array:
    """Capped square misfit of one sighting for many poses, shape (poses, 4, 4); returns shape (poses,)."""
    in_cam = edge.corners @ np.swapaxes(cam_from_body[:, :3, :3], 1, 2) + cam_from_body[:, None, :3, 3]
    ahead = in_cam[..., 2] > 1.0
    flat = np.where(ahead[..., None], in_cam, [0.0, 0.0, 1.0]).reshape(-1, 3)
    gap = camera.project(flat).reshape(*in_cam.shape[:2], 2) - edge.seen.sighting.px
    square = (gap * gap).sum(axis=-1) / edge.square_px
    return np.asarray(np.where(ahead, np.minimum(square, CAP**2), CAP**2).sum(axis=1), dtype=float)


def _inverse(matrix: Array) -> Array:
    out = np.zeros_like(matrix)
    turn = np.swapaxes(matrix[..., :3, :3], -1, -2)
    out[..., :3, :3] = turn
    out[..., :3, 3] = -np.einsum("...ij,...j->...i", turn, matrix[..., :3, 3])
    out[..., 3, 3] = 1.0
    return out


def _place_next(state: Placing, by_view: Mapping[int, list[Edge]], by_body: Mapping[str, list[Edge]]) -> bool:
    """Place one photo or body, the best tied first: two ties beat one, a sure pose beats a two-fold one."""
    best: tuple[tuple[int, int, int], int | str, list[Edge]] | None = None
    waiting: list[tuple[int | str, list[Edge]]] = [
        (view, [edge for edge in edges if edge.seen.body in state.body])
        for view, edges in by_view.items()
        if view not in state.photo
    ]
    waiting += [
        (body, [edge for edge in edges if edge.view in state.photo])
        for body, edges in by_body.items()
        if body not in state.body
    ]
    for what, known in waiting:
        if not known:
            continue
        sure = sum(len(edge.candidates) == 1 for edge in known)
        score = (min(len(known), 3), min(sure, 2), sum(len(edge.corners) for edge in known))
        if best is None or score > best[0]:
            best = (score, what, known)
    if best is None:
        return False
    _, what, known = best
    if isinstance(what, int):
        choices = np.concatenate([edge.candidates @ _inverse(state.body[edge.seen.body]) for edge in known])
        state.photo[what] = _best_of(state, known, choices, refine=False, photo=True)
    else:
        choices = np.concatenate([_inverse(state.photo[edge.view]) @ edge.candidates for edge in known])
        state.body[what] = _best_of(state, known, choices, refine=False, photo=False)
    return True


def _reconsider(state: Placing, by_body: Mapping[str, list[Edge]], by_view: Mapping[int, list[Edge]], fixed: set[str]) -> None:
    """Place everything once more now that all is known: early choices were made on little.

    In the last rounds the best candidates are refined before they are compared: a pose from one far photo may be right and
    still miss in the others by more than the wrong one of the two planar poses.
    """
    for refine in (False, True, True):
        for view, edges in by_view.items():
            choices = np.concatenate([edge.candidates @ _inverse(state.body[edge.seen.body]) for edge in edges])
            state.photo[view] = _best_of(state, edges, choices, refine, photo=True)
        for body, edges in by_body.items():
            if body not in fixed:
                choices = np.concatenate([_inverse(state.photo[edge.view]) @ edge.candidates for edge in edges])
                state.body[body] = _best_of(state, edges, choices, refine, photo=False)


def _best_of(state: Placing, edges: Sequence[Edge], choices: Array, refine: bool, *, photo: bool) -> Array:
    """The choice with the smallest capped misfit over all edges; with `refine`, of the best few after Gauss-Newton steps."""

    def costs(poses: Array) -> Array:
        total = np.zeros(len(poses))
        for edge in edges:
            chain = poses @ state.body[edge.seen.body] if photo else state.photo[edge.view] @ poses
            total += _misfits(state.cameras[edge.view], edge, chain)
        return total

    if refine:
        best = np.argsort(costs(choices))[:REFINED_CHOICES]
        choices = np.array([*choices[best], *(_refined(state, edges, choices[i], photo=photo) for i in best)])
    return np.asarray(choices[int(np.argmin(costs(choices)))], dtype=float)


def _refined(state: Placing, edges: Sequence[Edge], pose: Array, *, photo: bool) -> Array:
    """A few robust Gauss-Newton steps on one photo's or one body's pose, everything else held."""
    counts = [len(edge.corners) for edge in edges]
    parameters = np.repeat(np.transpose([state.cameras[edge.view].parameters for edge in edges]), counts, axis=1).T
    px = np.concatenate([edge.seen.sighting.px for edge in edges])
    weight = 1.0 / np.concatenate([edge.square_px for edge in edges])
    if photo:
        before = np.concatenate([_moved(edge.corners, state.body[edge.seen.body]) for edge in edges])
        turn = np.tile(np.eye(3), (len(px), 1, 1))
    else:
        before = np.concatenate([edge.corners for edge in edges])
        turn = np.repeat([state.photo[edge.view][:3, :3] for edge in edges], counts, axis=0)
        shift = np.repeat([state.photo[edge.view][:3, 3] for edge in edges], counts, axis=0)
    for _ in range(REFINE_STEPS):
        placed = _moved(before, pose)
        in_cam = placed if photo else np.einsum("nij,nj->ni", turn, placed) + shift
        if (in_cam[:, 2] <= 1.0).any():
            return pose
        seen, by_point, _ = project_arrays(in_cam, parameters, lens=False)
        gap = seen - px
        norm = np.sqrt((gap * gap).sum(axis=1) * weight)
        # What is farther off than the cap has no pull at all: a board of another epoch must not drag the photo along.
        pull = np.where(norm < CAP, np.minimum(1.0, REFINE_HUBER / np.maximum(norm, 1e-12)), 0.0)
        row_weight = np.sqrt(weight * pull)[:, None]
        by_placed = by_point @ turn
        jac = np.concatenate([np.cross(placed[:, None, :], by_placed), by_placed], axis=2) * row_weight[..., None]
        normal = jac.reshape(-1, 6).T @ jac.reshape(-1, 6)
        scale = 1.0 / np.sqrt(np.diag(normal) + 1e-12)
        right = jac.reshape(-1, 6).T @ (gap * row_weight).ravel()
        damped = normal * np.outer(scale, scale) + 1e-9 * np.eye(6)
        step = -scale * np.linalg.solve(damped, scale * right)
        move = np.eye(4)
        move[:3, :3], move[:3, 3] = exp_so3(step[:3]), step[3:]
        pose = move @ pose
        if np.abs(step[:3]).max() < SETTLED_RAD and np.abs(step[3:]).max() < SETTLED_MM:
            break
    return pose


def _moved(points: Array, matrix: Array) -> Array:
    return np.asarray(points @ matrix[:3, :3].T + matrix[:3, 3], dtype=float)


def _groups(edges: Sequence[Edge], state: Placing, left: Sequence[str]) -> tuple[tuple[str, ...], ...]:
    parent = {edge.seen.body: edge.seen.body for edge in edges} | {body: body for body in state.body}

    def root(body: str) -> str:
        while parent[body] != body:
            body = parent[body]
        return body

    first_in_view: dict[int, str] = {}
    for edge in edges:
        other = first_in_view.setdefault(edge.view, edge.seen.body)
        parent[root(edge.seen.body)] = root(other)
    seen = {edge.seen.body for edge in edges}
    tied = tuple(sorted(body for body in state.body if body in seen)) or tuple(sorted(state.body))
    groups: dict[str, list[str]] = {}
    for body in left:
        groups.setdefault(root(body), []).append(body)
    return (tied, *(tuple(sorted(group)) for group in groups.values()))
