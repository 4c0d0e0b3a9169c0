"""What happened to a job, in order: every check, what the scan tool said, what was answered beforehand. Nothing is overwritten.

`results/history/0001-check-1.json`, `0002-outcome.json`, …: one whole document each, numbered as they came.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calib.paper.job import Job, write_result
from vision.errors import FileError

FOLDER = "history"
_NAME = re.compile(r"(\d{4,})-(.+)\.json")


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing that happened: its number, what it was called, and its document."""

    number: int
    name: str
    document: Mapping[str, Any]

    @property
    def schema(self) -> str:
        return str(self.document.get("schema", ""))


def note(job: Job, name: str, document: Mapping[str, Any]) -> Path:
    """Add a document to the history.

    Raises
    ------
    FileError
        The folder cannot be written.
    """
    number = 1 + max((int(match[1]) for match in _files(job).values()), default=0)
    text = json.dumps(document, indent=1, ensure_ascii=False)
    return write_result(job, f"{FOLDER}/{number:04d}-{name}.json", text)


def history(job: Job) -> tuple[Entry, ...]:
    """Everything that happened, in order.

    Raises
    ------
    FileError
        A damaged document; says which, so that nobody takes the rest for the whole.
    """
    entries = []
    for path, match in sorted(_files(job).items(), key=lambda item: int(item[1][1])):
        try:
            document = json.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError) as err:
            raise FileError(f"{path}: damaged: {err}", hint="bring the file back from a copy, or move it away") from err
        if not isinstance(document, dict):
            raise FileError(f"{path}: damaged: no JSON object", hint="bring the file back from a copy, or move it away")
        entries.append(Entry(int(match[1]), match[2], document))
    return tuple(entries)


def _files(job: Job) -> dict[Path, re.Match[str]]:
    folder = job.results_folder / FOLDER
    if not folder.is_dir():
        return {}
    found = ((path, _NAME.fullmatch(path.name)) for path in folder.iterdir())
    return {path: match for path, match in found if match is not None}
