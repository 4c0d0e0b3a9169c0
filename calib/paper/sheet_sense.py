"""What a sheet's entries must be together: names that are there once, points that lead somewhere, a target above the floor."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from calib.paper.placements import POINT, Place
from calib.paper.sheet_model import BetweenEntry, MarkEntry, PlacementEntry, PlacementFields, SheetFile, SheetsFile

Keys = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong, and the entry it stands in."""

    keys: Keys
    words: str


def faults_of(file: SheetFile | SheetsFile) -> tuple[Fault, ...]:
    """Everything that contradicts something else, in the order of the file."""
    faults = [*_points(file.points)]
    if faults:
        return tuple(faults)
    if isinstance(file, SheetFile):
        return (*_confirmed(file), *_height(file, file, ()), *_placement(file, file, ()))
    out = [*_confirmed(file), *(list(_names(file)) or _together(file)), *_needed(file)]
    for i, entry in enumerate(file.placement):
        keys: Keys = ("placement", i)
        out += [*_height(entry, file, keys), *_placement(entry, file, keys)]
    return tuple(dict.fromkeys(out))


def middles_of(file: SheetFile | SheetsFile) -> dict[str, Place]:
    """The sheet's points between others, each as touched points and boards with weights."""
    return {name: _resolved(f"{POINT}{name}", file.points) for name in file.points}


def _resolved(place: str, points: Mapping[str, BetweenEntry]) -> Place:
    entry = points.get(place.removeprefix(POINT)) if place.startswith(POINT) else None
    if entry is None:
        return ((place, 1.0),)
    weights: dict[str, float] = {}
    for part in entry.between:
        for body, weight in _resolved(part, points):
            weights[body] = weights.get(body, 0.0) + weight / len(entry.between)
    return tuple(sorted(weights.items()))


def _points(points: Mapping[str, BetweenEntry]) -> Iterator[Fault]:
    for name, entry in points.items():
        keys: Keys = ("points", name, "between")
        if twin := _twin(name, list(points)[: list(points).index(name)]):
            yield Fault(keys[:-1], _capitals_alone(name, twin))
        twice = _twice(entry.between)
        if twice:
            yield Fault(keys, f"{twice!r} is named twice")
        ring = _ring(name, points)
        if ring:
            yield Fault(keys, f"goes round in a circle: {' -> '.join(ring)}")
            return


def _ring(name: str, points: Mapping[str, BetweenEntry]) -> list[str]:
    """A chain of definitions that comes back to `name`; empty when there is none."""
    ways = [[name]]
    seen = {name}
    while ways:
        way = ways.pop()
        for part in points[way[-1]].between:
            below = part.removeprefix(POINT)
            if not part.startswith(POINT) or below not in points:
                continue
            if below == name:
                return [*way, name]
            if below not in seen:
                seen.add(below)
                ways.append([*way, below])
    return []


def _confirmed(file: SheetFile | SheetsFile) -> Iterator[Fault]:
    if file.confirmed and same_person(file.confirmed.by, file.provenance.typed_by):
        yield Fault(("confirmed", "by"), f"{file.confirmed.by} typed this sheet: another person must confirm it")


def same_person(a: str, b: str) -> bool:
    """Whether two typed names are one: case, spaces and dots apart."""

    def plain(name: str) -> str:
        return "".join(letter for letter in name.casefold() if letter.isalnum())

    return plain(a) == plain(b)


def _names(file: SheetsFile) -> Iterator[Fault]:
    names = [entry.name for entry in file.placement]
    for i, name in enumerate(names):
        if name in names[:i]:
            yield Fault(("placement", i, "name"), f"{name!r} is the name of an earlier placement already")
        elif twin := _twin(name, names[:i]):
            yield Fault(("placement", i, "name"), _capitals_alone(name, twin))


def _twin(name: str, earlier: Sequence[str]) -> str:
    """Another name whose files would be the same where a system does not tell capitals from small letters; "" for none."""
    return next((other for other in earlier if other != name and other.casefold() == name.casefold()), "")


def _capitals_alone(name: str, twin: str) -> str:
    return f"{name!r} and {twin!r} differ in capitals alone: their files would be one on Windows and macOS"


def _together(file: SheetsFile) -> Iterator[Fault]:
    by_name = {entry.name: entry for entry in file.placement}
    group = {name: {name} for name in by_name}
    for i, entry in enumerate(file.placement):
        other = entry.together_with
        keys: Keys = ("placement", i, "with")
        if other == entry.name:
            yield Fault(keys, "a placement stands with another one, not with itself")
        elif other is not None and other not in by_name:
            yield Fault(keys, f"there is no placement {other!r} on this sheet: {', '.join(by_name)}")
        elif other is not None and other not in group[entry.name]:
            owner = {board: name for name in sorted(group[other]) for board in by_name[name].target_boards}
            shared = sorted(board for name in group[entry.name] for board in by_name[name].target_boards if board in owner)
            if shared:
                yield Fault(keys, f"board {shared[0]} would be on both targets at the same time")
            joined = group[entry.name] | group[other]
            for name in joined:
                group[name] = joined


def _needed(file: SheetsFile) -> Iterator[Fault]:
    for key in ("origin", "line", "side"):
        lacking = [i for i, entry in enumerate(file.placement) if getattr(entry, key) is None]
        if lacking and getattr(file, key) is None:
            others = ", ".join(file.placement[i].name for i in lacking[1:])
            words = "this key is missing, here and at the top of the sheet" + (f" (also for {others})" if others else "")
            yield Fault(("placement", lacking[0], key), words)


def _placement(entry: PlacementFields, file: SheetFile | SheetsFile, keys: Keys) -> Iterator[Fault]:
    twice = _twice(entry.target_boards)
    if twice:
        yield Fault((*keys, "target_boards"), f"board {twice} is named twice")
    if entry.applies is not None and (again := _twice(entry.applies)):
        yield Fault((*keys, "applies"), f"{again} is named twice")
    yield from _marks(entry, keys)
    line = getattr(entry, "line", None) or file.line
    if isinstance(line, tuple):
        ends = [_resolved(place, file.points) for place in line]
        if ends[0] == ends[1]:
            own = getattr(entry, "line", None) is not None
            yield Fault((*keys, "line") if own else ("line",), f"{line[0]!r} and {line[1]!r} are the same place: no line")


def _marks(entry: PlacementFields, keys: Keys) -> Iterator[Fault]:
    for i, mark in enumerate(entry.mark):
        for earlier in entry.mark[:i]:
            if mark.name == earlier.name:
                yield Fault((*keys, "mark", i, "name"), f"{mark.name!r} is the name of an earlier mark already")
                break
            if measured_at(mark) == measured_at(earlier):
                yield Fault((*keys, "mark", i, "at"), f"{measured_at(mark)!r} is measured for mark {earlier.name} already")
                break
            if (mark.ahead.value, mark.left.value) == (earlier.ahead.value, earlier.left.value):
                yield Fault((*keys, "mark", i), f"mark {mark.name} would lie where mark {earlier.name} lies")
                break


def measured_at(mark: MarkEntry) -> str:
    return mark.at or f"{POINT}{mark.name}"


def _height(entry: SheetFile | PlacementEntry, file: SheetFile | SheetsFile, keys: Keys) -> Iterator[Fault]:
    if entry.height is None:
        own = entry.height_from if isinstance(entry, PlacementEntry) else (entry.height_from != "floor" or None)
        if own:
            yield Fault((*keys, "height_from"), "height_from without a height")
        return
    if entry.size is None:
        return
    under = entry.height.value - entry.size.height / 2
    floor = own_or_top(entry.clearance, file.clearance, "floor")
    asked = floor.least if floor else 0.0
    if under < 0:
        words = f"a target {entry.size.height:g} mm high with its centre at {entry.height.value:g} mm would stand in the floor"
        yield Fault((*keys, "height", "value"), words)
    elif under < asked:
        words = f"leaves {under:g} mm under the target, the clearance asks for {asked:g} mm"
        yield Fault((*keys, "height", "value"), words)


def own_or_top(own: Any, top: Any, key: str) -> Any:
    """What a placement's table says under `key`, else what the table at the top of the sheet says; None when neither does."""
    return next((said for table in (own, top) if table is not None and (said := getattr(table, key)) is not None), None)


def _twice(names: Sequence[str]) -> str:
    return next((name for i, name in enumerate(names) if name in names[:i]), "")
