"""A campaign of random bays around the frozen reference bay: errors against the Cramér–Rao bound, and is U true?

    python -m tests.benchmarks.accuracy [--bays 300] [--first 1] [--camera 1080p|12mp|both] [--variant a3|a4] [--cores 2]
                                        [--outliers 0.03] [--bump check|survey] [--rendered] [--rows FILE] [--out DIR] [--json]
    python -m tests.benchmarks.accuracy --reference [--json]

Car size, toe, camber, board mounting (up to 5° crooked), floor slope and waves, camera, photo places, noise and blur vary from
bay to bay; so does everything nobody knows: print scales, bends, thickness, stand-offs, tape, stand file, lens, heave and tilt
while rolling, each from the law it is believed to have. By default corners are simulated with the noise law measured on renders
(`noise_law.py`); with --rendered every photo is a JPEG and `bayfix lens`, `survey` and `check` look at it. `both` takes the
cameras in turn. With --rows bays are kept in a file and a second run goes on where the first stopped. --out saves plots.

--reference: predicted and reported U of the reference bay itself, both cameras and board variants, against what is wanted.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from pathlib import Path

from tests.benchmarks.accuracy_bay import Row, Trial, bay_of, new_row, run_simulated
from tests.benchmarks.accuracy_summary import in_words, summary
from tests.benchmarks.reference_bay import CAMERAS
from tests.support.kept_rows import keep_row, rows_in
from vision.errors import MeasurementError
from vision.parallel import in_parallel


def one(trial: Trial, keep: Path | None = None) -> Row:
    """One bay in a folder of its own; a bay that could not be measured says why."""
    with tempfile.TemporaryDirectory() as folder:
        try:
            if trial.rendered:
                from tests.benchmarks.accuracy_rendered import run_rendered

                kept = keep / f"{trial.camera}-{trial.seed}{trial.bump}" if keep else Path(folder)
                return run_rendered(trial, kept)
            return run_simulated(trial, Path(folder))
        except MeasurementError as err:
            row = new_row(trial, bay_of(trial))
            row.failed = str(err)
            return row


def trials(asked: argparse.Namespace) -> list[Trial]:
    seeds = range(asked.first, asked.first + asked.bays)
    cameras = CAMERAS if asked.camera == "both" else (asked.camera,)
    kind = {"outliers": asked.outliers, "bump": asked.bump, "rendered": asked.rendered, "as_found": asked.as_found}
    return [Trial(seed, cameras[seed % len(cameras)], asked.variant, **kind) for seed in seeds]


def campaign(asked: argparse.Namespace) -> list[Row]:
    wanted = trials(asked)
    rows = [row for row in rows_in(asked.rows, Row) if any((row.seed, row.camera) == (t.seed, t.camera) for t in wanted)]
    done = {(row.seed, row.camera) for row in rows}
    left = [trial for trial in wanted if (trial.seed, trial.camera) not in done]
    results = (one(trial, asked.keep) for trial in left) if asked.rendered else in_parallel(one, left, cores=asked.cores)
    for row in results:
        rows.append(row)
        keep_row(asked.rows, row)
        print(
            f"seed {row.seed} ({len(rows)} of {len(wanted)}){': ' + row.failed if row.failed else ''}",
            file=sys.stderr,
            flush=True,
        )
    return rows


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--bays", type=int, default=300)
    parser.add_argument("--first", type=int, default=1, help="first seed")
    parser.add_argument("--camera", choices=(*CAMERAS, "both"), default="both")
    parser.add_argument("--variant", choices=("a3", "a4"), default="a3", help="starter boards")
    parser.add_argument("--outliers", type=float, default=0.0, help="share of corners that are somewhere else")
    parser.add_argument(
        "--bump",
        choices=("", "check", "survey"),
        default="",
        help="kick a floor board: before the check, or between roll epochs",
    )
    parser.add_argument("--as-found", action="store_true", help="simulated corners state their sigma as detection does now")
    parser.add_argument("--rendered", action="store_true", help="from JPEG files; minutes a bay")
    parser.add_argument("--reference", action="store_true", help="U of the reference bay itself against what is wanted")
    parser.add_argument("--cores", type=int, default=2)
    parser.add_argument("--rows", type=Path, help="keep bays in this file and go on from it")
    parser.add_argument("--keep", type=Path, help="keep rendered jobs in this folder, and go on from their photos")
    parser.add_argument("--out", type=Path, help="save plots in this folder")
    parser.add_argument("--json", action="store_true")
    return parser.parse_args()


def main() -> None:
    asked = arguments()
    if asked.reference:
        from tests.benchmarks.accuracy_reference import report

        print(report(as_json=asked.json))
        return
    kind = "rendered" if asked.rendered else "outliers" if asked.outliers else "bump" if asked.bump else "simulated"
    rows = campaign(asked)
    result = summary(rows, kind)
    if asked.out:
        from tests.benchmarks.accuracy_plots import save_plots

        save_plots(rows, result, asked.out)
    print(json.dumps(result, indent=1) if asked.json else in_words(result))


if __name__ == "__main__":
    main()
