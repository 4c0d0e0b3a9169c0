"""Progress on stderr: bars where a person watches, nothing where a program reads."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def progress_bars(totals: dict[str, int]) -> Iterator[Callable[[str, str], None]]:
    """Bars for named stages; call the yielded function as ``tick(stage, what)`` after each step.

    `totals` gives the known number of steps; other stages get a spinner.
    """
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    console = Console(stderr=True)
    columns = (
        SpinnerColumn(),
        TextColumn("{task.description:<14}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        TextColumn("{task.fields[what]}"),
    )
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bars:
        tasks = {stage: bars.add_task(stage, total=total, what="") for stage, total in totals.items()}

        def tick(stage: str, what: str) -> None:
            if stage not in tasks:
                tasks[stage] = bars.add_task(stage, total=None, what="")
            bars.update(tasks[stage], advance=1, what=what)

        yield tick
