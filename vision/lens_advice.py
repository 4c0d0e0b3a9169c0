"""What would make a lens profile better, in plain words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vision.boards import BoardSet
from vision.frames import Array
from vision.lens import LensFit
from vision.lens_start import radial_limit_px

CAMERA_HINT = (
    "phone: the 1x lens, no zoom, focus and exposure locked, stabilisation and HDR off; webcam: autofocus and image "
    "stabilisation off; always the original files"
)
ENOUGH_PHOTOS = 8
ROWS, COLUMNS = ("top", "", "bottom"), ("left", "", "right")
FEWEST_IN_CELL = 4
TILTED_DEG = 15.0
TILT_REACH = 0.17
"""Spread of the normals sideways and up-down: about the sine of 10 degrees."""
TURNED_DEG = 45.0
NEAR_MM = 800.0
SMALL_SHARE = 0.1
FOCAL_PERCENT = 0.1
POOR_RMS_PX = 0.5
POOR_PREDICTION = 1.3
STRONG_WARP_PX = 0.25
STRONG_PRINT_MM = 0.1


def advice(fit: LensFit, boards: BoardSet) -> tuple[str, ...]:
    """Sentences in the order of their weight; empty when nothing is to be gained."""
    parts = [
        _photos(fit),
        _unsteady(fit),
        _coverage(fit),
        _rim(fit),
        _tilt(fit),
        _distance(fit),
        _quality(fit),
        _flatness(fit, boards),
    ]
    return tuple(sentence for part in parts for sentence in part)


def corner_counts(fit: LensFit) -> Array:
    """Accepted corners in each of 3 x 3 fields of the picture, shape (3, 3), rows from the top."""
    px = np.concatenate([view.px for view in fit.views])
    column = np.clip((px[:, 0] * 3 / fit.camera.width_px).astype(int), 0, 2)
    row = np.clip((px[:, 1] * 3 / fit.camera.height_px).astype(int), 0, 2)
    return np.bincount(3 * row + column, minlength=9).astype(float).reshape(3, 3)


def field_name(row: int, column: int) -> str:
    return " ".join(word for word in (ROWS[row], COLUMNS[column]) if word) or "middle"


def _photos(fit: LensFit) -> list[str]:
    used = len(fit.photos)
    out = []
    if used < ENOUGH_PHOTOS:
        out.append(f"only {used} photos were used: take at least {ENOUGH_PHOTOS}, better 12 to 20")
    if fit.refused:
        out.append("photos not used: " + "; ".join(f"{name} ({reason})" for name, reason in fit.refused.items()))
    return out


def _unsteady(fit: LensFit) -> list[str]:
    found, out = fit.wobble_found, []
    if found.present and fit.focus == "locked":
        parts = [f"the focal length differs by {found.focal_percent:.2f} %"] if found.focal_percent else []
        parts += [f"the picture's centre by {found.centre_px:.1f} px"] if found.centre_px else []
        out.append(
            f"{' and '.join(parts)} from photo to photo (k = 1) although the focus is said to be locked; {CAMERA_HINT}; "
            "a board that is not stiff looks alike"
        )
    elif fit.focus == "auto":
        out.append(
            f"autofocus: every photo is allowed {fit.wobble.focal_percent:.2f} % of focal length and "
            f"{fit.wobble.centre_px:.1f} px of centre (k = 1), which widens every U; lock the focus if you can; {CAMERA_HINT}"
        )
    if fit.warp_px > STRONG_WARP_PX:
        out.append(
            f"the corners of a board are shifted together by about {fit.warp_px:.2f} px from photo to photo: "
            "glue the board to a stiff sheet, hold the camera still, use a shorter exposure"
        )
    return out


def _coverage(fit: LensFit) -> list[str]:
    counts = corner_counts(fit)
    least = max(FEWEST_IN_CELL, 0.01 * float(counts.sum()))
    empty = [field_name(r, c) for r in range(3) for c in range(3) if counts[r, c] < least]
    return [f"no board in the {_listed(empty)} of the picture: photograph the board there too"] if empty else []


def _rim(fit: LensFit) -> list[str]:
    camera = fit.camera
    corners = np.array([[x, y] for x in (0, camera.width_px) for y in (0, camera.height_px)], dtype=float)
    reach = float(np.linalg.norm(corners - camera.parameters[2:4], axis=1).max())
    limit = radial_limit_px(camera.parameters)
    if limit > reach:
        return []
    return [
        f"the distortion model holds only up to {limit:.0f} px from the centre, the image corner is {reach:.0f} px away: "
        "photograph the board in the very corners too, and keep the bay's boards away from them"
    ]


def _tilt(fit: LensFit) -> list[str]:
    turns = np.array([view.cam_from_board.rotation for view in fit.views])
    normals = turns[:, :, 2]
    tilted = np.degrees(np.arccos(np.clip(normals[:, 2], -1.0, 1.0))) > TILTED_DEG
    out = []
    if not tilted.any():
        out.append("all boards are square-on: tilt them by 20 to 45 degrees")
    else:
        if tilted.mean() < 1 / 3:
            out.append("most boards are square-on: tilt more of them by 20 to 45 degrees")
        spread = np.sqrt(np.mean((normals[:, :2] - normals[:, :2].mean(axis=0)) ** 2, axis=0))
        if spread[0] < TILT_REACH:
            out.append("boards are hardly tilted to the left and right: turn them about the upright axis too")
        if spread[1] < TILT_REACH:
            out.append("boards are hardly tilted up and down: lean them forwards and backwards too")
    roll = np.degrees(np.arctan2(turns[:, 1, 0], turns[:, 0, 0]))
    gap = np.abs((roll[:, None] - roll[None] + 90.0) % 180.0 - 90.0)
    if float(gap.max()) < TURNED_DEG:
        out.append("no photo with the camera turned by 90 degrees: take some, they tell pixel shape from print scale")
    return out


def _distance(fit: LensFit) -> list[str]:
    far = np.median([np.linalg.norm(view.cam_from_board.translation_mm) for view in fit.views])
    share = np.median([np.ptp(view.px, axis=0).max() for view in fit.views]) / max(fit.camera.width_px, fit.camera.height_px)
    out = []
    if far < NEAR_MM:
        out.append(
            f"the board was only {far / 1000:.1f} m away: photograph it at the bay's distance (1.5 m and more), "
            "with the focus set there, because focusing changes the focal length"
        )
    if share < SMALL_SHARE:
        out.append(f"the board takes only {100 * share:.0f} % of the picture's width: use a larger one or go closer")
    return out


def _quality(fit: LensFit) -> list[str]:
    out = []
    sigma = 100.0 * float(fit.sigma()[0]) / fit.camera.fx_px
    if sigma > FOCAL_PERCENT:
        out.append(f"the focal length is known to {sigma:.2f} % only (k = 1): more tilted photos, nearer and farther")
    if fit.rms_px > POOR_RMS_PX:
        out.append(f"corners fit to {fit.rms_px:.2f} px only: sharper photos, more light, a flatter board; {CAMERA_HINT}")
    if fit.holdout_rms_px > POOR_PREDICTION * fit.rms_px:
        out.append(
            f"photos left out are predicted to {fit.holdout_rms_px:.2f} px, those used fit to {fit.rms_px:.2f} px: "
            "too few photos for this lens"
        )
    return out


def _flatness(fit: LensFit, boards: BoardSet) -> list[str]:
    out = []
    if fit.print_mm > STRONG_PRINT_MM:
        out.append(
            f"the board's corners are printed {fit.print_mm:.2f} mm off their places (k = 1): U allows for it, "
            "but print the board on another printer and measure its bars"
        )
    for name, bend in fit.bend_mm.items():
        worst = float(np.abs(bend).max())
        if worst > boards[name].flatness_pm_mm:
            out.append(f"board {name} is bent by about {worst:.1f} mm: glue it to a stiff, flat sheet")
    return out


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]
