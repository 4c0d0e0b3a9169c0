"""How blurred a picture is, measured at its strongest edges; tells camera shake from lack of focus."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]

FINE_PX, COARSE_PX = 0.8, 1.6
LEAST_EDGES = 150
LEAST_GRADIENT, NOISE_FACTOR = 2.0, 6.0
"""Grey levels per pixel; and times the noise of the gradient; weaker edges are noise or shading."""


@dataclass(frozen=True, slots=True)
class Sharpness:
    """Blur of a picture: σ of a Gaussian, px, at upright edges (`across_px`) and at level edges (`upright_px`).

    `edges` is the number of edge pixels behind the two; below `LEAST_EDGES` they mean nothing (dark or empty picture).
    """

    across_px: float
    upright_px: float
    edges: int

    @property
    def blur_px(self) -> float:
        """The worse of the two."""
        return max(self.across_px, self.upright_px)

    @property
    def judged(self) -> bool:
        return self.edges >= LEAST_EDGES


def sharpness(gray: NDArray[np.uint8]) -> Sharpness:
    """Measure a grey picture, shape (h, w).

    Notes
    -----
    Re-blurring: the gradient of a step edge of blur σ, taken with a Gaussian of width s, has its ridge at
    A / sqrt(2 π (σ² + s²)), so that the ratio at two widths gives σ (Elder and Zucker 1998; Zhuo and Sim 2011). Of the
    strongest ridges the upper quartile of σ counts, because edges a few pixels apart (marker cells) read too sharp. On
    boards with squares of 40 px good to a quarter between 0.8 and 3 px.
    """
    picture = gray.astype(np.float32)
    fine, coarse = _gradients(picture, FINE_PX), _gradients(picture, COARSE_PX)
    across, n_across = _edge_blur(fine[0], coarse[0], coarse[1])
    upright, n_upright = _edge_blur(fine[1].T, coarse[1].T, coarse[0].T)
    few = min(n_across, n_upright) < LEAST_EDGES // 3
    return Sharpness(across, upright, 0 if few else n_across + n_upright)


def _gradients(picture: Picture, width_px: float) -> tuple[Picture, Picture]:
    """Sizes of the gradient along x and along y, grey levels per px."""
    smooth = cv2.GaussianBlur(picture, (0, 0), width_px)
    sobel = (cv2.Sobel(smooth, cv2.CV_32F, 1 - axis, axis, ksize=1, scale=0.5) for axis in (0, 1))
    along_x, along_y = (np.abs(np.asarray(gradient, dtype=np.float32)) for gradient in sobel)
    return along_x, along_y


def _edge_blur(fine: Picture, coarse: Picture, along: Picture) -> tuple[float, int]:
    """Blur across upright edges, px, and the number of edge pixels it rests on; `along` is the gradient along them."""
    # At least a third of a picture is smooth: the gradient there is its noise (20th percentile of |N(0, 1)|: 0.253).
    noise = float(np.quantile(coarse[::4, ::4], 0.2)) / 0.253
    ridge = (coarse >= max(LEAST_GRADIENT, NOISE_FACTOR * noise)) & (coarse > 2.4 * along)
    ridge[:, [0, -1]] = False
    ridge[:, 1:-1] &= (coarse[:, 1:-1] >= coarse[:, :-2]) & (coarse[:, 1:-1] > coarse[:, 2:])
    if not ridge.any():
        return 0.0, 0
    strong = ridge & (coarse >= 0.4 * np.quantile(coarse[ridge], 0.98))
    ratio2 = np.square(fine[strong].astype(float) / coarse[strong])
    return _blur_of_ratio(float(np.quantile(ratio2, 0.25))), int(strong.sum())


def _blur_of_ratio(ratio2: float) -> float:
    # The difference of the two neighbours smooths as well: a box of two pixels, variance 1/3.
    fine, coarse = FINE_PX**2 + 1.0 / 3.0, COARSE_PX**2 + 1.0 / 3.0
    if ratio2 >= coarse / fine:
        return 0.0
    if ratio2 <= 1.0 + 1e-3:
        return float("inf")
    return float(np.sqrt((coarse - ratio2 * fine) / (ratio2 - 1.0)))


def gray_of(frame: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Grey picture, shape (h, w), of a BGR or grey frame."""
    if frame.ndim == 2:
        return frame
    return np.asarray(cv2.cvtColor(frame, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
