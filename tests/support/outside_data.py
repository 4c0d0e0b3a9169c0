"""Where data by others lie: the folder named by BAYFIX_REFERENCE_DATA, else ../shared/data beside the repository."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


def outside_data(name: str) -> Path:
    """Path of a file or folder of the outside data; the test is skipped when it is absent."""
    folder = Path(os.environ.get("BAYFIX_REFERENCE_DATA", ROOT.parent / "shared" / "data"))
    path = folder / name
    if not path.exists():
        pytest.skip(f"outside data are absent: {path} (set BAYFIX_REFERENCE_DATA to their folder)")
    return path
