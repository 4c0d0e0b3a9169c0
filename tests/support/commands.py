"""`bayfix` commands in this process: what a shell would see of them, and never a traceback."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from typer.testing import CliRunner

from cli.base import Exit
from cli.main import app


@dataclass(frozen=True)
class Outcome:
    """Exit status and both channels of one command."""

    status: int
    out: str
    err: str

    @property
    def document(self) -> dict[str, Any]:
        """Standard output as JSON."""
        return json.loads(self.out)


def bayfix(*words: object) -> Outcome:
    """Run a command as a shell would; an exception that is not an exit status is a crash and is raised here."""
    result = CliRunner().invoke(app, [str(word) for word in words])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert "Traceback" not in result.output, result.output
    return Outcome(result.exit_code, result.stdout, result.stderr)


def refused(*words: object) -> str:
    """The complaint of a command that must fail on bad input: status 2, nothing on standard output, and something to try."""
    outcome = bayfix(*words)
    assert outcome.status == Exit.BAD_INPUT, f"status {outcome.status}: {outcome.out}{outcome.err}"
    assert outcome.out == "", f"a complaint belongs on standard error: {outcome.out}"
    assert outcome.err.startswith("not measured: "), outcome.err
    assert "\ntry: " in outcome.err, outcome.err
    return outcome.err


def content(folder: Path) -> dict[str, bytes]:
    """Every file of a folder, hidden ones too."""
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


@contextmanager
def nothing_written(folder: Path) -> Iterator[None]:
    """The folder holds the same files with the same content afterwards."""
    before = content(folder)
    yield
    after = content(folder)
    names = sorted(before.keys() | after.keys())
    changed = [name for name in names if before.get(name) != after.get(name)]
    assert not changed, f"new, changed or gone: {', '.join(changed)}"
