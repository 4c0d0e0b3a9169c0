"""One marker pass per photo and dictionary: decoded markers for all boards at once.

Measured on rendered bay photos with OpenCV 5.0: the default smallest perimeter, a share of the image side, throws
readable markers away in large photos; eight pixels per cell in the bit reader and a twofold enlarged second pass read several times
as many.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.boards import predefined_dictionary
from vision.frames import Array

SMALLEST_SIDE_PX = 9.0
"""Side of a marker below which a pass does not look; eight cells cannot be told apart in fewer pixels."""
LARGE_PHOTO_PX = 4_500_000
"""Photos of more pixels are not enlarged as a whole."""


@dataclass(frozen=True, slots=True, eq=False)
class Markers:
    """Decoded markers of one dictionary.

    Attributes
    ----------
    ids : ndarray of int, shape (n,)
    corners_px : ndarray, shape (n, 4, 2)
        Clockwise from the marker's first corner, good to some 0.3 px.
    """

    ids: NDArray[np.int64]
    corners_px: Array

    def __len__(self) -> int:
        return len(self.ids)

    def only(self, wanted: range) -> Markers:
        keep = (self.ids >= wanted.start) & (self.ids < wanted.stop)
        return Markers(self.ids[keep], self.corners_px[keep])


def read_markers(gray: NDArray[np.uint8], dictionary: str) -> Markers:
    """All markers of the dictionary in the photo: a first pass, and an enlarged second one for the small ones."""
    passes = [_one_pass(gray, dictionary, 1.0, (5, 13, 29), 7.0)]
    if gray.size <= LARGE_PHOTO_PX:
        passes.append(_one_pass(gray, dictionary, 2.0, (7, 15, 31), 4.0))
    else:
        passes.append(_one_pass(gray, dictionary, 0.5, (5, 13, 29), 7.0))
    return _merged(passes)


def _parameters(shape: tuple[int, ...], windows: tuple[int, int, int], constant: float) -> cv2.aruco.DetectorParameters:
    p = cv2.aruco.DetectorParameters()
    p.adaptiveThreshWinSizeMin, p.adaptiveThreshWinSizeMax = windows[0], windows[2]
    p.adaptiveThreshWinSizeStep = windows[1] - windows[0]
    p.adaptiveThreshConstant = constant
    p.minMarkerPerimeterRate = 4.0 * SMALLEST_SIDE_PX / max(shape)
    p.perspectiveRemovePixelPerCell = 8
    p.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    p.minDistanceToBorder = 1
    return p


def _one_pass(
    gray: NDArray[np.uint8], dictionary: str, scale: float, windows: tuple[int, int, int], constant: float
) -> Markers:
    picture = gray
    if scale > 1:
        picture = np.asarray(cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_LINEAR), dtype=np.uint8)
    elif scale < 1:
        picture = np.asarray(cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    detector = cv2.aruco.ArucoDetector(predefined_dictionary(dictionary), _parameters(picture.shape, windows, constant))
    corners, ids, _ = detector.detectMarkers(picture)
    if ids is None or len(ids) == 0:
        return Markers(np.zeros(0, dtype=np.int64), np.zeros((0, 4, 2)))
    px = np.asarray(corners, dtype=float).reshape(-1, 4, 2)
    # the centre of the first pixel is (0, 0) before and after: half a pixel of offset scales too
    return Markers(np.asarray(ids, dtype=np.int64).ravel(), (px + 0.5) / scale - 0.5)


def _merged(passes: list[Markers]) -> Markers:
    """All passes together; a marker read again at the same place counts once, the same id elsewhere is kept."""
    ids: list[int] = []
    corners: list[Array] = []
    for found in passes:
        for marker, px in zip(found.ids, found.corners_px, strict=True):
            side = float(np.linalg.norm(px - np.roll(px, 1, axis=0), axis=1).mean())
            known = any(
                other == marker and float(np.linalg.norm(seen.mean(axis=0) - px.mean(axis=0))) < 0.5 * side
                for other, seen in zip(ids, corners, strict=True)
            )
            if not known:
                ids.append(int(marker))
                corners.append(px)
    return Markers(np.array(ids, dtype=np.int64), np.array(corners).reshape(-1, 4, 2))
