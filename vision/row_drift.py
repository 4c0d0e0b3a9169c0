"""Do the photos of a survey drift from row to row? One variance component for all of them, where they ask for it.

A camera in a hand turns by a degree a second; read from top to bottom in a fiftieth of one, a picture is sheared by half a
pixel and more, in every photo another way. Three boards in a photo cannot tell that from the photo's place, but many photos can
tell that there is such a thing: every photo's drift, tested by itself (`snooping.Sheared`), lowers the square sum by χ² of two
degrees when there is none. The component is then estimated by expectation and maximisation (Dempster, Laird and Rubin 1977):
the mean square of the adjusted drifts and of what they are uncertain by.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy.linalg import block_diag
from scipy.special import chdtrc

from vision.covariance import covariance
from vision.frames import Array
from vision.linearise import DRIFT_OF_PHOTO
from vision.network_report import Network
from vision.snooping import snoop
from vision.suppositions import Sheared

FALSE_ALARM = 1e-3
ROUNDS = 4
FREE_PX = 100.0
"""A σ that holds no photo."""
LEAST_PX = 0.1
TOO_LITTLE_PX = 0.2
"""Over 1000 rows: so little does nothing, and is not told."""


def asked_for_px(network: Network) -> float:
    """First estimate of the drift's σ, px over 1000 rows; 0.0 where chance alone explains what the photos show.

    From ``E T = q + σ² tr N`` of every photo's test, N its weight matrix of the drift. Quick, and a little too ready: photos
    that show the same boards share their tests. `settled_drift` asks them all together.
    """
    if network.inside is None:
        raise ValueError("this network does not know what it was adjusted from")
    photos = [Sheared(photo) for photo in network.cam_from_survey]
    found = [entry for entry in snoop(*network.inside, photos, known=False) if entry.freedom == 2]
    drop, freedom = sum(entry.drop for entry in found), sum(entry.freedom for entry in found)
    if not found or chdtrc(freedom, drop) > FALSE_ALARM:
        return 0.0
    information = sum(float(np.trace(np.linalg.inv(entry.cov))) for entry in found)
    return math.sqrt((drop - freedom) / information)


def settled_drift(first_px: float, adjust: Callable[[float], Network]) -> Network | None:
    """The network adjusted with the likeliest σ of the drift; None where all drifts together, left free, are no more than
    chance makes them, or where they are too little to matter.

    Raises
    ------
    NetworkError
        The photos cannot be adjusted even so.
    """
    drifts, cov = _drifts(adjust(FREE_PX))
    if chdtrc(drifts.size, float(drifts @ np.linalg.solve(cov, drifts))) > FALSE_ALARM:
        return None
    sigma = max(first_px, LEAST_PX)
    network = adjust(sigma)
    for _ in range(ROUNDS):
        drifts, cov = _drifts(network)
        better = max(float(np.sqrt(np.mean(drifts**2 + np.diag(cov)))), LEAST_PX)
        if abs(better - sigma) < 0.1 * sigma:
            break
        sigma = better
        network = adjust(sigma)
    return network if sigma > TOO_LITTLE_PX else None


def _drifts(network: Network) -> tuple[Array, Array]:
    """Adjusted drifts of all photos (2 n,), and their covariance (2 n, 2 n)."""
    if network.inside is None:
        raise ValueError("this network does not know what it was adjusted from")
    _, solution = network.inside
    normal = solution.normal
    joint = normal.photo_joint[:, DRIFT_OF_PHOTO]
    flat = joint.reshape(-1, joint.shape[2])
    own = normal.photo_inverse[:, DRIFT_OF_PHOTO, DRIFT_OF_PHOTO]
    return solution.values.wobble[:, 3:].ravel(), block_diag(*own) + flat @ covariance(normal) @ flat.T
