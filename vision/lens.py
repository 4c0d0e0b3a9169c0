"""Calibrating our own camera: a `Camera` with its full covariance from photos of printed boards.

(The shop's word "calibration" means the car's sensors and lives in `calib/`; here the word is *lens*.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vision.boards import BoardSet
from vision.camera import DISTORTION_NAMES, Camera, Wobble
from vision.errors import LensError
from vision.frames import Array, Pose
from vision.lens_bundle import residuals_px
from vision.lens_choice import CANDIDATES, HoldOut, Model, Trial, choose, hold_out
from vision.lens_solve import Adjusted, adjust, robust_noise, solve, weed
from vision.lens_start import first_state, unflipped
from vision.lens_state import Freedom, LensState, Views
from vision.lens_views import FEWEST_CORNERS, FEWEST_PHOTOS, Gathered, ViewName, gather, one_size, too_few
from vision.lens_wobble import AUTO_DEFAULT, Unsteady, estimate_unsteady, sigma_of
from vision.sightings import PhotoSightings

PARALLEL_RAD = np.radians(8.0)
"""Boards whose normals differ by less tell nothing of the focal length."""
FOCAL_KNOWN = 0.05
"""Relative σ of the focal length above which the photos count as degenerate."""
DECENTRING = 5e-4
"""σ of p1 and p2 of a camera lens whose photos do not show them: common practice, no source."""
MISFIT_SHARE = 0.003
"""RMS over image width above which the lens model does not describe this lens."""


@dataclass(frozen=True, slots=True, eq=False)
class LensView:
    """One board in one photo, as fitted.

    Attributes
    ----------
    photo, board : str
    corner_ids : ndarray of int, shape (n,)
    px, residual_px : ndarray, shape (n, 2)
        Seen, and seen minus predicted, of the accepted corners.
    dropped : int
        Corners not accepted.
    cam_from_board : Pose
    """

    photo: str
    board: str
    corner_ids: Array
    px: Array
    residual_px: Array
    dropped: int
    cam_from_board: Pose

    @property
    def rms_px(self) -> float:
        """RMS of the 2-D corner distance."""
        return float(np.sqrt(np.mean(np.sum(self.residual_px**2, axis=1))))


@dataclass(frozen=True, slots=True, eq=False)
class LensFit:
    """A calibrated camera and the evidence for it.

    Attributes
    ----------
    camera : Camera
    cov : ndarray, shape (12, 12)
        Covariance (k = 1) of `Camera.parameters`, scaled by max(1, σ̂₀)²; zero where a parameter is held.
    focus : str
        "locked" or "auto", as stated by the user.
    wobble : Wobble
        Estimated; with focus "auto" at least the default.
    wobble_found : Wobble
        What the photos show by themselves.
    warp_px : float
        σ of smooth errors that the corners of one board in one photo share; part of `cov`.
    print_mm : float
        σ of the places where the corners were printed, each axis; part of `cov`.
    distortion : tuple of str
        The coefficients of the chosen model (p1 and p2 are at least observed unknowns near zero, `DECENTRING`).
    rms_px, holdout_rms_px : float
        RMS of the 2-D corner distance over all accepted corners: fitted, and predicted with the photo left out.
    sigma0 : float
        σ̂₀ against the corners' stated σ.
    views : tuple of LensView
    refused : dict of str to str
        Photos not used, and why.
    candidates : tuple of (coefficients, hold-out RMS in px)
    bend_mm : dict of str to ndarray, shape (3,)
        Bend amplitudes of each board: along x, twist, along y.
    printed_off_mm : dict of str to ndarray, shape (corners, 2)
        Where each corner of a board was printed minus where it should be; zero where the photos show nothing of it.
    pose_cov : ndarray, shape (6 v, 6 v)
        Joint covariance of the left perturbations `rx ry rz tx ty tz` of all views' `cam_from_board`: corners, lens, boards.
    """

    camera: Camera
    cov: Array
    focus: str
    wobble: Wobble
    wobble_found: Wobble
    warp_px: float
    print_mm: float
    distortion: tuple[str, ...]
    rms_px: float
    holdout_rms_px: float
    sigma0: float
    views: tuple[LensView, ...]
    refused: dict[str, str]
    candidates: tuple[tuple[tuple[str, ...], float], ...]
    bend_mm: dict[str, Array]
    printed_off_mm: dict[str, Array]
    pose_cov: Array

    @property
    def photos(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(view.photo for view in self.views))

    def sigma(self) -> Array:
        """Standard deviations (k = 1) of `Camera.parameters`, shape (12,)."""
        return np.sqrt(np.diag(self.cov))


def fit_lens(
    sightings: Sequence[PhotoSightings],
    boards: BoardSet,
    *,
    focus: str = "locked",
    candidates: Sequence[tuple[str, ...]] = CANDIDATES,
    print_errors: bool = True,
) -> LensFit:
    """Calibrate a camera from boards seen in photos.

    Robust start, outliers dropped and named, distortion model chosen by hold-out, wobble estimated, then plain least squares
    on the accepted corners.

    Parameters
    ----------
    sightings : sequence of PhotoSightings
        At least `FEWEST_PHOTOS` with a usable board, all of one size.
    boards : BoardSet
        Holds every board sighted.
    focus : str
        "auto" gives every photo its own focal length and centre, with `AUTO_DEFAULT` or more.
    candidates : sequence of tuple of str
        Distortion models to choose from, simplest first.
    print_errors : bool
        Allow for corners that were not printed where they should be; without, to see what that brings.

    Raises
    ------
    LensError
        No photos, mixed or turned sizes, too few usable photos, all boards parallel, or a lens this model does not describe.
    """
    if focus not in ("locked", "auto"):
        raise ValueError(f"focus must be 'locked' or 'auto', not {focus!r}")
    size_px = one_size(sightings)
    gathered = gather(sightings, boards)
    assumed = AUTO_DEFAULT if focus == "auto" else Wobble()
    state = first_state(gathered.views, *size_px)
    refuse_parallel(state)
    cleaned = _cleaned(gathered, state, assumed, sightings)
    views, state = cleaned.views, cleaned.state
    refuse_misfit(views, state, max(size_px))
    noise = max(1.0, robust_noise(views, state, Freedom(_RICH.basis(), True, sigma_of(assumed))))
    extra = Freedom(_RICH.basis(), True, sigma_of(assumed))
    chosen, trials = choose(views, state, extra, noise, candidates)
    found, moved = _unsteady(views, trials, noise, print_errors)
    wobble = Wobble(max(found.wobble.focal_percent, assumed.focal_percent), max(found.wobble.centre_px, assumed.centre_px))
    extra = replace(found, wobble=wobble).freed(Freedom(_RICH.basis()))
    if found.warp_px or found.print_mm or wobble != assumed:
        # The printed places are held where all photos put them: freed with every candidate they would cost minutes.
        held = replace(extra, print_sigma_mm=0.0)
        chosen, trials = choose(views, moved, held, max(1.0, robust_noise(views, moved, held)), candidates)
    freedom = _with_decentring(chosen.model, extra)
    final = _determined(views, chosen.state, freedom)
    held_out = hold_out(views, final.state, freedom, final.noise)
    return _report(cleaned, final, sightings, size_px, chosen, trials, held_out, focus, wobble, found)


_RICH = Model(("k1", "k2", "p1", "p2", "k3"))


@dataclass(frozen=True, slots=True, eq=False)
class _Cleaned:
    """Accepted corners of accepted views, with the state that fits them."""

    views: Views
    state: LensState
    names: tuple[ViewName, ...]
    dropped: tuple[int, ...]
    reasons: dict[int, str]
    boards: tuple[str, ...]


def _cleaned(gathered: Gathered, state: LensState, assumed: Wobble, sightings: Sequence[PhotoSightings]) -> _Cleaned:
    """Outliers dropped under a rich model, so that distortion is not mistaken for wrong corners."""
    views = gathered.views
    freedom = Freedom(_RICH.basis(), True, sigma_of(assumed))
    state = unflipped(views, state, Freedom(Model(("k1", "k2")).basis(), False))
    kept = weed(views, state, freedom, FEWEST_CORNERS)
    richest = Freedom(Model(DISTORTION_NAMES).basis(), True, sigma_of(assumed))
    wide = weed(views, kept.state, richest, FEWEST_CORNERS)
    if _spread(views, wide.state, richest) < 0.9 * _spread(views, kept.state, freedom):
        kept = wide
    reasons = dict(gathered.reasons)
    names = gathered.names
    for name in dict.fromkeys(names[v] for v in np.flatnonzero(~kept.views)):
        if not any(kept.views[v] and names[v].photo == name.photo for v in range(len(names))):
            reasons[name.photo] = f"{name.board}: its corners contradict the other photos"
    if len(sightings) - len(reasons) < FEWEST_PHOTOS:
        raise too_few(sightings, reasons)
    corners = kept.corners & kept.views[views.view]
    left = np.bincount(views.view[corners], minlength=views.view_count)
    before = np.bincount(views.view, minlength=views.view_count)
    seen = np.split(corners, views.edges()[1:-1])
    remaining = tuple(
        ViewName(name.photo, name.board, tuple(np.array(name.corner_ids)[seen[v]].tolist()))
        for v, name in enumerate(names)
        if kept.views[v]
    )
    return _Cleaned(
        views.of_corners(corners | ~kept.views[views.view]).of_views(kept.views),
        kept.state.of_views(kept.views, views.photo_of_view),
        remaining,
        tuple(int(n) for n in (before - left)[kept.views]),
        reasons,
        gathered.boards,
    )


def _spread(views: Views, state: LensState, freedom: Freedom) -> float:
    noise = robust_noise(views, state, freedom)
    return noise if np.isfinite(noise) else float("inf")


def refuse_parallel(state: LensState) -> None:
    """Refuse views whose boards all have nearly the same direction: they leave the focal length open.

    Raises
    ------
    LensError
    """
    normals = state.turns[:, :, 2]
    mean = normals.sum(axis=0) / np.linalg.norm(normals.sum(axis=0))
    spread = float(np.arccos(np.clip(normals @ mean, -1.0, 1.0)).max())
    if spread > PARALLEL_RAD / 2:
        return
    square_on = float(np.arccos(np.clip(mean[2], -1.0, 1.0))) < PARALLEL_RAD
    raise _degenerate("square-on to the camera" if square_on else "parallel to each other")


def refuse_misfit(views: Views, state: LensState, width_px: int) -> None:
    """Refuse a lens (or corners) that even the rich model leaves off by more than `MISFIT_SHARE` of the width.

    Raises
    ------
    LensError
    """
    rms = float(np.sqrt(np.mean(np.sum(residuals_px(views, state) ** 2, axis=1))))
    if rms > MISFIT_SHARE * width_px:
        raise LensError(
            f"the lens model does not describe this lens: {rms:.1f} px RMS remain",
            hint="fisheye lenses and pictures corrected or cropped by an app are not supported; "
            "check the board's square count too",
        )


def _degenerate(how: str) -> LensError:
    return LensError(
        f"all boards are {how}: such photos do not determine the focal length",
        hint="tilt the board (or walk around it) by 20 to 45 degrees, "
        "to the left, right, up and down, and turn the camera by 90 degrees",
    )


def _unsteady(views: Views, trials: Sequence[Trial], noise: float, print_errors: bool) -> tuple[Unsteady, LensState]:
    """Wobble, warp and print errors under a rich model, so that missing distortion is not mistaken for any of them."""
    best = min(trials, key=lambda trial: float(trial.held_out.square.sum()))
    model = best.model if len(best.model.distortion) > len(_RICH.distortion) else _RICH
    freedom = Freedom(model.basis())
    state = solve(views, best.state, freedom, noise=noise, iterations=30, tolerance=1e-8)
    return estimate_unsteady(views, state, freedom, noise, print_errors=print_errors)


def _with_decentring(model: Model, extra: Freedom) -> Freedom:
    """The chosen model, with decentring as an observed unknown where the photos do not ask for it.

    Decentring looks much like a shifted principal point: left out, it would make that look better known than it is.
    """
    if "p1" in model.distortion:
        return replace(extra, basis=model.basis())
    camera_sigma = np.full(12, np.inf)
    camera_sigma[[4 + DISTORTION_NAMES.index(name) for name in ("p1", "p2")]] = DECENTRING
    more = replace(model, distortion=(*model.distortion, "p1", "p2"))
    return replace(extra, basis=more.basis(), camera_sigma=camera_sigma)


def _determined(views: Views, state: LensState, freedom: Freedom) -> Adjusted:
    try:
        final = adjust(views, state, freedom)
    except np.linalg.LinAlgError as err:
        raise _degenerate("seen from too similar directions") from err
    fx, fy = final.state.parameters[:2]
    if max(np.sqrt(final.cov[0, 0]) / fx, np.sqrt(final.cov[1, 1]) / fy) > FOCAL_KNOWN:
        raise _degenerate("seen from too similar directions")
    return final


def _report(
    cleaned: _Cleaned,
    final: Adjusted,
    sightings: Sequence[PhotoSightings],
    size_px: tuple[int, int],
    chosen: Trial,
    trials: Sequence[Trial],
    held_out: HoldOut,
    focus: str,
    wobble: Wobble,
    found: Unsteady,
) -> LensFit:
    views = _lens_views(cleaned, final.state, sightings)
    squares = np.concatenate([np.sum(view.residual_px**2, axis=1) for view in views])
    blank = Camera(*size_px, 1.0, 1.0, 0.0, 0.0)
    return LensFit(
        camera=blank.with_parameters(final.state.parameters),
        cov=final.cov,
        focus=focus,
        wobble=wobble,
        wobble_found=found.wobble,
        warp_px=found.warp_px,
        print_mm=found.print_mm,
        distortion=chosen.model.distortion,
        rms_px=float(np.sqrt(squares.mean())),
        holdout_rms_px=held_out.rms_px,
        sigma0=final.sigma0,
        views=views,
        refused={sightings[number].photo: reason for number, reason in sorted(cleaned.reasons.items())},
        candidates=tuple((trial.model.distortion, trial.held_out.rms_px) for trial in trials),
        bend_mm={board: final.state.board[i, 1:] for i, board in enumerate(cleaned.boards)},
        printed_off_mm={board: final.state.print_mm[i] for i, board in enumerate(cleaned.boards)},
        pose_cov=final.pose_cov,
    )


def _lens_views(cleaned: _Cleaned, state: LensState, sightings: Sequence[PhotoSightings]) -> tuple[LensView, ...]:
    residuals = residuals_px(cleaned.views, state)
    edges = cleaned.views.edges()
    out = []
    for v, name in enumerate(cleaned.names):
        rows = slice(edges[v], edges[v + 1])
        pose = Pose.from_rt("cam", name.board, state.turns[v], state.shifts_mm[v])
        ids = np.array(name.corner_ids)
        view = LensView(
            sightings[name.photo].photo, name.board, ids, cleaned.views.px[rows], residuals[rows], cleaned.dropped[v], pose
        )
        out.append(view)
    return tuple(out)
