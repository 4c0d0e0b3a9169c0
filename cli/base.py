"""What every command shares: exit statuses, the one wrapper for errors, common options, output channels."""

from __future__ import annotations

import functools
import json
import sys
from collections.abc import Callable
from enum import IntEnum
from pathlib import Path
from typing import Annotated, Any, ParamSpec

import typer

from vision.errors import MeasurementError

P = ParamSpec("P")


class Exit(IntEnum):
    """Exit statuses (DEVELOPERS.md, "Exit statuses"). 1 is left to crashes, and a crash is a bug."""

    CONFORMS = 0
    BAD_INPUT = 2
    DOES_NOT_CONFORM = 3
    UNDECIDED = 4


DONE = Exit.CONFORMS
SYSTEM_LIBRARY_MARKS = (".so", ".dylib", "DLL load failed")
"""What the loader's message holds, on Linux, macOS and Windows, when a library of the system is missing."""

Json = Annotated[bool, typer.Option("--json", help="Print the result as JSON on standard output.")]
JobDir = Annotated[Path, typer.Argument(help="The job folder (see `bayfix job new`).", metavar="JOB")]

Without = Annotated[
    list[str] | None,
    typer.Option("--without", metavar="SOURCE", help="Leave a source of uncertainty out of U to see its share (repeatable)."),
]


def shop_command(function: Callable[P, Exit]) -> Callable[P, None]:
    """Turn a measurement that could not be made into words on stderr and status 2; bugs keep their traceback."""

    @functools.wraps(function)
    def run(*args: P.args, **kwargs: P.kwargs) -> None:
        try:
            status = function(*args, **kwargs)
        except MeasurementError as err:
            complain(err.what, err.hint)
            raise typer.Exit(Exit.BAD_INPUT) from None
        except ImportError as err:
            if not any(mark in str(err) for mark in SYSTEM_LIBRARY_MARKS):
                raise
            complain(*missing_system_library(str(err)))
            raise typer.Exit(Exit.BAD_INPUT) from None
        except KeyboardInterrupt:
            complain("stopped by hand", "nothing was half-written; run the command again")
            raise typer.Exit(130) from None
        raise typer.Exit(status)

    return run


def missing_system_library(message: str) -> tuple[str, str]:
    """Words for a shared library that opencv-python loads from the system and did not find."""
    if sys.platform == "win32":
        hint = (
            'install Microsoft\'s "Visual C++ Redistributable"; on an edition N of Windows also its optional feature '
            '"Media Feature Pack"'
        )
    else:
        hint = (
            "on Debian or Ubuntu: sudo apt-get install libgl1 libglib2.0-0 (newer: libglib2.0-0t64); "
            "on Fedora: sudo dnf install mesa-libGL glib2"
        )
    return f"OpenCV cannot start, a system library is missing: {message}", hint


def complain(what: str, hint: str = "") -> None:
    """One complaint on stderr: what is wrong, then what to try."""
    typer.echo(f"not measured: {what}", err=True)
    if hint:
        typer.echo(f"try: {hint}", err=True)


def talk(message: str) -> None:
    """Progress and remarks go to stderr, so that stdout holds the result alone."""
    typer.echo(message, err=True)


def print_json(document: dict[str, Any]) -> None:
    """The machine-readable result on stdout; non-finite numbers are a bug here, not a value."""
    ascii_only = (sys.stdout.encoding or "").lower() not in ("utf-8", "utf8")  # redirected on Windows
    json.dump(document, sys.stdout, indent=2, allow_nan=False, ensure_ascii=ascii_only)
    sys.stdout.write("\n")
