"""Curves of the recall benchmark: share of boards found against size, tilt, blur and contrast, with 95 % intervals (Wilson)."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from tests.benchmarks.recall import Row

AXES: dict[str, tuple[str, Callable[[Any], float], Sequence[float]]] = {
    "side": ("shortest side of a square, px", lambda row: row.side_px, (6, 8, 10, 12, 14, 16, 18, 20, 24, 30, 40, 80)),
    "tilt": ("tilt, degrees", lambda row: row.tilt_deg, (0, 20, 35, 45, 55, 65, 70, 75, 80)),
    "blur": ("blur, px", lambda row: row.blur_px, (0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)),
    "contrast": ("white minus black, grey levels", lambda row: row.contrast, (0, 50, 75, 100, 125, 150, 200, 255)),
}


def plot_recall(rows: Sequence[Row], folder: Path) -> None:
    """One picture; tilt, blur and contrast count boards that are large enough to be due."""
    try:
        import matplotlib.pyplot as plt
    except ImportError:
        raise SystemExit("plots need matplotlib: pip install matplotlib") from None
    folder.mkdir(parents=True, exist_ok=True)
    figure, axes = plt.subplots(2, 2, figsize=(11, 8), sharey=True)
    for axis, (name, (label, value, edges)) in zip(axes.ravel(), AXES.items(), strict=True):
        counted = [row for row in rows if name == "side" or row.side_px >= (20.0 if row.dim else 16.0)]
        for dim, colour in ((False, "tab:blue"), (True, "tab:orange")):
            for survey, style in ((True, "-"), (False, "--")):
                points = _binned([row for row in counted if row.dim == dim], value, edges, survey)
                if points:
                    x, y, low, high = np.array(points).T
                    label_of = f"{'dim' if dim else 'sharp'}, {'survey' if survey else 'single photo'}"
                    axis.errorbar(x, y, [y - low, high - y], color=colour, linestyle=style, marker="o", ms=3, label=label_of)
        axis.set_xlabel(label)
        axis.set_ylim(-0.02, 1.03)
        axis.grid(alpha=0.3)
    axes[0, 0].set_ylabel("boards found")
    axes[1, 0].set_ylabel("boards found")
    axes[0, 1].legend(fontsize=8, loc="lower left")
    figure.tight_layout()
    figure.savefig(folder / "recall.png", dpi=120)


def _binned(
    rows: Sequence[Row], value: Callable[[Any], float], edges: Sequence[float], survey: bool
) -> list[tuple[float, float, float, float]]:
    out = []
    for low, high in zip(edges[:-1], edges[1:], strict=True):
        inside = [row for row in rows if low <= value(row) < high]
        if inside:
            found = sum(row.survey if survey else row.alone for row in inside)
            share = found / len(inside)
            out.append((float(np.mean([value(row) for row in inside])), share, *_wilson(found, len(inside))))
    return out


def _wilson(found: int, count: int, z: float = 1.96) -> tuple[float, float]:
    p = found / count
    middle, spread = p + z * z / (2 * count), z * math.sqrt(p * (1 - p) / count + z * z / (4 * count * count))
    scale = 1 + z * z / count
    return min((middle - spread) / scale, p), max((middle + spread) / scale, p)
