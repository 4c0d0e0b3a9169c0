"""Bays of a campaign kept in a file, one JSON document a line, so that a second run goes on where the first stopped."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any, TypeVar

Row = TypeVar("Row")


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
