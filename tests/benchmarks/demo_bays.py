"""The whole job on many invented bays: errors against the truth, stated U against the errors, and what limits each figure.

    python -m tests.benchmarks.demo_bays [--bays 10] [--first 1] [--simulated] [--keep DIR] [--json]

By default every bay is rendered at 1920x1080 and measured by `bayfix demo`, in a process of its own: the commands a technician
types, from JPEG files to the verdict, lens calibration included. With `--simulated`, corners with noise (`--noise-px`, 0.1) and
a lens profile that errs within its covariance take the place of rendering and looking: a bay then takes seconds; what people
typed, bends, floor and motion err all the same. Wanted of the rendered demo bay over 10 seeds: see `LIMITS`.
"""

from __future__ import annotations

import argparse
import json
import math
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from calib.pipeline import car_of
from cli import kept_survey, stations
from cli.demo import FIGURES
from cli.demo_bay import CHECK, invent, true_figures
from cli.table import table
from tests.support import figures as fg
from tests.support.simulated import car, checked, scene, simulate, surveyed
from vision.frames import Estimate

LIMITS: dict[str, tuple[float | None, float | None]] = {
    "thrust_angle_deg": (0.05, 0.06),
    "distance_mm": (2.5, 3.5),
    "lateral_mm": (4.0, 5.0),
    "yaw_deg": (0.08, None),
}
"""Wanted: largest |error| and median U."""
INSIDE, SQUARE = 0.90, (0.4, 1.8)
"""Wanted: share of all figures with the truth inside U, and mean of (error/u)²."""
SHARES_OF = (
    "thrust_angle_deg",
    "rear_total_toe_deg",
    "distance_mm",
    "lateral_mm",
    "height_mm",
    "yaw_deg",
    "pitch_deg",
    "roll_deg",
)
RUN = "from cli.main import main; main()"


@dataclass
class Bay:
    """One measured bay: error and U of every figure, U by source, verdict, seconds."""

    seed: int
    error: dict[str, float]
    U: dict[str, float]
    shares: dict[str, dict[str, float]]
    verdict: str
    sigma0: float
    seconds: dict[str, float] = field(default_factory=dict)

    def z(self, name: str) -> float:
        return 2.0 * self.error[name] / self.U[name]


def rendered(seed: int, folder: Path) -> Bay:
    """`bayfix demo` in a process of its own; figures and shares from the job folder it leaves."""
    words = [sys.executable, "-c", RUN, "demo", "--out", str(folder), "--seed", str(seed), "--json"]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise SystemExit(f"seed {seed}: bayfix demo ended with status {done.returncode}:\n{done.stderr[-2000:]}")
    document = json.loads(done.stdout)
    desk = stations.open_desk(folder, stations.Overrides())
    survey = kept_survey.load_survey(desk)
    measured = car_of(survey.state.pose_set(), desk.job, desk.boards, survey.epochs)
    result = json.loads((folder / "results" / f"{CHECK}.json").read_text(encoding="utf-8"))
    rows = {row["name"]: fg.Measured(row["measured"], row["U"] / 2) for row in result["figures"] if "measured" in row}
    shares = shares_of(measured.figures.estimate) | result["sources"]
    truth = true_figures(invent(seed))
    return _bay(
        seed, fg.of_car(measured) | rows, truth, shares, document["verdict"], survey.document["sigma0"], document["seconds"]
    )


def simulated(seed: int, folder: Path, noise_px: float) -> Bay:
    began = time.perf_counter()
    sim = simulate(folder, seed, of=scene(seed), noise_px=noise_px)
    network = surveyed(sim)
    measured, run = car(sim, network), checked(sim, network)
    figures = fg.of_car(measured) | fg.of_check(run.outcome)
    shares = shares_of(measured.figures.estimate) | shares_of(run.outcome.placement.measured)
    verdict, seconds = run.outcome.judgement.verdict.value, {"total": time.perf_counter() - began}
    return _bay(seed, figures, sim.truth, shares, verdict, network.sigma0, seconds)


def _bay(
    seed: int,
    figures: fg.Figures,
    truth: Mapping[str, float],
    shares: dict[str, dict[str, float]],
    verdict: str,
    sigma0: float,
    seconds: dict[str, float],
) -> Bay:
    errors = fg.errors(figures, truth)
    return Bay(seed, errors, {name: 2 * figures[name].u for name in errors}, shares, verdict, sigma0, seconds)


def shares_of(estimate: Estimate) -> dict[str, dict[str, float]]:
    """U (k = 2) that each source alone gives to each figure, degrees and mm."""
    out = {}
    for i, name in enumerate(estimate.names):
        factor = math.degrees(2.0) if name.endswith("_rad") else 2.0
        out[name.replace("_rad", "_deg")] = {
            source: factor * math.sqrt(max(float(part[i, i]), 0.0)) for source, part in estimate.parts.items()
        }
    return out


def summary(bays: list[Bay]) -> dict[str, Any]:
    """Everything the table shows, as numbers."""
    names = list(bays[0].error)
    figures = {}
    for name in names:
        errors, u, z = (np.array([part(bay) for bay in bays]) for part in (_error(name), _u(name), _z(name)))
        figures[name] = {
            "worst_error": float(np.abs(errors).max()),
            "rms_error": float(np.sqrt(np.mean(errors**2))),
            "mean_error": float(errors.mean()),
            "median_U": float(np.median(u)),
            "inside": int((np.abs(errors) <= u).sum()),
            "mean_square": float(np.mean(z**2)),
        }
    shares: dict[str, dict[str, float]] = {}
    for name in SHARES_OF:
        sources = dict.fromkeys(source for bay in bays for source in bay.shares[name])
        shares[name] = {source: float(np.median([bay.shares[name].get(source, 0.0) for bay in bays])) for source in sources}
    return {
        "bays": len(bays),
        "seeds": [bay.seed for bay in bays],
        "figures": figures,
        "shares_of_U": shares,
        "demo_figures": pooled(bays, FIGURES),
        "all_figures": pooled(bays, names),
        "median_sigma0": float(np.median([bay.sigma0 for bay in bays])),
        "verdicts": [bay.verdict for bay in bays],
        "median_seconds": {stage: float(np.median([bay.seconds[stage] for bay in bays])) for stage in bays[0].seconds},
        "missed": missed(figures, pooled(bays, FIGURES)),
    }


def pooled(bays: list[Bay], names: Iterable[str]) -> dict[str, float]:
    z = np.array([bay.z(name) for bay in bays for name in names])
    return {"inside": float(np.mean(np.abs(z) <= 2.0)), "mean_square": float(np.mean(z**2)), "count": len(z)}


def missed(figures: Mapping[str, Mapping[str, float]], pool: Mapping[str, float]) -> list[str]:
    """Which wanted numbers are not reached, in words."""
    out = []
    for name, (error, expanded) in LIMITS.items():
        row = figures[name]
        if error is not None and row["worst_error"] > error:
            out.append(f"{name}: an error of {row['worst_error']:.3f}, wanted {error} at most")
        if expanded is not None and row["median_U"] > expanded:
            out.append(f"{name}: median U {row['median_U']:.3f}, wanted {expanded} at most")
    if pool["inside"] < INSIDE:
        out.append(f"{pool['inside']:.1%} of the figures inside U, wanted {INSIDE:.0%}")
    if not SQUARE[0] <= pool["mean_square"] <= SQUARE[1]:
        out.append(f"mean (error/u)² {pool['mean_square']:.2f}, wanted {SQUARE[0]} to {SQUARE[1]}")
    return out


def _error(name: str):
    return lambda bay: bay.error[name]


def _u(name: str):
    return lambda bay: bay.U[name]


def _z(name: str):
    return lambda bay: bay.z(name)


def in_words(result: dict[str, Any]) -> str:
    rows = []
    for name, row in result["figures"].items():
        error, expanded = LIMITS.get(name, (None, None))
        digits = 3 if name.endswith("deg") else 2
        numbers = [f"{row[key]:.{digits}f}" for key in ("rms_error", "worst_error")]
        wanted = ["" if limit is None else f"{limit:g}" for limit in (error, expanded)]
        inside = f"{row['inside']}/{result['bays']}"
        rows.append(
            [name, *numbers, wanted[0], f"{row['median_U']:.{digits}f}", wanted[1], inside, f"{row['mean_square']:.2f}"]
        )
    head = ["figure", "rms error", "worst", "wanted", "median U", "wanted", "inside", "(error/u)²"]
    lines = [table(head, rows, (1, 2, 3, 4, 5, 6, 7)), "", "median U (k = 2) by source, largest first:"]
    for name, shares in result["shares_of_U"].items():
        digits = 3 if name.endswith("deg") else 2
        largest = sorted(shares.items(), key=lambda item: -item[1])[:6]
        lines.append(f"  {name:20s} " + ", ".join(f"{source} {value:.{digits}f}" for source, value in largest))
    for label in ("demo_figures", "all_figures"):
        pool = result[label]
        share, square = f"{pool['inside']:.1%} of {pool['count']} inside U", f"{pool['mean_square']:.2f}"
        lines.append(f"{label.replace('_', ' ')}: {share}, mean (error/u)² {square}")
    lines.append(f"median sigma0 {result['median_sigma0']:.2f}; verdicts: {', '.join(result['verdicts'])}")
    lines.append("median seconds: " + ", ".join(f"{stage} {value:.0f}" for stage, value in result["median_seconds"].items()))
    lines.append("not reached: " + ("; ".join(result["missed"]) or "nothing, all wanted numbers hold"))
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--bays", type=int, default=10)
    parser.add_argument("--first", type=int, default=1, help="first seed")
    parser.add_argument("--simulated", action="store_true")
    parser.add_argument("--noise-px", type=float, default=0.1, help="of simulated corners")
    parser.add_argument("--keep", type=Path, help="keep the job folders here")
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    bays = []
    with tempfile.TemporaryDirectory() as scratch:
        for seed in range(asked.first, asked.first + asked.bays):
            folder = (asked.keep or Path(scratch)) / f"bay-{seed}"
            bays.append(simulated(seed, folder, asked.noise_px) if asked.simulated else rendered(seed, folder))
            outside = [f"{name} {bays[-1].z(name):+.1f} u" for name in bays[-1].error if abs(bays[-1].z(name)) > 2]
            print(f"seed {seed}: {bays[-1].verdict}; outside U: {', '.join(outside) or 'none'}", file=sys.stderr, flush=True)
    result = summary(bays)
    print(json.dumps(result, indent=2) if asked.json else in_words(result))


if __name__ == "__main__":
    main()
