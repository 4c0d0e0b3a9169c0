"""A camera that moved while the picture was taken: how long the smear is, and what a rolling shutter may do along with it.

A smear alone is harmless: it is symmetric about the pose in the middle of the exposure, and all corners move alike. But most
phones and webcams read the picture row by row, and motion then shears it: a board of 100 px turns by 0.15 degrees when the
picture moves by 2 px during the whole reading, and nothing in the board itself tells shear from tilt. Indoors, exposure and
reading take about equally long (10 to 30 ms, from memory): the picture may have moved while it was read as far as it is
smeared.
"""

from __future__ import annotations

import numpy as np

from vision.frames import Array

USUAL_RATIO = 1.5
"""Blur variance along over across that a lens makes by itself (astigmatism); only more than this counts as motion."""
MOST_PX = 5.0


def smear_px(blur_cov: Array) -> float:
    """Length of the straight smear in a blur of this covariance (2, 2), px²; 0 when the lens may have made it.

    A streak of length L has the variance L² / 12 along itself.
    """
    across, along = np.linalg.eigvalsh(blur_cov)
    return float(np.sqrt(12.0 * max(along - USUAL_RATIO * across, 0.0)))


def shear_sigma_px(smear: float, px: Array, height_px: int) -> float:
    """How far (k = 1) a rolling shutter may have moved corners (n, 2) against each other, px: half the shear over the board.

    Rows of a photo held upright are read from top to bottom; of one turned by a quarter, the same rows of the sensor.
    """
    return float(smear * np.ptp(px[:, 1]) / height_px / 2.0)
