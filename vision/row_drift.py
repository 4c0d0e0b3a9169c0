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
from scipy.special import chdtrc

from vision.covariance import covariance
from vision.linearise import DRIFT_OF_PHOTO
from vision.network_report import Network
from vision.snooping import snoop
from vision.suppositions import Sheared

FALSE_ALARM = 1e-3
ROUNDS = 4
FREE_PX = 100.0
"""A σ that holds no photo."""
LEAST_PX = 0.1
"""Over 1000 rows: less than that does nothing."""


def asked_for_px(network: Network) -> float:
    """First estimate of the drift's σ, px over 1000 rows; 0.0 where chance alone explains what the photos show.

    From ``E T = q + σ² tr N`` of every photo's test, N its weight matrix of the drift. Quick, and a little too ready: photos
    that show the same boards share their tests. `settled_drift` asks them all together.
    """
    if network.inside is None:
        raise ValueError("this network does not know what it was adjusted from")
    photos = [Sheared(photo) for photo in network.cam_from_survey]
    found = [entry for entry in snoop(*network.inside, photos) if isinstance(entry.what, Sheared) and entry.freedom == 2]
    drop, freedom = sum(entry.drop for entry in found), sum(entry.freedom for entry in found)
    if not found or chdtrc(freedom, drop) > FALSE_ALARM:
        return 0.0
    information = sum(float(np.trace(np.linalg.inv(entry.cov))) for entry in found)
    return math.sqrt((drop - freedom) / information)


def settled_drift(network: Network, first_px: float, adjust: Callable[[float], Network]) -> Network | None:
    """The network adjusted with the likeliest σ of the drift; None where all drifts together, left free, explain no more than
    chance does.

    Raises
    ------
    NetworkError
        The photos cannot be adjusted even so.
    """
    drop = _square_sum(network) - _square_sum(adjust(FREE_PX))
    if chdtrc(2 * len(network.cam_from_survey), max(drop, 0.0)) > FALSE_ALARM:
        return None
    sigma = max(first_px, LEAST_PX)
    network = adjust(sigma)
    for _ in range(ROUNDS):
        better = max(_maximised(network), LEAST_PX)
        if abs(better - sigma) < 0.1 * sigma:
            break
        sigma = better
        network = adjust(sigma)
    return network


def _square_sum(network: Network) -> float:
    if network.inside is None:
        raise ValueError("this network does not know what it was adjusted from")
    return network.inside[1].normal.cost


def _maximised(network: Network) -> float:
    """Root mean square of the photos' drifts, with what they are uncertain by."""
    if network.inside is None:
        raise ValueError("this network does not know what it was adjusted from")
    _, solution = network.inside
    normal = solution.normal
    joint = normal.photo_joint[:, DRIFT_OF_PHOTO]
    variance = normal.photo_inverse[:, DRIFT_OF_PHOTO, DRIFT_OF_PHOTO].diagonal(axis1=1, axis2=2)
    variance = variance + np.einsum("pki,ij,pkj->pk", joint, covariance(normal), joint)
    return float(np.sqrt(np.mean(solution.values.wobble[:, 3:] ** 2 + variance)))
