"""Markers in photos that belong to no board of a set: somebody else's target, or a board nobody entered."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from vision.boards import BoardSet
from vision.markers import read_all
from vision.photos import read_photo

SURE = 0.85
"""Least correlation of a marker's bits: with a whole dictionary to choose from, chance finds more that is like one."""


def strange_markers(paths: Iterable[Path], boards: BoardSet) -> dict[str, tuple[int, ...]]:
    """Ids by dictionary, ascending, of all photos together; only dictionaries that the boards use.

    Raises
    ------
    PhotoError
    """
    found: dict[str, set[int]] = {}
    for path in paths:
        for dictionary, ids in strange_in(read_photo(path).gray, boards).items():
            found.setdefault(dictionary, set()).update(ids)
    return {dictionary: tuple(sorted(ids)) for dictionary, ids in found.items()}


def strange_in(gray: NDArray[np.uint8], boards: BoardSet) -> dict[str, set[int]]:
    """The same of one picture."""
    known: dict[str, set[int]] = {}
    for board in boards:
        if board.is_charuco:
            known.setdefault(board.dictionary, set()).update(board.marker_ids)
    out = {}
    for dictionary, mine in known.items():
        markers = read_all(gray, dictionary)
        strange = {int(marker) for marker in markers.ids[markers.scores >= SURE]} - mine
        if strange:
            out[dictionary] = strange
    return out


def markers_in_words(found: dict[str, tuple[int, ...]]) -> str:
    """Runs of ids: "markers 500 to 511 and 520"; the dictionary's name where there are several."""
    parts = []
    for dictionary, ids in found.items():
        runs = [f"{run[0]} to {run[-1]}" if len(run) > 1 else f"{run[0]}" for run in _runs(ids)]
        of = f" of {dictionary.removeprefix('DICT_')}" if len(found) > 1 else ""
        words = f"{', '.join(runs[:-1])} and {runs[-1]}" if len(runs) > 1 else runs[0]
        parts.append(f"{words}{of}")
    markers = "marker" if len(found) == 1 and sum(map(len, found.values())) == 1 else "markers"
    return f"{markers} {'; '.join(parts)}" if parts else ""


def _runs(ids: Sequence[int]) -> list[list[int]]:
    out: list[list[int]] = []
    for one in ids:
        if out and one == out[-1][-1] + 1:
            out[-1].append(one)
        else:
            out.append([one])
    return out
