"""Rig constancy on real photographs: do predicted covariances explain how the relative pose of two fixed cameras scatters?

    python -m tests.benchmarks.stereo_rig [--json]

Needs the classic stereo photos (`python tests/fetch_reference_data.py FOLDER`, then BAYFIX_REFERENCE_DATA=FOLDER). Each camera
is calibrated by our own lens fit; the joint covariance of all its poses (corners, lens, board) predicts how the relative poses
`right_from_left` scatter. Printed: reduced chi-square, jointly and by component, with corners taken to be printed where they
should be ("before") and with printed places estimated ("after"); how much each pair stands apart; what the room behind the
board says; and how far the hand-held board would have to move between the two exposures of a pair to explain the rest.
"""

from __future__ import annotations

import argparse
import json
from typing import Any

import pytest

from tests.support.rig import COMPONENTS, Pairs, against_the_others, constancy, motion_that_explains, one_number, pairs_of
from tests.support.stereo_photos import REACH_MM, SIDES, background_shift_px, fit


def measured() -> dict[str, Any]:
    return {
        "background_px": {side: max(background_shift_px(side).values()) for side in SIDES},
        "before": _stage(print_errors=False),
        "after": _stage(print_errors=True),
    }


def _stage(*, print_errors: bool) -> dict[str, Any]:
    fits = {side: fit(side, print_errors=print_errors) for side in SIDES}
    pairs = pairs_of(fits["left"], fits["right"], one_number([name for f in fits.values() for name in f.photos]))
    apart = against_the_others(pairs)
    farthest = max(apart, key=lambda name: apart[name])
    lenses = {
        side: {
            "rms_px": f.rms_px,
            "fx_px": f.camera.fx_px,
            "sigma_fx_px": float(f.sigma()[0]),
            "print_mm": f.print_mm,
            "warp_px": f.warp_px,
            "wobble": [f.wobble.focal_percent, f.wobble.centre_px],
        }
        for side, f in fits.items()
    }
    return {
        "lenses": lenses,
        "all": _figures(pairs),
        "apart": apart,
        "farthest": farthest,
        "without_farthest": _figures(pairs.without(farthest)),
    }


def _figures(pairs: Pairs) -> dict[str, Any]:
    found = constancy(pairs)
    return {
        "reduced_chi_square": found.reduced,
        "redundancy": found.redundancy,
        "chance": found.chance,
        "by_component": found.by_component,
        "scatter": dict(zip(COMPONENTS, found.gaps.std(axis=0, ddof=1).tolist(), strict=True)),
        "motion_mm": motion_that_explains(pairs, REACH_MM),
    }


def in_words(result: dict[str, Any]) -> str:
    room = ", ".join(f"{side} {px:.3f} px" for side, px in result["background_px"].items())
    lines = [f"room behind the board, farthest from its usual place: {room}"]
    for stage in ("before", "after"):
        lines += ["", f"{stage} (printed places {'held' if stage == 'before' else 'estimated'})"]
        for side, lens in result[stage]["lenses"].items():
            focal, centre = lens["wobble"]
            lines.append(
                f"  {side:5}  corners {lens['rms_px']:.3f} px  fx {lens['fx_px']:.2f} ± {lens['sigma_fx_px']:.2f} px  "
                f"print {lens['print_mm']:.3f} mm  warp {lens['warp_px']:.3f} px  wobble {focal:.2f} % {centre:.1f} px"
            )
        farthest = result[stage]["farthest"]
        for what, label in (("all", "all pairs"), ("without_farthest", f"without pair {farthest}")):
            lines += _table(result[stage][what], label)
        apart = result[stage]["apart"].items()
        lines.append("  chi-square of 6 that a pair takes away: " + "  ".join(f"{name} {gain:.0f}" for name, gain in apart))
    return "\n".join(lines)


def _table(figures: dict[str, Any], label: str) -> list[str]:
    parts = "  ".join(f"{c} {figures['by_component'][c]:.2f}" for c in COMPONENTS)
    scatter = "  ".join(
        f"{c} {figures['scatter'][c] * (1e3 if c[0] == 'r' else 1.0):.2f} {'mrad' if c[0] == 'r' else 'mm'}" for c in COMPONENTS
    )
    return [
        f"  {label}: reduced chi-square {figures['reduced_chi_square']:.2f} ({figures['redundancy']} redundant, "
        f"by chance {figures['chance']:.1e}); by component {parts}",
        f"    scatter {scatter}; explained by a board that moves {figures['motion_mm']:.3f} mm between the exposures",
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--json", action="store_true", help="figures for machines")
    options = parser.parse_args()
    try:
        result = measured()
    except pytest.skip.Exception as absent:
        raise SystemExit(str(absent)) from absent
    print(json.dumps(result, indent=1) if options.json else in_words(result))


if __name__ == "__main__":
    main()
