"""The uncertainty budget of one figure: what each source brings, what would make it smaller, what an unnoticed error would do.

First order (JCGM 100:2008, 5.2): independent sources, so their variances add up; each source's share comes through the same
estimator from the joint covariance, correlations included.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from vision.errors import MeasurementError
from vision.frames import Estimate

COVERAGE = 2.0
REMEDIES = {
    "corners": "more photos, from nearer and from 30° to 60° beside; a camera with more pixels",
    "lens": "more lens photos at the bay's distance, boards tilted and in every corner of the picture",
    "wobble": "lock the focus and calibrate again; switch stabilisation off",
    "scale": "measure the check bars more closely, or one long tape distance between floor boards",
    "flatness": "glue the boards on stiff flat plates, and type how flat they are",
    "print": "a better printer (no stretching feed), or more corners: larger boards; say print_pm_mm if the prints are better",
    "tape": "a better tape, pulled tight, read at both centre marks; a second distance across the bay",
    "thickness": "measure the boards' thickness",
    "floor": "more floor boards, under the wheels and around the stand; type the floor's true unevenness",
    "car motion": "more roll epochs over half a turn or more; a smoother floor",
    "centring": "holders that sit more centrally, or roll the car: then they matter little",
    "board mounting": "roll the car, or turn its wheels by hand on a lift: then it does not matter how square the boards sit",
    "springs": "block the springs and say settle_pm_mm = 0, or roll without boards on the body",
    "stand-off": "measure the stand-offs more closely, all four in the same way",
    "stand file": "measure where the boards sit on the target more closely",
    "mat file": "measure where the boards and marks are on the mat more closely",
    "mat shape": "lay the mat flat where it is as warm as when it was measured; say stretch_pm_percent if it is a stiff one",
    "stylus": "teach the stylus with more photos, leaned further and from nearer; touch in more leanings",
}
"""What a shop can do about each source; the words of a source without an entry stay empty."""


@dataclass(frozen=True, slots=True)
class Share:
    """One source's part of a figure's uncertainty: U it alone would give, its part of the variance, what makes it smaller."""

    source: str
    u: float
    part: float
    remedy: str


@dataclass(frozen=True, slots=True)
class Budget:
    """One figure (degrees or mm, as printed) with its U (k = 2) and where that comes from, the largest share first."""

    figure: str
    unit: str
    value: float
    u: float
    shares: tuple[Share, ...]


def printed_name(name: str) -> str:
    """`yaw_rad` → `yaw_deg`: estimates hold radians, people read degrees."""
    return name.removesuffix("_rad") + "_deg" if name.endswith("_rad") else name


def printed_factor(name: str) -> float:
    """What turns a value of an estimate into the unit of its printed name."""
    return math.degrees(1.0) if name.endswith("_rad") else 1.0


def find_figure(figure: str, estimates: Sequence[Estimate], words: Mapping[str, str]) -> tuple[Estimate, str]:
    """The estimate that holds a figure, and its name there.

    Parameters
    ----------
    figure : str
        Its printed name, with its unit or without: "thrust_angle_deg", "thrust_angle".
    words : mapping of printed name to words
        What a refusal offers: names that people are meant to type, and what they are.

    Raises
    ------
    MeasurementError
        There is no such figure; names the closest ones, or all.
    """
    known: dict[str, tuple[Estimate, str]] = {}
    for estimate in estimates:
        for name in estimate.names:
            for typed in (printed_name(name), name.rsplit("_", 1)[0]):
                known.setdefault(typed, (estimate, name))
    if figure not in known:
        bare = figure.removesuffix("_deg").removesuffix("_mm")
        close = [name for name in words if bare in name] or difflib.get_close_matches(figure, words, n=6, cutoff=0.55)
        wide = max(map(len, close or words), default=0)
        rows = "".join(f"\n  {name:<{wide}}  {words[name]}".rstrip() for name in close or words)
        raise MeasurementError(f"there is no measured figure {figure!r} in this job", hint=f"one of these:{rows}")
    return known[figure]


def budget(estimate: Estimate, name: str, sources: Sequence[str]) -> Budget:
    """The budget of one value of an estimate, from its covariance split by source.

    Parameters
    ----------
    sources : sequence of str
        Parts of the estimate that are sources of uncertainty; they add up to its covariance.
    """
    factor, i = printed_factor(name), estimate.index(name)
    variance = float(sum(estimate.parts[source][i, i] for source in sources))
    shares = []
    for source in sources:
        mine = max(float(estimate.parts[source][i, i]), 0.0)
        shares.append(Share(source, COVERAGE * factor * math.sqrt(mine), mine / variance, REMEDIES.get(source, "")))
    shares.sort(key=lambda share: -share.u)
    unit = printed_name(name).rsplit("_", 1)[1]
    return Budget(
        printed_name(name), unit, factor * float(estimate.value[i]), COVERAGE * factor * math.sqrt(variance), tuple(shares)
    )
