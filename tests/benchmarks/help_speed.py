"""How long `bayfix --help` takes, over `import typer` alone: every heavy import belongs inside a command.

    python -m tests.benchmarks.help_speed [--runs 15] [--json]

The two are run in turn, so that a machine whose speed drifts slows both; the ratio of the medians is what counts (aim: 2).
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import time

HELP = "import sys; sys.argv = ['bayfix', '--help']; from cli.main import main; main()"
TYPER = "import typer"


def seconds(code: str) -> float:
    """Wall time of a fresh interpreter that runs the code."""
    start = time.perf_counter()
    subprocess.run([sys.executable, "-c", code], check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


def measure(runs: int) -> dict[str, float]:
    times = [(seconds(HELP), seconds(TYPER)) for _ in range(runs + 1)][1:]
    helps, typers = (statistics.median(column) for column in zip(*times, strict=True))
    return {"help_s": helps, "import_typer_s": typers, "ratio": helps / typers, "runs": runs}


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--runs", type=int, default=15)
    parser.add_argument("--json", action="store_true")
    wanted = parser.parse_args()
    found = measure(wanted.runs)
    if wanted.json:
        print(json.dumps(found, indent=1))
    else:
        print("bayfix --help {help_s:.3f} s, import typer {import_typer_s:.3f} s: ratio {ratio:.2f} (aim 2)".format(**found))


if __name__ == "__main__":
    main()
