"""Which distortion model the photos support: by hold-out, the simplest one that is as good as the best.

A photo left out is a witness: the camera is fitted to the others, the photo's pose is found with that camera, and its
corners are compared. A model with more terms fits its own photos ever better; it does not predict others better.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vision.camera import DISTORTION_NAMES
from vision.frames import Array
from vision.lens_bundle import residuals_px, whitened
from vision.lens_solve import redundancy, solve
from vision.lens_start import radial_limit_px
from vision.lens_state import Freedom, LensState, Views

CANDIDATES: tuple[tuple[str, ...], ...] = (
    (),
    ("k1",),
    ("k1", "k2"),
    ("k1", "k2", "p1", "p2"),
    ("k1", "k2", "p1", "p2", "k3"),
    DISTORTION_NAMES,
)
FOLDS = 6
PLAIN_DEVIATIONS = 0.5
"""A simpler model may be worse than the best by this many standard errors of the photo-by-photo difference."""
OUTER_TERMS = frozenset({"k3", "k4", "k5", "k6"})
"""Terms that grow steeply towards the rim: they run wild where no board was seen, so they must win clearly."""
OUTER_DEVIATIONS = 1.0
MATERIAL = 0.05
"""Gain in the hold-out square sum that matters: from 0.180 to 0.175 px, say."""


@dataclass(frozen=True, slots=True)
class Model:
    """Which camera parameters are free.

    Attributes
    ----------
    distortion : tuple of str
        Free coefficients; the others stay as they are.
    aspect : float
        0: fx and fy are free each; otherwise fx = aspect · fy.
    centre_free : bool
    """

    distortion: tuple[str, ...] = ("k1", "k2", "p1", "p2")
    aspect: float = 0.0
    centre_free: bool = True

    def basis(self) -> Array:
        columns = [[1.0, 0.0], [0.0, 1.0]] if not self.aspect else [[self.aspect, 1.0]]
        rows = [[*column, *[0.0] * 10] for column in columns]
        single = [2, 3] * self.centre_free + [4 + DISTORTION_NAMES.index(name) for name in self.distortion]
        return np.vstack([np.array(rows), np.eye(12)[single].reshape(-1, 12)]).T

    def cleared(self, state: LensState) -> LensState:
        """The state with the coefficients this model does not have set to zero."""
        parameters = state.parameters.copy()
        for i, name in enumerate(DISTORTION_NAMES):
            if name not in self.distortion:
                parameters[4 + i] = 0.0
        return replace(state, parameters=parameters)


@dataclass(frozen=True, slots=True, eq=False)
class HoldOut:
    """Square sums over the held-out corners of each photo, in σ² and px², and the number of its corners; shape (photos,)."""

    square: Array
    square_px: Array
    corners: Array

    @property
    def rms_px(self) -> float:
        return float(np.sqrt(self.square_px.sum() / self.corners.sum()))


def hold_out(views: Views, state: LensState, freedom: Freedom, noise: float) -> HoldOut:
    """Leave out every photo once, in at most `FOLDS` groups; `state` is the fit to all, where the iterations start."""
    photos = views.photo_count
    fold = np.arange(photos) % min(FOLDS, photos)
    square, square_px = np.zeros(photos), np.zeros(photos)
    for f in range(int(fold.max()) + 1):
        out = fold == f
        kept, kept_views = views.of_photos(~out)
        camera = solve(
            kept, state.of_views(kept_views, views.photo_of_view), freedom, noise=noise, iterations=12, tolerance=1e-6
        )
        rest, rest_views = views.of_photos(out)
        there = state.of_views(rest_views, views.photo_of_view)
        there = replace(there, parameters=camera.parameters, board=camera.board, print_mm=camera.print_mm)
        there = replace(there, warp_px=np.zeros_like(there.warp_px))
        # Resection: poses (and the photo's own wobble) are found anew, camera and boards are taken as the others gave them.
        pose_only = Freedom(np.zeros((12, 0)), False, freedom.wobble_sigma)
        there = solve(rest, there, pose_only, noise=noise, iterations=12, tolerance=1e-6)
        residuals = residuals_px(rest, there)
        photo = np.flatnonzero(out)[rest.photo_of_view][rest.view]
        square += np.bincount(photo, np.sum(whitened(rest, residuals) ** 2, axis=1), photos)
        square_px += np.bincount(photo, np.sum(residuals**2, axis=1), photos)
    corners = np.bincount(views.photo_of_view[views.view], minlength=photos).astype(float)
    return HoldOut(square, square_px, corners)


@dataclass(frozen=True, slots=True, eq=False)
class Trial:
    """One candidate with its hold-out error."""

    model: Model
    state: LensState
    held_out: HoldOut
    sound: bool


def choose(
    views: Views,
    state: LensState,
    extra: Freedom,
    noise: float,
    candidates: Sequence[tuple[str, ...]] = CANDIDATES,
) -> tuple[Trial, tuple[Trial, ...]]:
    """The chosen candidate and all that were tried; `extra` says what is free beside the camera.

    Among the candidates without `OUTER_TERMS` the simplest within `PLAIN_DEVIATIONS` of the best (after Breiman et al. 1984,
    3.4.3: the one-standard-error rule), then a richer one only if it gains `MATERIAL` and `OUTER_DEVIATIONS`.
    """
    trials = []
    for distortion in candidates:
        model = Model(distortion)
        freedom = replace(extra, basis=model.basis())
        if redundancy(views, freedom) < len(views.px) / 2:
            continue
        fitted = solve(views, model.cleared(state), freedom, noise=noise, iterations=25, tolerance=1e-8)
        trials.append(Trial(model, fitted, hold_out(views, fitted, freedom, noise), _sound(views, fitted)))
    sound = [trial for trial in trials if trial.sound] or trials
    plain = [trial for trial in sound if not OUTER_TERMS & set(trial.model.distortion)] or sound
    best = min(plain, key=lambda trial: float(trial.held_out.square.sum()))
    chosen = next(trial for trial in plain if not _plainly_better(best, trial))
    for trial in sound[sound.index(plain[-1]) + 1 :]:
        if _surely_better(trial, chosen):
            chosen = trial
    return chosen, tuple(trials)


def _plainly_better(one: Trial, other: Trial) -> bool:
    """A term that matters in few photos (a corner of the picture) makes the difference scatter: `MATERIAL` counts anyway."""
    gain, error = _gain(one, other)
    return gain > min(PLAIN_DEVIATIONS * error, MATERIAL)


def _surely_better(one: Trial, other: Trial) -> bool:
    gain, error = _gain(one, other)
    return gain > max(OUTER_DEVIATIONS * error, MATERIAL)


def _gain(one: Trial, other: Trial) -> tuple[float, float]:
    """How much smaller one's hold-out square sum is, as a share of the other's, and the standard error of that share."""
    gap = (other.held_out.square - one.held_out.square) / float(other.held_out.square.sum())
    return float(gap.sum()), float(np.std(gap, ddof=1)) * float(np.sqrt(len(gap)))


def _sound(views: Views, state: LensState) -> bool:
    """Whether the distortion grows outwards as far out as corners were seen: else those pixels have no ray."""
    seen = np.linalg.norm(views.px - state.parameters[2:4], axis=1)
    return radial_limit_px(state.parameters) > float(seen.max())
