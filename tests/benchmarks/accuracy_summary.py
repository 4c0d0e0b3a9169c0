"""What a campaign's bays say together: RMS error, efficiency against the bound, coverage of U, normalised squares."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
from scipy.stats import binom, chi2, norm

from cli.table import table
from tests.benchmarks.accuracy_bay import FIGURES, Row

COVERAGE = float(2 * norm.cdf(2.0) - 1)
"""Of U at k = 2 under a normal law: 95.45 %."""
OUTSIDE_BAND = 1e-3
BOOTSTRAP = 2000
EFFICIENCY = {"simulated": 1.10, "outliers": 1.20, "bump": 1.20, "rendered": 1.30}
"""Wanted: largest efficiency (1 is the bound)."""
POOLED = (0.93, 0.97)
OVER_FEET = ("camber_front_left_deg", "camber_rear_left_deg", "height_mm", "pitch_deg", "roll_deg")


def columns(rows: list[Row], what: str) -> np.ndarray:
    """Shape (bays, figures)."""
    return np.array([[getattr(row, what)[name] for name in FIGURES] for row in rows])


def summary(every: list[Row], kind: str) -> dict[str, Any]:
    """All numbers of the table.

    Parameters
    ----------
    kind : str
        "simulated", "outliers", "bump" or "rendered": which efficiency is wanted.
    """
    rows = [row for row in every if not row.failed]
    error, u, bound = (columns(rows, what) for what in ("error", "u", "bound"))
    inside = np.abs(error) <= 2 * u
    band = coverage_band(len(rows))
    figures = {
        name: {
            "rms_error": _rms(error[:, i]),
            "mean_error": float(error[:, i].mean()),
            "worst_error": float(np.abs(error[:, i]).max()),
            "median_U": float(2 * np.median(u[:, i])),
            "median_bound_U": float(2 * np.median(bound[:, i])),
            "efficiency": _rms(error[:, i] / bound[:, i]),
            "mean_square": _rms(error[:, i] / u[:, i]) ** 2,
            "inside": int(inside[:, i].sum()),
            "in_band": bool(band[0] <= inside[:, i].sum() <= band[1]),
        }
        for i, name in enumerate(FIGURES)
    }
    out: dict[str, Any] = {
        "kind": kind,
        "bays": len(rows),
        "failed": {f"seed {row.seed}": row.failed for row in every if row.failed},
        "cameras": dict(Counter(row.camera for row in rows)),
        "figures": figures,
        "coverage_band": band,
        "efficiency": pooled_efficiency(error / bound),
        "coverage": pooled_coverage(inside),
        "over_feet": over_feet(rows),
        "nees": {group: nees(rows, group) for group in rows[0].nees},
        "median_sigma0": dict(zip(("survey", "wheels", "check"), np.median([row.sigma0 for row in rows], axis=0), strict=True)),
        "u_over_bound": dict(zip(FIGURES, np.median(u / bound, axis=0).tolist(), strict=True)),
        "median_seconds": {k: float(np.median([row.seconds.get(k, 0.0) for row in rows])) for k in rows[0].seconds},
    }
    return out | {"missed": missed(out)}


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def coverage_band(bays: int) -> tuple[int, int]:
    """Counts inside U that a true U gives in all but 0.1 % of campaigns."""
    return int(binom.ppf(OUTSIDE_BAND / 2, bays, COVERAGE)), int(binom.isf(OUTSIDE_BAND / 2, bays, COVERAGE))


def pooled_coverage(inside: np.ndarray) -> dict[str, float]:
    """Share of all figures inside U, with its 95 % interval; the bays are the sample (bootstrap; Efron 1979)."""
    low, high = _bootstrap(inside.mean(axis=1))
    return {"share": float(inside.mean()), "low": low, "high": high}


def pooled_efficiency(ratio: np.ndarray) -> dict[str, float]:
    low, high = (float(np.sqrt(v)) for v in _bootstrap(np.square(ratio).mean(axis=1)))
    return {"all": _rms(ratio), "low": low, "high": high}


def _bootstrap(by_bay: np.ndarray) -> tuple[float, float]:
    rng = np.random.default_rng(0)
    draws = by_bay[rng.integers(0, len(by_bay), (BOOTSTRAP, len(by_bay)))].mean(axis=1)
    low, high = np.percentile(draws, [2.5, 97.5])
    return float(low), float(high)


def over_feet(rows: list[Row]) -> dict[str, dict[str, float]]:
    """The same errors taken from the plane through the boards' feet instead of the floor's mean plane."""
    out = {}
    for name in OVER_FEET:
        error, u = (np.array([getattr(row, what)[name] for row in rows]) for what in ("over_feet", "u"))
        out[name] = {
            "rms_error": _rms(error),
            "mean_square": _rms(error / u) ** 2,
            "inside": int((np.abs(error) <= 2 * u).sum()),
        }
    return out


def nees(rows: list[Row], group: str) -> dict[str, float]:
    """Normalised estimation error squared per degree of freedom, and the 99 % band it has when the covariance is true."""
    total, freedom = np.array([row.nees[group] for row in rows]).sum(axis=0)
    low, high = chi2.ppf([0.005, 0.995], freedom) / freedom
    return {"mean": float(total / freedom), "low": float(low), "high": float(high)}


def missed(result: dict[str, Any]) -> list[str]:
    """Which wanted numbers are not reached, in words."""
    wanted, out = EFFICIENCY[result["kind"]], []
    for name, row in result["figures"].items():
        if row["efficiency"] > wanted:
            out.append(f"{name}: efficiency {row['efficiency']:.2f}, wanted {wanted:.2f}")
        if not row["in_band"]:
            low, high = result["coverage_band"]
            out.append(f"{name}: {row['inside']} of {result['bays']} inside U, wanted {low} to {high}")
    if not POOLED[0] <= result["coverage"]["share"] <= POOLED[1]:
        out.append(f"{result['coverage']['share']:.1%} of all figures inside U, wanted 93 to 97 %")
    return out + [f"{seed} failed: {words}" for seed, words in result["failed"].items()]


def in_words(result: dict[str, Any]) -> str:
    rows = []
    for name, row in result["figures"].items():
        digits = 4 if name.endswith("deg") else 2
        numbers = [f"{row[k]:.{digits}f}" for k in ("rms_error", "worst_error", "median_U", "median_bound_U")]
        inside = f"{row['inside']}/{result['bays']}{'' if row['in_band'] else ' !'}"
        rows.append([name, *numbers, f"{row['efficiency']:.2f}", inside, f"{row['mean_square']:.2f}"])
    head = ["figure", "rms error", "worst", "median U", "bound's U", "efficiency", "inside U", "(error/u)²"]
    low, high = result["coverage_band"]
    e, c, s = result["efficiency"], result["coverage"], result["median_sigma0"]
    cameras, wanted = ", ".join(f"{n} {k}" for k, n in result["cameras"].items()), EFFICIENCY[result["kind"]]
    lines = [
        table(head, rows, tuple(range(1, 8))),
        f"{result['bays']} bays ({cameras}); inside U wanted {low} to {high}",
        f"efficiency over all figures {e['all']:.3f} ({e['low']:.3f} to {e['high']:.3f}), wanted {wanted:.2f}",
        f"inside U over all figures {c['share']:.1%} ({c['low']:.1%} to {c['high']:.1%}), wanted 93 to 97 %",
    ]
    lines += [
        f"normalised square of {group}: {v['mean']:.2f} per degree of freedom (99 % band {v['low']:.2f} to {v['high']:.2f})"
        for group, v in result["nees"].items()
    ]
    feet = [f"{name} {v['inside']} inside, (error/u)² {v['mean_square']:.2f}" for name, v in result["over_feet"].items()]
    lines.append("from the plane through the feet instead of the mean floor: " + "; ".join(feet))
    lines.append("median sigma0: " + ", ".join(f"{k} {v:.2f}" for k, v in s.items()))
    lines.append("median CPU seconds: " + ", ".join(f"{k} {v:.1f}" for k, v in result["median_seconds"].items()))
    return "\n".join([*lines, "not reached: " + ("; ".join(result["missed"]) or "nothing, all wanted numbers hold")])
