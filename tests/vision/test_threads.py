"""Linear algebra on one thread: set where nobody else set it, handed to workers, and left as it was here."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from vision.parallel import in_parallel
from vision.threads import VARIABLES, hold_to_one_thread, one_thread_for_children

ROOT = Path(__file__).parents[2]


def settings(_number: int) -> tuple[int, list[str | None]]:
    return os.getpid(), [os.environ.get(name) for name in VARIABLES]


@pytest.fixture
def nothing_set(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in VARIABLES:
        monkeypatch.delenv(name, raising=False)


@pytest.mark.usefixtures("nothing_set")
def test_workers_compute_on_one_thread_each() -> None:
    found = list(in_parallel(settings, range(5), cores=2))
    assert os.getpid() not in {pid for pid, _ in found}
    assert all(values == ["1"] * len(VARIABLES) for _, values in found)
    assert not set(VARIABLES) & set(os.environ)


@pytest.mark.usefixtures("nothing_set")
def test_what_the_user_set_stays(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", "2")
    with one_thread_for_children():
        assert os.environ["OPENBLAS_NUM_THREADS"] == "2"
        assert os.environ["OMP_NUM_THREADS"] == "1"
    assert os.environ["OPENBLAS_NUM_THREADS"] == "2"
    hold_to_one_thread()
    assert os.environ["OPENBLAS_NUM_THREADS"] == "2"


def test_the_command_sets_it_before_numpy_is_loaded() -> None:
    code = "import sys, os\nimport numpy_watch\nfrom cli.main import main\nsys.argv = ['bayfix', 'boards', 'list']\nmain()\n"
    watch = (
        "import os, sys\n"
        "class Watch:\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        "        if name == 'numpy':\n"
        "            print('threads', os.environ.get('OPENBLAS_NUM_THREADS'), flush=True)\n"
        "sys.meta_path.insert(0, Watch())\n"
    )
    clean = {name: value for name, value in os.environ.items() if name not in VARIABLES}
    out = subprocess.run(
        [sys.executable, "-c", code.replace("import numpy_watch", watch)],
        cwd=ROOT,
        env=clean | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert "threads 1" in out.stdout, out.stdout + out.stderr
    assert "threads None" not in out.stdout
