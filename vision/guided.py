"""The guided look at one board: from a rough map to accepted corners, or the reason why there are none.

Every corner is predicted, registered and judged by contrast, likeness and residual; the map is refitted and the look repeated
until no more corners come within reach. A board counts only when its marker pattern is confirmed.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.boardmap import BoardMap, inside_photo, refit_map
from vision.boards import Board
from vision.cells import shared_out, stepped_blur
from vision.corners import WINDOW_SQUARES, Fits, fit_points
from vision.frames import Array
from vision.judging import (
    NEED_CORNERS,
    Refused,
    Settings,
    State,
    isolated_gap,
    likely_corners,
    printed_cov_px,
    side_px,
    sighting_of,
    too_few,
)
from vision.search import shifted_to_photo
from vision.sightings import Refusal, Sighting
from vision.template import PIXEL_VARIANCE, Photograph, Picture

USUAL_BLUR_PX = 0.8
PLAIN_WINDOW_SQUARES = 0.36
MORE_BLURS_PX = (1.6, 2.8, 4.5, 7.0)
CLEARLY_ALIKE = 0.97
SETTLED_BLUR = 0.03
"""Relative change of the blur's covariance below which the look has settled."""


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """What the look starts from: a map and the marker corners behind it, points (n, 3) mm and pixels (n, 2), if any.

    `predicted`: the map comes from other photos, nothing of the board has been seen in this one yet.
    """

    board_map: BoardMap
    points_mm: Array
    px: Array
    markers_read: int
    predicted: bool = False


def look_at(picture: Photograph, board: Board, start: Start, noise: float, settings: Settings) -> Sighting | Refusal:
    """Corners of one board, or why it is refused.

    Parameters
    ----------
    picture : ndarray of uint8, shape (height, width)
    noise : float
        Standard deviation of the photo's noise, grey levels.
    """
    look = _Look(picture, board, start, noise, settings)
    try:
        state = look.settled(look.grown())
        if board.is_charuco:
            state = shared_out(picture, board, state, noise, settings)
        return sighting_of(picture, board, state, start.markers_read, settings)
    except Refused as refused:
        return Refusal(board.name, str(refused), start.markers_read)


@dataclass(frozen=True, slots=True, eq=False)
class _Look:
    picture: Photograph
    board: Board
    start: Start
    noise: float
    settings: Settings

    def grown(self) -> State:
        """Repeat the look until every corner in the photo has been tried, six times at most."""
        blur = _round_blur(USUAL_BLUR_PX)
        start = self.searched(blur) if self.start.predicted else self.start.board_map
        state = self.turn(start, self.likeliest_blur(start), fine=False)
        for _ in range(5):
            ids = self.within_reach(state.board_map)
            if len(np.setdiff1d(ids, state.ids)) == 0:
                break
            state = self.turn(state.board_map, state.blur, fine=False)
        return state

    def settled(self, state: State) -> State:
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
        side = side_px(self.board, board_map, points)
        best, likeness = _round_blur(USUAL_BLUR_PX), -1.0
        for blur_px in (USUAL_BLUR_PX, *MORE_BLURS_PX):
            if blur_px > max(USUAL_BLUR_PX, self.settings.largest_blur * side):
                break
            blur = _round_blur(blur_px)
            fits = fit_points(self.picture, self.board, board_map, points, blur, steps=2, window_squares=self.window())
            # the clearest quarter of the corners: the others may be hidden
            clearest = float(np.sort(fits.correlation)[-max(4, len(points) // 4) :].mean())
            if clearest > likeness:
                best, likeness = blur, clearest
            if likeness > CLEARLY_ALIKE:
                break
        return best

    def searched(self, blur: Array) -> BoardMap:
        """The predicted map, moved to where the board is."""
        points = self.board.corners_mm()[self.in_photo(self.start.board_map)]
        if len(points) < NEED_CORNERS:
            raise Refused(too_few(len(points), "lie in the photo"))
        found = shifted_to_photo(self.picture, self.board, self.start.board_map, points, blur, self.settings.predicted_sigma_px)
        if found is None:
            raise Refused("nothing like it where it is predicted")
        return found

    def turn(self, board_map: BoardMap, blur: Array, *, fine: bool) -> State:
        """One look at all corners within reach, and the refitted map."""
        ids = self.within_reach(board_map)
        if len(ids) < 3:
            raise Refused(too_few(len(ids), "lie in the photo"))
        points = self.board.corners_mm()[ids]
        side = side_px(self.board, board_map, points)
        far = float(np.median(np.sqrt(np.linalg.eigvalsh(board_map.predicted_cov(points))[:, -1])))
        source: Photograph = self.picture
        extra = np.zeros((2, 2))
        if not fine and far > 0.6:
            coarse = float(np.clip(far, 0.6, max(0.12 * side, 0.6)))
            source, extra = self.softened(board_map, points, side, coarse), np.eye(2) * coarse**2
        reach = float(np.clip(3.0 * far + 1.0, 1.5, np.clip(0.3 * side, 1.5, 10.0)))
        fits = fit_points(source, self.board, board_map, points, blur + extra, reach_px=reach, window_squares=self.window())
        likely = likely_corners(fits, self.noise, self.settings)
        if likely.sum() < 3:
            raise Refused(too_few(int(likely.sum()), "can be made out"))
        refitted, good = self.refit(board_map, points, fits, likely, with_markers=not fine)
        stepped = stepped_blur(blur, fits, side) if extra[0, 0] == 0.0 else blur
        return State(refitted, stepped, ids, fits, good, likely)

    def in_photo(self, board_map: BoardMap) -> NDArray[np.int64]:
        h, w = self.picture.shape
        return np.flatnonzero(inside_photo(board_map.project(self.board.corners_mm()), w, h))

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
            raise Refused(f"too small: the squares are {np.median(shortest):.1f} px wide in the photo")
        return np.asarray(ids[far < 0.25 * shortest])

    def softened(self, board_map: BoardMap, points: Array, side: float, sigma: float) -> Picture:
        """The photo around the board blurred, black elsewhere, for the first steps from a poor prediction."""
        px = board_map.project(points)
        rim = 2.5 * side + 4 * sigma + 12
        x0, y0 = np.maximum(px.min(axis=0) - rim, 0).astype(int)
        x1, y1 = (px.max(axis=0) + rim).astype(int)
        out = np.zeros(self.picture.shape, dtype=np.float32)
        out[y0:y1, x0:x1] = cv2.GaussianBlur(self.picture[y0:y1, x0:x1].astype(np.float32), (0, 0), sigma)
        return out

    def refit(
        self, board_map: BoardMap, points: Array, fits: Fits, likely: NDArray[np.bool_], *, with_markers: bool
    ) -> tuple[BoardMap, NDArray[np.bool_]]:
        """Refit the map to the likely corners; those off their neighbours by more than 3 sigma and some are dropped."""
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
                raise Refused("the corners do not lie on one plane")
            gap = np.linalg.norm(isolated_gap(points, fits.px - fitted.project(points), good)[0], axis=1)
            beside = printed_cov_px(self.board, fitted, points)
            sigma = np.sqrt(np.linalg.eigvalsh(cov + beside + fitted.predicted_cov(points))[:, -1])
            excess = np.where(good, gap - 3.0 * sigma - s.residual_px, -1.0)
            worst = float(excess.max())
            if not worst > 0:
                return fitted, good
            good &= excess <= 0.5 * worst
            if good.sum() < 3:
                raise Refused("the corners do not lie on one plane")


def _round_blur(sigma_px: float) -> Array:
    return np.asarray(np.eye(2) * (sigma_px**2 + PIXEL_VARIANCE))
