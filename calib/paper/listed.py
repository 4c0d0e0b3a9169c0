"""Lists in files people edit: each name once, and no two things in one place."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from vision.toml_io import EntryError


def each_once(**listed: Iterable[str]) -> None:
    """Refuse a name that is listed twice in `[[board]]`, …: `each_once(board=["stand-1", "stand-1"])`.

    Raises
    ------
    EntryError
    """
    for what, names in listed.items():
        known: set[str] = set()
        for i, name in enumerate(names):
            if name in known:
                raise EntryError(f"{what} {name} is listed twice", what, i, "name")
            known.add(name)


def apart(places: Mapping[str, tuple[float, float]], what: str = "") -> None:
    """Refuse things in one and the same place; `what` they are, before their names.

    Raises
    ------
    ValueError
    """
    taken = list(places.values())
    same = [name for name, place in places.items() if taken.count(place) > 1]
    if same:
        raise ValueError(f"{what} {' and '.join(same)} are in the same place".lstrip())
