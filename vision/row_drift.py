"""Do the photos of a survey drift from row to row? One variance component for all of them, where they ask for it.

A camera in a hand turns by a degree a second; read from top to bottom in a fiftieth of one, a picture is sheared by half a
pixel and more, in every photo another way. Three boards in a photo cannot tell that from the photo's place, but many photos can
tell that there is such a thing: every photo's drift, tested by itself (`snooping.Sheared`), lowers the square sum by χ² of two
degrees when there is none. The component is then estimated from all drifts, adjusted free of any bound: they scatter by it and
by what they are uncertain by. As place, boards and lens are unknowns beside them, this is restricted maximum likelihood
(Patterson and Thompson 1971).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.linalg import block_diag
from scipy.optimize import minimize_scalar
from scipy.special import chdtrc

from vision.covariance import covariance
from vision.frames import Array
from vision.linearise import DRIFT_OF_PHOTO
from vision.network_report import Network
from vision.snooping import snoop
from vision.suppositions import Sheared

FALSE_ALARM = 1e-3
FREE_PX = 100.0
"""A σ that holds no photo."""
TOO_LITTLE_PX = 0.2
"""Over 1000 rows: so little does nothing, and is not told."""
EXACT = 1e-3


def may_drift(network: Network) -> bool:
    """Whether chance alone does not explain what the photos show, each tested by itself.

    Quick, and a little too ready: photos that show the same boards share their tests. `settled_drift` asks them all together.
    """
    if network.inside is None:
        raise ValueError("this network does not know what it was adjusted from")
    photos = [Sheared(photo) for photo in network.cam_from_survey]
    found = snoop(*network.inside, photos, known=False)
    freedom = sum(entry.freedom for entry in found)
    return freedom > 0 and float(chdtrc(freedom, sum(entry.drop for entry in found))) <= FALSE_ALARM


def settled_drift(adjust: Callable[[float], Network]) -> Network | None:
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
    sigma = likeliest_px(drifts, cov)
    return adjust(sigma) if sigma > TOO_LITTLE_PX else None


def likeliest_px(drifts: Array, cov: Array) -> float:
    """σ of drifts (n,) that were measured with a covariance (n, n)."""
    own, axes = np.linalg.eigh(cov)
    square = (axes.T @ drifts) ** 2

    def loss(sigma: float) -> float:
        """−2 log likelihood, up to a constant."""
        spread = own + sigma**2
        return float(np.sum(np.log(spread) + square / spread))

    most = float(np.abs(drifts).max())
    return float(minimize_scalar(loss, bounds=(0.0, most), method="bounded", options={"xatol": EXACT}).x)


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
