"""What could be wrong in one photo of a touched point without being noticed, and how far it would move the point.

Whatever goes wrong in one photo of the stylus (its board read beside its place, a floor board beside it, the tip slid) puts
that photo's tip elsewhere. The other photos' tips tell, by the same test that leaves photos out (`fit_touch`), and Baarda's
measures of it (1968) are: with W the part of the tips' weight that their common point does not take up, an error b of tip i is
found with the wanted power when bᵀ W_ii b reaches the non-centrality, and moves the point by that tip's weight times b.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri

from calib.geometry.stylus import FALSE_ALARM, TouchedBy, fit_touch, tips_cov
from vision.frames import Array
from vision.poses import PoseSet


@dataclass(frozen=True, slots=True, eq=False)
class TouchSlip:
    """A tip that lies elsewhere in one photo.

    Attributes
    ----------
    point, body : str
        Name of the point, body of the stylus board in that photo.
    share : float
        Part of such an error that shows against the other photos, in its worst direction.
    smallest_mm : float
        Smallest one that is found, in its worst direction.
    statistic : float
        How far the photo's tip disagrees, over what is called a contradiction.
    effect_mm : ndarray, shape (3, 3)
        Largest unnoticed move of the point, as a factor: of a figure with gradient g it is ``|g @ effect_mm|``.
    """

    point: str
    body: str
    share: float
    smallest_mm: float
    statistic: float
    effect_mm: Array

    def rider(self, probe: float) -> Array:
        """The effect as a source of uncertainty of the point that is `probe` times as large, shape (3, 3)."""
        return np.asarray(probe * self.effect_mm @ self.effect_mm.T, dtype=float)


def touch_slips(poses: PoseSet, points: Sequence[TouchedBy], noncentrality: float) -> list[TouchSlip]:
    """Single errors of all photos of touched points.

    Parameters
    ----------
    poses : PoseSet
        With the bodies of the stylus boards.
    noncentrality : float
        Of the test for one photo (χ² of three) at the wanted false alarm and power.
    """
    out = []
    for point in points:
        touch = fit_touch(poses, point.bodies, point.tip, point.name)
        used = poses.of(list(touch.weights))
        cov = tips_cov(used, point.tip)
        weight = np.linalg.inv(cov)
        design = np.tile(np.eye(3), (len(used.bodies), 1))
        gain = np.hstack([touch.weights[body] for body in used.bodies])
        unexplained = weight - weight @ design @ gain
        told = weight @ (np.concatenate([pose.apply(point.tip.mm) for pose in used]) - design @ touch.point_mm)
        size = math.sqrt(noncentrality * touch.scatter)
        limit = touch.scatter * float(chdtri(3, FALSE_ALARM / len(point.bodies)))
        for i, body in enumerate(used.bodies):
            block = slice(3 * i, 3 * i + 3)
            mine = (unexplained[block, block] + unexplained[block, block].T) / 2.0
            seen, directions = np.linalg.eigh(mine)
            share = float(np.linalg.eigvals(np.linalg.solve(weight[block, block], mine)).real.min())
            drop = float(told[block] @ np.linalg.solve(mine, told[block]))
            back = directions / np.sqrt(seen)
            out.append(
                TouchSlip(
                    point.name,
                    body,
                    share,
                    size / math.sqrt(float(seen[0])),
                    drop / limit,
                    size * touch.weights[body] @ back,
                )
            )
    return out
