"""What a survey learned of its lenses: how far its photos moved each profile, whether that is compatible, and how sure it is.

A lens profile is an observed unknown: every survey refines it within its covariance. Beyond that a survey may calibrate the
camera by itself only when it holds what a calibration needs: convergent photos, some of them turned about the line of sight
(Fraser 1997, "Digital camera self-calibration", from memory: without turned photos the middle and the poses look alike).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtrc

from vision.adjust import Problem, Solution
from vision.camera import LensProfile
from vision.covariance import covariance
from vision.frames import Array
from vision.network_report import Network
from vision.unknowns import LENS_NAMES, Known, departure, vector_of

LEAST_CHANCE = 1e-3
"""A shift less probable than this contradicts the profile."""
TOLD = 1e-4
"""A direction of the lens of whose variance the survey takes less than this share tells nothing of compatibility."""
SLACK = dict(zip(LENS_NAMES, (*[2e-4] * 4, 6e-4, 1.3e-3, 1.5e-4, 1.5e-4, 2.6e-3, *[2.6e-3] * 3), strict=True))
"""σ of what no lens photos tell of the bay's: about 0.3 px at f = 1400 px in the picture's corners (focal length and middle in
focal lengths). A shift of that size matters to no figure, however small the stated covariances are."""
OPEN_FOCAL, OPEN_CENTRE, OPEN_DISTORTION = 0.03, 0.03, (0.02, 0.05, 1e-3, 1e-3)
"""σ that is left to the photos: focal length, principal point (both in focal lengths), k1 k2 p1 p2."""
LEAST_PHOTOS, LEAST_TURNED = 12, 4
LARGEST_SIGMA = 1e-3
"""σ of focal length and principal point, in focal lengths, above which a survey does not calibrate its camera."""


@dataclass(frozen=True, slots=True, eq=False)
class LensRefined:
    """One lens of a survey, by its profile and as adjusted.

    Attributes
    ----------
    lens : str
    photos, turned : int
        Photos by this lens; those held upright or across, whichever are fewer.
    names : tuple of str
        Adjusted parameters, of `LENS_NAMES`.
    profile, survey : ndarray, shape (n,)
        Values known beforehand and adjusted.
    profile_cov, survey_cov : ndarray, shape (n, n)
        Beforehand with the wobble common to all photos; adjusted times the variance of unit weight.
    chi_square, freedom : float, int
        Of the shift, in the directions that the photos tell.
    """

    lens: str
    photos: int
    turned: int
    names: tuple[str, ...]
    profile: Array
    survey: Array
    profile_cov: Array
    survey_cov: Array
    chi_square: float
    freedom: int

    @property
    def chance(self) -> float:
        """Probability of such a shift when the profile is true to its covariance."""
        return float(chdtrc(self.freedom, self.chi_square)) if self.freedom else 1.0

    @property
    def compatible(self) -> bool:
        return self.chance >= LEAST_CHANCE

    @property
    def by_its_photos(self) -> bool:
        """Whether the profile was left to the photos (`opened`)."""
        return self.sigma("fx_px")[0] > 0.9 * OPEN_FOCAL * float(self.profile[0])

    def sigma(self, name: str) -> tuple[float, float]:
        """Standard uncertainty of a parameter beforehand and adjusted; 0 when it is held."""
        if name not in self.names:
            return 0.0, 0.0
        i = self.names.index(name)
        return float(np.sqrt(self.profile_cov[i, i])), float(np.sqrt(self.survey_cov[i, i]))


def refined(network: Network) -> tuple[LensRefined, ...]:
    """All lenses of a survey that were adjusted; none of a network that was adjusted on top of an earlier one."""
    if network.inside is None:
        raise ValueError("this network does not know what it was adjusted from")
    problem, solution = network.inside
    cov = covariance(solution.normal)
    known = [k for k in problem.known if k.names[0].startswith("lens:")]
    return tuple(_refined(problem, solution, cov, k, network.state.variance_factor) for k in known)


def _refined(problem: Problem, solution: Solution, cov: Array, known: Known, factor: float) -> LensRefined:
    layout = problem.layout
    columns, gap, _ = departure(vector_of(solution.values, layout), known, layout.index())
    after = cov[np.ix_(columns, columns)]
    # In units of what was known: C_shift = C_known - C_adjusted, its eigenvalues between 0 (nothing told) and 1.
    root = np.linalg.cholesky(known.cov)
    back = np.linalg.inv(root)
    told, ways = np.linalg.eigh(np.eye(len(gap)) - back @ after @ back.T)
    along = (ways.T @ (back @ gap))[told > TOLD]
    slack = back @ np.diag(_slack(known) ** 2) @ back.T
    scatter = (factor * told + np.einsum("ij,ik,kj->j", ways, slack, ways))[told > TOLD]
    lens = known.names[0].split(":")[1]
    photos, turned = _photos(problem, solution, lens)
    return LensRefined(
        lens,
        photos,
        turned,
        tuple(name.split(":")[2] for name in known.names),
        known.value,
        known.value + gap,
        known.cov,
        factor * after,
        float(np.sum(along**2 / scatter)),
        len(along),
    )


def _slack(known: Known) -> Array:
    """`SLACK` of the known parameters, focal length and middle in px."""
    short = [name.split(":")[2] for name in known.names]
    focal = float(known.value[short.index("fx_px")]) if "fx_px" in short else 0.0
    return np.array([SLACK[name] * (focal if name.endswith("_px") else 1.0) for name in short])


def _photos(problem: Problem, solution: Solution, lens: str) -> tuple[int, int]:
    """Photos by a lens, and how many of them are turned against the others by about a quarter."""
    obs = problem.obs
    mine = np.unique(obs.photo[obs.used.any(axis=1) & (obs.lens == obs.lenses.index(lens))])
    turns = solution.values.photo_rotation[mine]
    up = -turns[:, 1].sum(axis=0)  # upright pictures outweigh turned ones, which lie to either side
    in_cam = turns @ (up / np.linalg.norm(up))
    across = int((np.abs(in_cam[:, 0]) > np.abs(in_cam[:, 1])).sum())
    return len(mine), min(across, len(mine) - across)


def opened(profile: LensProfile) -> LensProfile:
    """The profile with its camera left to the photos: only a rough idea of it is kept."""
    focal = profile.camera.fx_px
    wide = np.zeros(len(LENS_NAMES))
    wide[:2], wide[2:4], wide[4:8] = OPEN_FOCAL * focal, OPEN_CENTRE * focal, OPEN_DISTORTION
    # fx and fy differ by the pixels' shape alone, which no zoom changes: they are opened together
    cov = profile.cov + np.diag(wide**2)
    cov[0, 1] = cov[1, 0] = profile.cov[0, 1] + wide[0] ** 2 * (1.0 - 1e-4)
    return replace(profile, cov=cov)


def must_not_calibrate(lens: LensRefined) -> str:
    """Why a survey must not calibrate this (opened) lens by its own photos; empty when it may."""
    if lens.photos < LEAST_PHOTOS:
        return f"they are {lens.photos}, {LEAST_PHOTOS} are needed"
    if lens.turned < LEAST_TURNED:
        return f"{lens.turned} of {lens.photos} are turned by a quarter, {LEAST_TURNED} are needed"
    focal = lens.survey[lens.names.index("fx_px")]
    names = {"fx_px": "focal length", "cx_px": "middle across", "cy_px": "middle up and down"}
    for name, words in names.items():
        sigma = lens.sigma(name)[1]
        if sigma > LARGEST_SIGMA * focal:
            return f"they leave its {words} uncertain by {sigma:.1f} px (k = 1), {LARGEST_SIGMA * focal:.1f} px are allowed"
    return ""
