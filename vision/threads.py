"""Linear algebra on one thread, in this process and in workers.

The matrices here are many and small: spread over threads they are no faster, and threads that wait for each other burn the
processor. A network of 50 photos takes eleven times the processor time with OpenBLAS on two threads (measured on two busy
cores). Libraries read these settings when they are loaded: before numpy is.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

VARIABLES = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS", "BLIS_NUM_THREADS")


def hold_to_one_thread() -> None:
    """For this process and all it starts; what the user has set stays."""
    for name in VARIABLES:
        os.environ.setdefault(name, "1")


@contextmanager
def one_thread_for_children() -> Iterator[None]:
    """Processes started meanwhile compute on one thread each; this one's environment is as before afterwards."""
    unset = [name for name in VARIABLES if name not in os.environ]
    hold_to_one_thread()
    try:
        yield
    finally:
        for name in unset:
            os.environ.pop(name, None)
