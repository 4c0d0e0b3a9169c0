"""Every fault of a bay, made on purpose: what the program says of it and what it does to the figures, in units of U.

    python -m tests.benchmarks.faults [--simulated] [--seed 1] [--only TEXT …] [--base DIR] [--cores 2] [--json]

One demo bay is rendered at 1920x1080 and looked at once (`--base` keeps it between runs); every fault works on a copy, with
those photos rendered anew that show something else, and runs `bayfix survey`, `wheels` and `check` on it. With `--simulated`,
corners with 0.1 px of noise take the place of photos (faults of picture files are then left out). Stated beforehand
(`tests/support/faults.py`): caught (a message names it), bounded by U, or not observable (the output asks for what would show
it).
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from cli.table import table
from tests.support.fault_runs import Outcome, base_job, on_corners, on_photos
from tests.support.faults import BENT, BOUNDED, FAULTS, PICTURES, Fault
from tests.support.simulated import Scene, scene

NONE = Fault("none", "", BOUNDED)
BOUND = 1.5
"""Errors of a bay without faults reach 1.2 U among some 40 figures: a bounded fault stays below this."""


@dataclass
class Row:
    """One fault as it went."""

    fault: str
    size: str
    expected: str
    as_expected: bool
    refused: bool
    message: str
    worst_figure: str
    worst_error_in_u: float
    placement_error_in_u: float
    seconds: float


def row_of(fault: Fault, out: Outcome, seconds: float) -> Row:
    name, worst = out.worst
    placement = max((abs(z) for n, z in out.error_in_u.items() if n.startswith(("distance", "lateral", "yaw"))), default=0.0)
    message = out.said(fault)
    good = not out.refused and abs(worst) <= BOUND if fault.expected == BOUNDED else bool(message)
    good = good and (out.refused or not fault.refused)
    shown = message or " / ".join(out.messages[-2:])
    return Row(fault.name, fault.size, fault.expected, good, out.refused, shown, name, worst, placement, seconds)


def run(fault: Fault, of: Scene, base: Path | None, seed: int, cores: int) -> Row:
    began = time.perf_counter()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "job"
        out = on_corners(fault, of, folder, seed) if base is None else on_photos(fault, of, base, folder, seed, cores)
    return row_of(fault, out, time.perf_counter() - began)


def in_words(rows: list[Row]) -> str:
    lines = []
    for row in rows:
        effect = "refused" if row.refused else f"{row.worst_error_in_u:+.1f} U {row.worst_figure}"
        lines.append([row.fault, row.size, row.expected, "as stated" if row.as_expected else "NOT AS STATED", effect])
    head = ["fault", "size", "stated beforehand", "outcome", "worst figure"]
    words = [f"{row.fault} ({row.size}): {row.message or 'nothing said'}" for row in rows]
    missed = [f"{row.fault} ({row.size})" for row in rows if not row.as_expected]
    return "\n".join([table(head, lines, ()), "", *words, "", f"not as stated: {'; '.join(missed) or 'none'}"])


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--simulated", action="store_true")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", action="append", help="faults whose name and size hold this text (repeatable)")
    parser.add_argument("--base", type=Path, help="keep the rendered bay here")
    parser.add_argument("--cores", type=int, default=2)
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    of = scene(asked.seed, bends=asked.simulated)
    faults = [NONE, *FAULTS, *(() if asked.simulated else (*BENT, *PICTURES))]
    faults = [f for f in faults if not asked.only or any(text in f"{f.name} {f.size}" for text in asked.only)]
    rows: list[Row] = []
    with tempfile.TemporaryDirectory() as scratch:
        base = None if asked.simulated else asked.base or Path(scratch) / "base"
        if base is not None and not (base / "results" / "survey.json").is_file():
            base_job(of.demo, base, asked.seed, asked.cores)
        for fault in faults:
            rows.append(run(fault, of, base, asked.seed, asked.cores))
            print(f"{fault.name} ({fault.size}): {_brief(rows[-1])}", file=sys.stderr, flush=True)
    document: list[dict[str, Any]] = [asdict(row) for row in rows]
    print(json.dumps(document, indent=1, ensure_ascii=False) if asked.json else in_words(rows))


def _brief(row: Row) -> str:
    effect = "refused" if row.refused else f"{row.worst_error_in_u:+.1f} U {row.worst_figure}"
    return f"{'as stated' if row.as_expected else 'NOT AS STATED'}; {effect}; {row.seconds:.0f} s; {row.message[:200]}"


if __name__ == "__main__":
    main()
