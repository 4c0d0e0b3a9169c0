"""Plots of the corner study: errors against their bound, and pose efficiency with the truth of what is stated."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

LABELS = {
    "blur_px": "blur, px",
    "noise": "noise, grey levels",
    "contrast": "contrast, grey levels",
    "tilt_deg": "tilt, degrees",
    "z_mm": "side of a square seen square-on, px",
    "gamma": "tone curve (gamma)",
}
ERRORS = {
    "before": ("cornerSubPix", "tab:red", "o-"),
    "after": ("ours", "tab:blue", "o-"),
    "bias": ("ours, bias", "tab:blue", "o:"),
    "window": ("bound, one corner's window", "0.5", "--"),
    "bound": ("bound, rigid board, all pixels", "k", "--"),
}
POSES = {
    "pose_before": ("pose / bound, cornerSubPix", "tab:red", "o-"),
    "pose_after": ("pose / bound, ours", "tab:blue", "o-"),
    "nees": ("pose error² / stated, ours", "tab:green", "s-"),
    "chi2": ("corner error² / stated, ours", "tab:olive", "s:"),
}


def plot_study(rows: Sequence[Mapping[str, Any]], folder: Path) -> None:
    """Two pictures, a panel for each thing that was changed; `plot_phases` draws a third."""
    try:
        import matplotlib.pyplot as plt
    except ImportError:
        raise SystemExit("plots need matplotlib: pip install matplotlib") from None
    folder.mkdir(parents=True, exist_ok=True)
    for file, curves, unit in (("corners.png", ERRORS, "RMS per coordinate, px"), ("poses.png", POSES, "ratio, 1 is ideal")):
        figure, axes = plt.subplots(2, 3, figsize=(14, 8), sharey=True)
        for axis, (sweep, label) in zip(axes.ravel(), LABELS.items(), strict=True):
            mine = [row for row in rows if row["sweep"] == sweep]
            x = [row["side_px"] if sweep == "z_mm" else row["value"] for row in mine]
            for name, (text, colour, style) in curves.items():
                axis.plot(x, [row.get(name, float("nan")) for row in mine], style, color=colour, ms=4, label=text)
            axis.set_yscale("log")
            axis.set_xlabel(label)
            axis.grid(alpha=0.3, which="both")
            if curves is POSES:
                axis.axhline(1.0, color="k", lw=0.8)
        for axis in axes[:, 0]:
            axis.set_ylabel(unit)
        axes[0, 0].legend(fontsize=8)
        figure.tight_layout()
        figure.savefig(folder / file, dpi=120)
        plt.close(figure)


def plot_phases(rows: Sequence[Mapping[str, float]], folder: Path) -> None:
    """Mean errors over the sub-pixel phase, ours enlarged beside both."""
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(1, 2, figsize=(11, 4))
    phase = [row["phase"] for row in rows]
    for name, text, colour in (("before", "cornerSubPix", "tab:red"), ("after", "ours", "tab:blue")):
        mean, rms = ([row[f"{name}_{what}"] for row in rows] for what in ("mean", "rms"))
        axes[0].errorbar(phase, mean, rms, fmt="o-", color=colour, ms=4, capsize=3, label=f"{text}: mean, bars RMS")
    mean, sigma = ([row[key] for row in rows] for key in ("after_mean", "sigma_of_mean"))
    axes[1].errorbar(phase, mean, [2 * s for s in sigma], fmt="o-", color="tab:blue", ms=4, capsize=3, label="ours, mean ± 2 σ")
    for axis in axes:
        axis.set_xlabel("fraction of a pixel")
        axis.axhline(0.0, color="k", lw=0.8)
        axis.grid(alpha=0.3)
        axis.legend(fontsize=8)
    axes[0].set_ylabel("error, px")
    figure.tight_layout()
    figure.savefig(folder / "phases.png", dpi=120)
    plt.close(figure)
