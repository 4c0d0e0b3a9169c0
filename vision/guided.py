"""The guided look at one board: from a rough map to accepted corners, or the reason why there are none.

Every corner is predicted, registered and judged by contrast, likeness and residual; the map is refitted and the look repeated
until no more corners come within reach. A board counts only when its marker pattern is confirmed.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.bend import bending
from vision.boardmap import BoardMap, refit_map
from vision.boards import Board
from vision.corners import WINDOW_SQUARES, Fits, fit_points
from vision.frames import Array
from vision.search import shifted_to_photo
from vision.sightings import Refusal, Sighting
from vision.template import PIXEL_VARIANCE, Picture

NEED_CORNERS = 6
NEED_MARKERS = 2
USUAL_BLUR_PX = 0.8
PLAIN_WINDOW_SQUARES = 0.36
MORE_BLURS_PX = (1.6, 2.8, 4.5, 7.0)
CLEARLY_ALIKE = 0.97
HELD_FREEDOM = 8.0
"""Degrees of freedom with which the stated covariance of the corners is believed against their scatter."""
SETTLED_BLUR = 0.03
"""Relative change of the blur's covariance below which the look has settled."""


@dataclass(frozen=True, slots=True)
class Settings:
    """Limits of the guided look.

    Attributes
    ----------
    marker_sigma_px : float
        How well the corners of a decoded marker are known (k = 1).
    predicted_sigma_px : float
        How well a pose handed over from other photos predicts corners (k = 1).
    least_contrast : float
        Grey levels between white and black; also at least `least_contrast_share` of the board's median.
    least_correlation : float
    worst_quarter : float
        Largest RMS misfit of a quarter of a corner's window over the contrast, beside the noise.
    residual_px : float
        A corner may be off its map by 3 sigma and this.
    least_side_px : float
        Shortest projected side of a square.
    largest_tilt_deg : float
    largest_blur : float
        Blur (sigma) over the shortest projected side of a square.
    floor_px : float
        Smallest standard deviation claimed for a corner.
    marker_likeness : float
        Correlation from which a predicted marker counts as confirmed.
    """

    marker_sigma_px: float = 0.4
    predicted_sigma_px: float = 3.0
    least_contrast: float = 10.0
    least_contrast_share: float = 0.25
    least_correlation: float = 0.75
    worst_quarter: float = 0.17
    residual_px: float = 0.3
    least_side_px: float = 5.0
    largest_tilt_deg: float = 80.0
    largest_blur: float = 0.25
    floor_px: float = 0.005
    marker_likeness: float = 0.6


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """What the look starts from: a map and the marker corners behind it, points (n, 3) mm and pixels (n, 2), if any."""

    board_map: BoardMap
    points_mm: Array
    px: Array
    markers_read: int


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    """Where the look stands: map, blur covariance, corners tried, their fits, which are accepted and which were likely."""

    board_map: BoardMap
    blur: Array
    ids: NDArray[np.int64]
    fits: Fits
    good: NDArray[np.bool_]
    likely: NDArray[np.bool_]


class _Refused(Exception):  # noqa: N818 - not an error: the look ends early with a reason
    pass


def look_at(picture: Picture, board: Board, start: Start, noise: float, settings: Settings) -> Sighting | Refusal:
    """Corners of one board, or why it is refused.

    Parameters
    ----------
    picture : ndarray of float32, shape (height, width)
    noise : float
        Standard deviation of the photo's noise, grey levels.
    """
    look = _Look(picture, board, start, noise, settings)
    try:
        return look.verdict(look.settled(look.grown()))
    except _Refused as refused:
        return Refusal(board.name, str(refused), start.markers_read)


def look_at_grid(picture: Picture, board: Board, start: Start, noise: float, settings: Settings) -> Sighting | Refusal:
    """As `look_at`, for a plain chessboard: there is no pattern to confirm."""
    look = _Look(picture, board, start, noise, settings)
    try:
        return look.verdict(look.settled(look.grown()))
    except _Refused as refused:
        return Refusal(board.name, str(refused), 0)


@dataclass(frozen=True, slots=True, eq=False)
class _Look:
    picture: Picture
    board: Board
    start: Start
    noise: float
    settings: Settings

    def grown(self) -> _State:
        """Repeat the look until every corner in the photo has been tried, six times at most."""
        blur = _round_blur(USUAL_BLUR_PX)
        start = self.start.board_map if self.start.markers_read > 0 else self.searched(blur)
        state = self.turn(start, self.likeliest_blur(start), fine=False)
        for _ in range(5):
            ids = self.within_reach(state.board_map)
            if len(np.setdiff1d(ids, state.ids)) == 0:
                break
            state = self.turn(state.board_map, state.blur, fine=False)
        return state

    def settled(self, state: _State) -> _State:
        """Fine looks until the blur no longer changes: at least two, five at most."""
        for count in range(5):
            after = self.turn(state.board_map, state.blur, fine=True)
            change = float(np.abs(after.blur - state.blur).max() / np.trace(state.blur))
            state = after
            if count > 0 and change < SETTLED_BLUR:
                break
        return state

    def likeliest_blur(self, board_map: BoardMap) -> Array:
        """Of a few blurs the one that makes the predicted corners look most like the photo; the look then refines it."""
        points = self.board.corners_mm()[self.within_reach(board_map)]
        if len(points) == 0:
            return _round_blur(USUAL_BLUR_PX)
        side = self.side_px(board_map, points)
        best, likeness = _round_blur(USUAL_BLUR_PX), -1.0
        for blur_px in (USUAL_BLUR_PX, *MORE_BLURS_PX):
            if blur_px > max(USUAL_BLUR_PX, self.settings.largest_blur * side):
                break
            blur = _round_blur(blur_px)
            fits = fit_points(self.picture, self.board, board_map, points, blur, steps=2, window_squares=self.window())
            median = float(np.median(fits.correlation))
            if median > likeness:
                best, likeness = blur, median
            if likeness > CLEARLY_ALIKE:
                break
        return best

    def searched(self, blur: Array) -> BoardMap:
        """The predicted map, moved to where the board is."""
        points = self.board.corners_mm()[self.in_photo(self.start.board_map)]
        if len(points) < NEED_CORNERS:
            raise _Refused(_too_few(len(points), "lie in the photo"))
        found = shifted_to_photo(self.picture, self.board, self.start.board_map, points, blur, self.settings.predicted_sigma_px)
        if found is None:
            raise _Refused("nothing like it where it is predicted")
        return found

    def turn(self, board_map: BoardMap, blur: Array, *, fine: bool) -> _State:
        """One look at all corners within reach, and the refitted map."""
        ids = self.within_reach(board_map)
        if len(ids) < 3:
            raise _Refused(_too_few(len(ids), "lie in the photo"))
        points = self.board.corners_mm()[ids]
        side = self.side_px(board_map, points)
        far = float(np.median(np.sqrt(np.linalg.eigvalsh(board_map.predicted_cov(points))[:, -1])))
        source, extra = self.picture, np.zeros((2, 2))
        if not fine and far > 0.6:
            coarse = float(np.clip(far, 0.6, max(0.12 * side, 0.6)))
            source, extra = self.softened(board_map, points, side, coarse), np.eye(2) * coarse**2
        reach = float(np.clip(3.0 * far + 1.0, 1.5, np.clip(0.3 * side, 1.5, 10.0)))
        fits = fit_points(source, self.board, board_map, points, blur + extra, reach_px=reach, window_squares=self.window())
        likely = self.likely(fits)
        if likely.sum() < 3:
            raise _Refused(_too_few(int(likely.sum()), "can be made out"))
        refitted, good = self.refit(board_map, points, fits, likely, with_markers=not fine)
        stepped = self.stepped(blur, fits, side) if extra[0, 0] == 0.0 else blur
        return _State(refitted, stepped, ids, fits, good, likely)

    def in_photo(self, board_map: BoardMap) -> NDArray[np.int64]:
        h, w = self.picture.shape
        return np.flatnonzero(_inside(board_map.project(self.board.corners_mm()), w, h))

    def window(self) -> float:
        """Half-width of a corner's window, squares; a plain chessboard's outermost squares are often printed narrower."""
        return WINDOW_SQUARES if self.board.is_charuco else PLAIN_WINDOW_SQUARES

    def within_reach(self, board_map: BoardMap) -> NDArray[np.int64]:
        """Corners predicted inside the photo, well enough for registration to start."""
        points, ids = self.board.corners_mm(), self.in_photo(board_map)
        if len(ids) == 0:
            return ids
        far = np.sqrt(np.linalg.eigvalsh(board_map.predicted_cov(points[ids]))[:, -1])
        shortest = np.linalg.norm(board_map.jacobian(points[ids])[0] * self.board.square_mm, axis=1).min(axis=1)
        if np.median(shortest) < self.settings.least_side_px:
            raise _Refused(f"too small: the squares are {np.median(shortest):.1f} px wide in the photo")
        return np.asarray(ids[far < 0.25 * shortest])

    def side_px(self, board_map: BoardMap, points: Array) -> float:
        """Median of the shorter projected side of a square, px."""
        d_xy = board_map.jacobian(points)[0] * self.board.square_mm
        return float(np.median(np.linalg.norm(d_xy, axis=1).min(axis=1)))

    def softened(self, board_map: BoardMap, points: Array, side: float, sigma: float) -> Picture:
        """The photo blurred around the board, for the first steps from a poor prediction."""
        px = board_map.project(points)
        rim = 2.5 * side + 4 * sigma + 12
        x0, y0 = np.maximum(px.min(axis=0) - rim, 0).astype(int)
        x1, y1 = (px.max(axis=0) + rim).astype(int)
        out = self.picture.copy()
        out[y0:y1, x0:x1] = cv2.GaussianBlur(self.picture[y0:y1, x0:x1], (0, 0), sigma)
        return out

    def likely(self, fits: Fits) -> NDArray[np.bool_]:
        """Corners that look as they should."""
        s = self.settings
        alike = (fits.correlation > s.least_correlation) & (fits.inside > 0.7)
        typical = float(np.median(fits.contrast[alike])) if alike.any() else 0.0
        enough = max(s.least_contrast, s.least_contrast_share * typical)
        calm = fits.worst_quarter < np.hypot(s.worst_quarter, 1.3 * self.noise / np.maximum(fits.contrast, 1.0))
        return np.asarray(alike & calm & (fits.contrast > enough))

    def refit(
        self, board_map: BoardMap, points: Array, fits: Fits, likely: NDArray[np.bool_], *, with_markers: bool
    ) -> tuple[BoardMap, NDArray[np.bool_]]:
        """Refit the map to the likely corners; those off it by more than 3 sigma and the allowance are dropped, worst first."""
        s = self.settings
        cov = fits.cov_px + np.eye(2) * s.floor_px**2
        good = likely.copy()
        extra_points, extra_px = self.start.points_mm, self.start.px
        if not with_markers:
            extra_points, extra_px = extra_points[:0], extra_px[:0]
        extra_cov = np.tile(np.eye(2) * s.marker_sigma_px**2, (len(extra_px), 1, 1))
        while True:
            fitted = refit_map(
                board_map,
                np.concatenate([points[good], extra_points]),
                np.concatenate([fits.px[good], extra_px]),
                np.concatenate([cov[good] + np.eye(2) * 0.05**2, extra_cov]),
            )
            if fitted is None:
                raise _Refused("the corners do not lie on one plane")
            gap = np.linalg.norm(fits.px - fitted.project(points), axis=1)
            sigma = np.sqrt(np.linalg.eigvalsh(cov + fitted.predicted_cov(points))[:, -1])
            excess = np.where(good, gap - 3.0 * sigma - s.residual_px, -1.0)
            worst = float(excess.max())
            if not worst > 0:
                return fitted, good
            good &= excess <= 0.5 * worst
            if good.sum() < 3:
                raise _Refused("the corners do not lie on one plane")

    def stepped(self, blur: Array, fits: Fits, side: float) -> Array:
        """Blur covariance after one step, kept positive and below a third of a square."""
        values, axes = np.linalg.eigh(blur + fits.blur_step())
        values = np.clip(values, 0.3**2, np.clip(0.35 * side, 1.0, 12.0) ** 2)
        return np.asarray(axes @ np.diag(values) @ axes.T)

    def verdict(self, state: _State) -> Sighting | Refusal:
        s, board = self.settings, self.board
        points = board.corners_mm()[state.ids]
        side = self.side_px(state.board_map, points)
        blur_px = float(np.sqrt(max(np.trace(state.blur) / 2 - PIXEL_VARIANCE, 0.0)))
        if blur_px > s.largest_blur * side:
            raise _Refused(f"too blurred: {blur_px:.1f} px, with squares {side:.0f} px wide")
        tilt = state.board_map.tilt_deg()
        if tilt > s.largest_tilt_deg:
            raise _Refused(f"too oblique: seen {tilt:.0f} degrees off its normal")
        cov = state.fits.cov_px + np.eye(2) * s.floor_px**2
        self.refuse_bent(state, points, cov, side)
        good = state.good
        if good.sum() < NEED_CORNERS:
            raise _Refused(_too_few(int(good.sum()), "can be made out"))
        kept = state.ids[good]
        if len(set(kept % board.corner_columns)) < 2 or len(set(kept // board.corner_columns)) < 2:
            raise _Refused("only one line of corners can be made out")
        if board.is_charuco:
            self.refuse_unconfirmed(state)
        gap = state.fits.px[good] - state.board_map.project(points[good])
        factor = _variance_factor(gap, cov[good])
        read = self.start.markers_read if board.is_charuco else 0
        return Sighting(board.name, kept, state.fits.px[good], cov[good] * factor, read, blur_px)

    def refuse_unconfirmed(self, state: _State) -> None:
        confirmed, visible = self.confirmed_markers(state)
        needed = NEED_MARKERS if self.start.markers_read > 0 else max(NEED_MARKERS, (visible + 1) // 2)
        if confirmed < needed:
            raise _Refused(f"its pattern is not confirmed: {confirmed} markers alike, {needed} needed")

    def refuse_bent(self, state: _State, points: Array, cov: Array, side: float) -> None:
        likely, good = state.likely, state.good
        if state.board_map.rigid:
            found = bending(state.board_map, self.board, points[likely], state.fits.px[likely], cov[likely])
            allowed = 2.0 * self.board.flatness_pm_mm
            if found.departure_mm - 3.0 * found.sigma_mm > allowed:
                raise _Refused(f"bent: its face departs by {found.departure_mm:.1f} mm from a plane, {allowed:.1f} mm allowed")
        gap = state.fits.px[likely] - state.board_map.project(points[likely])
        if good.sum() < 0.7 * likely.sum() or np.sqrt(np.mean(np.sum(gap**2, axis=1))) > max(0.6, 0.03 * side):
            raise _Refused("bent, or the lens is not the profile's: the corners do not lie on one plane")

    def confirmed_markers(self, state: _State) -> tuple[int, int]:
        """How many markers look as they should, and how many lie in the photo by the final map."""
        board, ratio = self.board, self.board.marker_mm / self.board.square_mm
        cells = board.marker_bits()[0].shape[0]
        centres = board.marker_corners_mm().mean(axis=1)
        px = state.board_map.project(centres)
        h, w = self.picture.shape
        inside = _inside(px, w, h)
        if not inside.any():
            return 0, 0
        bits_only = ratio / 2 * (cells - 2) / cells
        fits = fit_points(
            self.picture, board, state.board_map, centres[inside], state.blur, window_squares=bits_only, steps=0, reach_px=1.0
        )
        alike = (fits.correlation > self.settings.marker_likeness) & (fits.inside > 0.9)
        return int(alike.sum()), int(inside.sum())


def _round_blur(sigma_px: float) -> Array:
    return np.asarray(np.eye(2) * (sigma_px**2 + PIXEL_VARIANCE))


def _too_few(seen: int, how: str) -> str:
    return f"too few corners: {seen} {how}, {NEED_CORNERS} needed"


def _variance_factor(gap: Array, cov: Array) -> float:
    """Scatter of the corners about their smooth map over the scatter their own covariance predicts.

    The window's misfit is partly pattern (mosaic, sharpening, compression), not noise that moves corners; print, lens and flatness
    move corners without a misfit. The corners' own scatter knows both; few corners know it badly, so it is held towards 1.
    """
    freedom = max(2 * len(gap) - 8, 0)
    chi2 = float(np.einsum("ni,nij,nj->", gap, np.linalg.inv(cov), gap))
    return (chi2 + HELD_FREEDOM) / (freedom + HELD_FREEDOM)


def _inside(px: Array, width_px: int, height_px: int) -> NDArray[np.bool_]:
    """Which pixels (n, 2), NaN allowed, lie in the photo, three pixels from its rim."""
    within = (np.nan_to_num(px, nan=-1.0) > 2) & (np.nan_to_num(px, nan=-1.0) < [width_px - 3, height_px - 3])
    return np.asarray(within.all(axis=1), dtype=np.bool_)
