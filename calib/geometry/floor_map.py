"""The floor as the boards show it: heights of the feet above their plane with U, and whether two parts of it lie alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.geometry.floor import FLOOR
from vision.boards import BoardSet
from vision.frames import Array, Estimate
from vision.poses import PoseSet

LEAST_BOARDS, LEAST_SPREAD_MM = 3, 200.0


@dataclass(frozen=True, slots=True, eq=False)
class FloorMap:
    """Feet of the floor boards seen.

    Attributes
    ----------
    boards : tuple of str
    place_mm : ndarray, shape (n, 2)
        In the floor frame.
    heights : Estimate
        "height:<board>_mm": of each foot above the plane through all of them; the thickness of its board is in the covariance.
    """

    boards: tuple[str, ...]
    place_mm: Array
    heights: Estimate

    def departure(self) -> Estimate:
        """Largest height minus smallest ("floor_departure_mm"): how far the floor under the boards departs from a plane."""
        value = self.heights.value
        row = np.zeros((1, len(value)))
        row[0, np.argmax(value)] += 1.0
        row[0, np.argmin(value)] -= 1.0
        return self.heights.through(("floor_departure_mm",), row @ value, row)


def floor_map(poses: PoseSet, boards: BoardSet, floor_names: Sequence[str]) -> FloorMap:
    """Heights of the feet above the least-squares plane through them.

    Parameters
    ----------
    poses : PoseSet
        Floor boards and the body "floor" (`floor_plane`).
    """
    names = [name for name in floor_names if name in poses]
    used = poses.of([FLOOR, *names])

    def feet(state: PoseSet) -> Array:
        floor_from_survey = state[FLOOR].inverse()
        under = [boards[name].centre_mm + [0.0, 0.0, boards[name].thickness_mm] for name in names]
        return np.array([floor_from_survey.apply(state[n].apply(foot)) for n, foot in zip(names, under, strict=True)])

    place = feet(used)[:, :2]
    design = np.column_stack([np.ones(len(names)), place])
    # Heights over their own plane: what the plane's frame itself may err drops out.
    remove = np.eye(len(names)) - design @ np.linalg.pinv(design)
    labels = tuple(f"height:{name}_mm" for name in names)
    raw = used.propagate(labels, lambda state: feet(state)[:, 2])
    heights = raw.through(labels, remove @ raw.value, remove)
    sigma = np.array([boards[name].thickness_pm_mm / 2.0 for name in names])
    own = remove @ np.diag(sigma**2) @ remove.T
    # The floor's typed unevenness is what is measured here: it is no error of a foot's height.
    parts = {s: m for s, m in heights.parts.items() if s not in ("thickness", "floor")} | {"thickness": own}
    return FloorMap(tuple(names), place, Estimate(labels, heights.value, sum(parts.values(), np.zeros_like(own)), parts))


def slope_between(
    floor: FloorMap, one: Sequence[bool], other: Sequence[bool], ahead: Array, uneven_pm_mm: float = 0.0
) -> Estimate | None:
    """How the plane through some boards leans against that through others, along and across a direction.

    Parameters
    ----------
    one, other : sequence of bool
        Which boards make each part.
    ahead : ndarray, shape (2,)
        Unit vector in the floor frame.
    uneven_pm_mm : float
        Unevenness of the floor (k = 2): a few boards stand for each part. Adds the source "floor".

    Returns
    -------
    Estimate or None
        "floor_pitch_rad" (+ the second part falls away ahead, as pitch + leans a top forward) and "floor_roll_rad" (+ its left
        side is higher); None when a part has fewer than three boards or all on a line.
    """
    rows = []
    for part in (np.asarray(one), np.asarray(other)):
        place = floor.place_mm[part]
        if part.sum() < LEAST_BOARDS:
            return None
        spread = np.linalg.svd(place - place.mean(axis=0), compute_uv=False)[1] / np.sqrt(len(place))
        if spread < LEAST_SPREAD_MM:
            return None
        along, left = place @ ahead, place @ np.array([-ahead[1], ahead[0]])
        fit = np.linalg.pinv(np.column_stack([np.ones(len(place)), along, left]))[1:]
        spread_out = np.zeros((2, len(floor.boards)))
        spread_out[:, part] = fit
        rows.append(spread_out)
    jac = (rows[1] - rows[0]) * np.array([[-1.0], [1.0]])
    found = floor.heights.through(("floor_pitch_rad", "floor_roll_rad"), jac @ floor.heights.value, jac)
    if not uneven_pm_mm:
        return found
    own = (uneven_pm_mm / 2.0) ** 2 * jac @ jac.T
    return Estimate(found.names, found.value, found.cov + own, dict(found.parts) | {"floor": own})
