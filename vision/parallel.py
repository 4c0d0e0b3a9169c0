"""Work on photos on all cores, in fresh processes; Ctrl-C is answered once, by the command itself."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

import cv2

from vision.threads import one_thread_for_children

Work = TypeVar("Work")
Result = TypeVar("Result")
LEAST_FOR_POOL = 4
"""Starting workers costs more than looking at fewer photos."""


def in_parallel(function: Callable[[Work], Result], work: Sequence[Work], *, cores: int | None = None) -> Iterator[Result]:
    """Results of `function` (a module's own one) over `work`, in order; little work is done in this process.

    An exception in a worker is raised here, and the rest of the work is dropped.
    """
    cores = cores or os.cpu_count() or 1
    if len(work) < LEAST_FOR_POOL or cores == 1:
        yield from map(function, work)
        return
    # Fresh processes: a forked one inherits OpenCV's threads in whatever state they are and may wait for them for ever.
    fresh = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(min(cores, len(work)), mp_context=fresh, initializer=_start_worker) as pool:
        with _deaf_to_ctrl_c(), one_thread_for_children():
            results = pool.map(function, work)
        yield from results


@contextmanager
def _deaf_to_ctrl_c() -> Iterator[None]:
    """Processes started meanwhile are born deaf to Ctrl-C, which reaches every process of a terminal.

    One that died of it while it starts would break the pool with a traceback.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _start_worker() -> None:
    cv2.setNumThreads(1)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
