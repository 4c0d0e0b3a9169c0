"""Work on photos on all cores, in fresh processes."""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import TypeVar

import cv2

Work = TypeVar("Work")
Result = TypeVar("Result")
LEAST_FOR_POOL = 4
"""Below this many pieces of work the start of the processes costs more than they save."""


def in_parallel(function: Callable[[Work], Result], work: Sequence[Work]) -> Iterable[Result]:
    """Results in the order of the work; `function` must be importable (a module's own function)."""
    cores = os.cpu_count() or 1
    if len(work) < LEAST_FOR_POOL or cores == 1:
        yield from map(function, work)
        return
    # Fresh processes: a forked one inherits OpenCV's threads in whatever state they are and may wait for them for ever.
    fresh = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(min(cores, len(work)), mp_context=fresh, initializer=_start_worker) as pool:
        yield from pool.map(function, work)


def _start_worker() -> None:
    cv2.setNumThreads(1)
    # Ctrl-C reaches every process of the terminal: the command itself stops its workers and says so, once.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
