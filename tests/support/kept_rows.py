"""Bays of a campaign kept in a file, one JSON document a line, so that a second run goes on where the first stopped."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any, TypeVar

from vision.parallel import in_parallel

Row = TypeVar("Row")


def add_options(parser: argparse.ArgumentParser, bays: int) -> None:
    """`--bays`, `--first`, `--cores`, `--rows` and `--json` of a campaign over bays."""
    parser.add_argument("--bays", type=int, default=bays)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--cores", type=int, default=2)
    parser.add_argument("--rows", type=Path, help="keep bays in this file and go on from it")
    parser.add_argument("--json", action="store_true")


def campaign(one_bay: Callable[[int], Row], kind: type[Row], asked: argparse.Namespace) -> list[Row]:
    """All bays wanted (rows with a `seed`), those kept in the file not measured again."""
    seeds = range(asked.first, asked.first + asked.bays)
    bays: list[Any] = [bay for bay in rows_in(asked.rows, kind) if bay.seed in seeds]
    left = [seed for seed in seeds if seed not in {bay.seed for bay in bays}]
    for bay in in_parallel(one_bay, left, cores=asked.cores):
        bays.append(bay)
        keep_row(asked.rows, bay)
        print(f"seed {bay.seed} ({len(bays)} of {asked.bays})", file=sys.stderr, flush=True)
    return bays


def rows_in(path: Path | None, kind: type[Row]) -> list[Row]:
    """All bays kept; none without a file."""
    if path is None or not path.is_file():
        return []
    return [kind(**json.loads(line)) for line in path.read_text(encoding="utf-8").splitlines()]


def keep_row(path: Path | None, row: Any) -> None:
    """Add a bay (a dataclass) to the file, if there is to be one."""
    if path is not None:
        with path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(asdict(row)) + "\n")
