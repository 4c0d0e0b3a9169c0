"""Pictures of a campaign: efficiency and coverage by figure, how errors over U are spread, errors against the bound."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import chi2, norm

from tests.benchmarks.accuracy_bay import FIGURES, Row
from tests.benchmarks.accuracy_summary import COVERAGE, EFFICIENCY, columns


def save_plots(every: list[Row], result: dict[str, Any], folder: Path) -> list[Path]:
    """Write the pictures, named after the kind of campaign.

    Raises
    ------
    SystemExit
        matplotlib is not there.
    """
    try:
        from matplotlib.figure import Figure
    except ImportError as err:
        raise SystemExit("plots need matplotlib: python -m pip install matplotlib") from err
    folder.mkdir(parents=True, exist_ok=True)
    rows = [row for row in every if not row.failed]
    paths = []
    for name, draw in (("efficiency", _efficiency), ("coverage", _coverage), ("spread", _spread), ("errors", _errors)):
        figure = Figure(figsize=(11, 7), layout="constrained")
        draw(figure, rows, result)
        paths.append(folder / f"{result['kind']}-{name}.png")
        figure.savefig(paths[-1], dpi=110)
    return paths


def words_of(name: str) -> str:
    return name.rsplit("_", 1)[0].replace("_", " ")


def _efficiency(figure: Any, rows: list[Row], result: dict[str, Any]) -> None:
    ax = figure.subplots()
    values = [row["efficiency"] for row in result["figures"].values()]
    ratio = columns(rows, "error") / columns(rows, "bound")
    square = np.square(ratio)
    half = square.std(axis=0) / np.sqrt(len(rows)) / np.maximum(values, 1e-9)  # 2 σ of the root of a mean: σ²/√N over the root
    ax.barh(range(len(values)), values, xerr=half, color="0.7", ecolor="0.3")
    ax.axvline(1.0, color="k", lw=1)
    ax.axvline(EFFICIENCY[result["kind"]], color="C3", ls="--", label="wanted at most")
    _name_rows(ax)
    ax.set_xlabel("RMS of error over the Cramér–Rao bound (1 is the bound; bars: 2 σ of the campaign)")
    ax.set_title(f"Efficiency, {result['kind']}, {result['bays']} bays")
    ax.legend()


def _coverage(figure: Any, _rows: list[Row], result: dict[str, Any]) -> None:
    ax = figure.subplots()
    inside = np.array([row["inside"] for row in result["figures"].values()]) / result["bays"]
    low, high = (count / result["bays"] for count in result["coverage_band"])
    ax.axvspan(low, high, color="C2", alpha=0.15, label="99.9 % band of a true U")
    ax.axvline(COVERAGE, color="k", lw=1)
    ax.plot(inside, range(len(inside)), "ko")
    for i, name in enumerate(FIGURES):
        if name in result["over_feet"]:
            ax.plot(result["over_feet"][name]["inside"] / result["bays"], i, "x", color="C0")
    ax.plot([], [], "x", color="C0", label="over the plane through the feet")
    _name_rows(ax)
    ax.set_xlabel("share of bays with the truth inside U")
    ax.set_title(f"Coverage of U (k = 2), {result['kind']}: {result['coverage']['share']:.1%} of all figures")
    ax.legend(loc="lower left")


def _spread(figure: Any, rows: list[Row], _result: dict[str, Any]) -> None:
    left, right = figure.subplots(1, 2)
    z = (columns(rows, "error") / columns(rows, "u")).ravel()
    left.hist(np.clip(z, -5, 5), 50, density=True, color="0.75")
    grid = np.linspace(-5, 5, 200)
    left.plot(grid, norm.pdf(grid), "k", lw=1)
    left.set_xlabel("error over standard uncertainty, all figures")
    for group in rows[0].nees:
        value, freedom = np.array([row.nees[group] for row in rows]).T
        p = np.sort(chi2.cdf(value, freedom))
        right.plot(p, (np.arange(len(p)) + 0.5) / len(p), label=group)
    right.plot([0, 1], [0, 1], "k", lw=1)
    right.set_xlabel("normalised error squared: probability it should have")
    right.set_ylabel("share of bays")
    right.legend()


def _errors(figure: Any, rows: list[Row], _result: dict[str, Any]) -> None:
    axes = figure.subplots(3, 6).ravel()
    error, bound = columns(rows, "error"), columns(rows, "bound")
    camera = np.array([row.camera for row in rows])
    for i, name in enumerate(FIGURES):
        for k, kind in enumerate(dict.fromkeys(camera)):
            part = camera == kind
            axes[i].plot(2 * bound[part, i], error[part, i], ".", ms=3, color=f"C{k}", label=kind)
        top = 2 * bound[:, i].max()
        axes[i].plot([0, top], [0, top], "k", lw=0.8)
        axes[i].plot([0, top], [0, -top], "k", lw=0.8)
        axes[i].set_title(words_of(name), fontsize=9)
        axes[i].tick_params(labelsize=7)
        axes[i].locator_params(axis="x", nbins=4)
    axes[0].legend(fontsize=7)
    for ax in axes[len(FIGURES) :]:
        ax.set_visible(False)
    figure.supxlabel("U of the bound (deg, mm); lines: error = ± U")
    figure.supylabel("error (deg, mm)")


def _name_rows(ax: Any) -> None:
    ax.set_yticks(range(len(FIGURES)), [words_of(name) for name in FIGURES])
    ax.invert_yaxis()
    ax.grid(axis="x", alpha=0.3)
