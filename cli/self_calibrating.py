"""Lenses of a survey: how far its photos moved each profile, in words; and a survey that must calibrate its camera itself."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from cli.doubting import Settled
from vision.errors import MeasurementError, WrongLensError
from vision.self_calibration import LEAST_TURNED, LensRefined, must_not_calibrate, opened, refined

if TYPE_CHECKING:
    from cli.stations import Desk
    from vision.network import Network

MIDDLE = ("cx_px", "cy_px")


def left_to_the_photos(desk: Desk, err: WrongLensError, survey: Callable[[Desk], Settled]) -> Settled:
    """The survey with the contradicted lens left to its own photos, if they can calibrate it.

    Raises
    ------
    WrongLensError
        They cannot: what was wrong, and why these photos must not replace the profile.
    """
    profiles = {path: opened(p) if p.name == err.lens else p for path, p in desk.profiles.items()}
    try:
        done = survey(replace(desk, profiles=profiles))
    except MeasurementError as other:
        why = "they contradict each other even then (does the focus change from photo to photo?)"
        raise _must_not(err, why) from other
    lens = next(lens for lens in refined(done.network) if lens.lens == err.lens)
    why = must_not_calibrate(lens)
    if why:
        raise _must_not(err, why) from err
    remark = (
        f"{err.what}: the camera was calibrated by these {lens.photos} photos themselves ({lens.turned} turned), U allows for "
        "that; make a new lens profile all the same"
    )
    return replace(done, remarks=(*done.remarks, remark))


def _must_not(err: WrongLensError, why: str) -> WrongLensError:
    return WrongLensError(err.what, hint=f"{err.hint}; the survey's own photos must not calibrate it: {why}", lens=err.lens)


def lens_rows(network: Network) -> list[dict[str, Any]]:
    """For `survey.json`: each lens by its profile and as adjusted."""
    return [_row(lens) for lens in refined(network)]


def _row(lens: LensRefined) -> dict[str, Any]:
    parameters = [
        {"name": name, "profile": before, "survey": after, "U_profile": 2 * u[0], "U_survey": 2 * u[1]}
        for name, before, after, u in zip(
            lens.names, lens.profile.tolist(), lens.survey.tolist(), map(lens.sigma, lens.names), strict=True
        )
    ]
    return {
        "name": lens.lens,
        "photos": lens.photos,
        "turned": lens.turned,
        "parameters": parameters,
        "chi_square": lens.chi_square,
        "freedom": lens.freedom,
        "chance": lens.chance,
        "compatible": lens.compatible,
        "self_calibrated": lens.by_its_photos,
    }


def lens_lines(rows: list[dict[str, Any]]) -> list[str]:
    """What the survey made of each lens, one sentence each."""
    out = []
    for row in rows:
        by_name: Mapping[str, Mapping[str, float]] = {p["name"]: p for p in row["parameters"]}
        said = [
            f"{label} {p['profile']:.1f} ± {p['U_profile']:.1f} → {p['survey']:.1f} ± {p['U_survey']:.1f} px"
            for label, p in (
                (label, by_name[name])
                for label, name in (("focal length", "fx_px"), ("middle across", "cx_px"), ("middle down", "cy_px"))
                if name in by_name
            )
        ]
        fits = "within its profile" if row["compatible"] else "NOT within its profile: calibrate the camera anew"
        if row["self_calibrated"]:
            fits = "calibrated by these photos, not by its profile"
        line = f"lens {row['name']} ({row['photos']} photos, {row['turned']} turned): {', '.join(said)}; {fits}"
        learned = any(by_name[name]["U_survey"] < 0.5 * by_name[name]["U_profile"] for name in MIDDLE if name in by_name)
        if row["turned"] < LEAST_TURNED and learned:
            line += "; the middle was learned almost without turned photos: take some with the camera turned by a quarter"
        out.append(line)
    return out
