"""Are there floor boards on both sides of the car? Otherwise the plane under the far wheels is drawn on, not measured."""

from __future__ import annotations

from collections.abc import Sequence

from calib.geometry import lines
from calib.geometry.lines import REAR, Poses


def one_sided(poses: Poses, floor_names: Sequence[str]) -> list[str]:
    """Says when all floor boards lie on one side of the car; needs both rear axles."""
    across = lines.along(lines.approximate_forward(poses), lines.up(poses))[:, 1]
    middle = sum(float(lines.reference_point_mm(poses, wheel) @ across) for wheel in REAR) / 2.0
    left = [float(poses[name].translation_mm @ across) > middle for name in floor_names]
    if not left or any(left) != all(left):
        return []
    side, other = ("left", "right") if left[0] else ("right", "left")
    return [
        f"all {len(left)} floor boards lie on the car's {side}: the floor under its {other} wheels is drawn on from them, and "
        "U of camber and heights grows; lay boards on both sides"
    ]
