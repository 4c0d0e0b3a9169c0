"""A mat of three marks, on paper."""

from __future__ import annotations

from dataclasses import replace

from calib.paper.placements import Mark, Required
from tests.support.sheets import sheet

PLACES = {"a": (500.0, 1500.0), "b": (-2000.0, 1500.0), "c": (-2000.0, 2400.0)}


def paper(**changes):
    required = []
    for name, (ahead, left) in PLACES.items():
        required += [Required(f"{name}_ahead_mm", ahead, -5.0, 5.0), Required(f"{name}_left_mm", left, -8.0, 8.0)]
    marks = tuple(Mark(name, f"point:{name}") for name in PLACES)
    return replace(sheet(), kind="mat", marks=marks, required=tuple(required), **changes)
