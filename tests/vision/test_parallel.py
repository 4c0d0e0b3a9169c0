"""Work in worker processes: in order, complaints whole, and Ctrl-C answered by the command alone."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from vision.errors import PhotoError
from vision.parallel import in_parallel

SLEEPER = """
from vision.parallel import in_parallel
import time
try:
    print("started", flush=True)
    list(in_parallel(time.sleep, [0.2] * 200, cores=2))
except KeyboardInterrupt:
    print("stopped", flush=True)
"""


def one_photo(number: int) -> int:
    if number == 5:
        raise PhotoError("photo 5: cut short", hint="copy it again")
    return os.getpid() * 100 + number


def test_results_come_in_order_from_other_processes() -> None:
    found = list(in_parallel(one_photo, range(5), cores=2))
    assert [value % 100 for value in found] == [0, 1, 2, 3, 4]
    assert os.getpid() not in {value // 100 for value in found}


def test_little_work_stays_in_this_process() -> None:
    assert [value // 100 for value in in_parallel(one_photo, range(3), cores=2)] == [os.getpid()] * 3
    assert [value // 100 for value in in_parallel(one_photo, range(5), cores=1)] == [os.getpid()] * 5


def test_a_complaint_crosses_the_border_with_its_hint() -> None:
    with pytest.raises(PhotoError, match="photo 5: cut short") as caught:
        list(in_parallel(one_photo, [1, 2, 3, 4, 5, 6], cores=2))
    assert caught.value.hint == "copy it again"


@pytest.mark.skipif(os.name != "posix", reason="sends the signal of Ctrl-C to a process group")
@pytest.mark.parametrize("after_s", [0.15, 1.5])
def test_ctrl_c_stops_workers_without_a_traceback(after_s: float) -> None:
    """While the workers start, and while they work."""
    root = Path(__file__).parents[2]
    process = subprocess.Popen(
        [sys.executable, "-c", SLEEPER],
        cwd=root,
        env={**os.environ, "PYTHONPATH": str(root)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "started\n"
    time.sleep(after_s)
    os.killpg(process.pid, signal.SIGINT)
    out, err = process.communicate(timeout=30)
    assert err == ""
    assert out == "stopped\n"
