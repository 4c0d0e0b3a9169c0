"""A placement sheet in words: one table a placement, sides and signs said, then where the numbers come from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from calib.paper.placements import Provenance
from calib.paper.units import minutes_beside
from cli.table import number, table

SIDES = "left and right are the car's, driver looking forward"
PLUS = {
    "lateral": "+ to the car's left",
    "yaw": "+ counter-clockwise seen from above",
    "pitch": "+ leans the top in the car's forward direction",
    "roll": "+ lifts the side on the car's left",
}
CLEARANCES = {
    "sides_mm": "beside the target, from its edges",
    "beyond_mm": "beyond the target, away from the car",
    "between_mm": "to each side of the way from origin to target",
    "floor_mm": "under the target",
}
FLOOR = {
    "pitch_deg": "slope along the line at most",
    "roll_deg": "slope across the line at most",
    "flatness_mm": "out of its plane at most",
}


def in_words(document: Mapping[str, Any], notes: Sequence[str] = ()) -> str:
    """The whole sheet (`calib.paper.sheet_document.sheet_document`)."""
    lines = [document["state"]["words"], f"({SIDES})"]
    for i, placement in enumerate(document["placements"], start=1):
        lines += ["", _heading(placement, i), *_about(placement), "", _figures(placement)]
    lines += ["", *_unused(document), source_in_words(Provenance(**document["provenance"]))]
    lines += [f"accepted: {note}" for note in notes]
    return "\n".join(lines)


def source_in_words(source: Provenance) -> str:
    """Where the numbers come from and who typed them."""
    edition = f", edition {source.edition}" if source.edition else ""
    read = f", read {source.date_read}" if source.date_read else ""
    compared = f", compared by {source.checked_by}" if source.checked_by else ""
    return f"from {source.document}{edition}{read}; typed by {source.typed_by}{compared}"


def place_in_words(place: str) -> str:
    """ "front axle", "front left wheel", "touched point bumper", "mark of floor-13"."""
    kind, colon, name = place.partition(":")
    if colon:
        return f"touched point {name}" if kind == "point" else f"mark of {name}"
    name = place.replace("-", " ")
    return name if name.endswith("axle") else f"{name} wheel"


def line_in_words(line: str | Sequence[str]) -> str:
    """ "thrust line", "centreline", "line through touched point a and touched point b"."""
    if not isinstance(line, str):
        return f"line through {' and '.join(map(place_in_words, line))}"
    return "thrust line" if line == "thrust" else "centreline"


def limits_in_words(lower: float | None, upper: float | None) -> str:
    """ "±5", "-3 … +5", "error at least -3", "" where there is none."""
    if lower is not None and upper is not None:
        return f"±{plain(upper)}" if abs(lower + upper) < 1e-9 else f"{plain(lower, sign=True)} … {plain(upper, sign=True)}"
    if lower is not None:
        return f"error at least {plain(lower, sign=True)}"
    return "" if upper is None else f"error at most {plain(upper, sign=True)}"


def plain(value: float, *, sign: bool = False) -> str:
    """A typed number as it is, to a tenth of a micrometre: rounding would hide a slip."""
    text = number(value, 4, sign=sign).rstrip("0").rstrip(".")
    return text if text.strip("+-") else "0"


def figure_label(name: str) -> str:
    """ "distance" of "distance_mm", "a ahead" of "a_ahead_mm"."""
    return name.rsplit("_", 1)[0].replace("_", " ")


def _heading(placement: Mapping[str, Any], number_: int) -> str:
    name = f"{number_}. {placement['name']}: " if placement["name"] else ""
    where = "on the floor" if placement["kind"] == "mat" else f"{_side(placement)} the car"
    return f"{name}{placement['target']} ({placement['kind']}), {where}"


def _side(placement: Mapping[str, Any]) -> str:
    return "ahead of" if placement["side"] == "ahead" else "behind"


def _about(placement: Mapping[str, Any]) -> list[str]:
    what = "ahead" if placement["kind"] == "mat" else "distance"
    lines = [f"{what} from the {place_in_words(placement['origin'])}, along the {line_in_words(placement['line'])}"]
    for name, parts in placement["points"].items():
        if name not in _points_of(placement):
            continue
        said = ", ".join(f"{100 * weight:g} % {place_in_words(body)}" for body, weight in parts.items())
        lines.append(f"point {name}: the mean of {said}")
    if placement["with"]:
        lines.append(f"stands together with {placement['with']}")
    if placement["target_boards"]:
        lines.append(f"known by {', '.join(placement['target_boards'])}")
    if placement["size"]:
        width, height = (f"{placement['size'][key]:g} mm" for key in ("width_mm", "height_mm"))
        of_mat = f"mat {width} wide (across the car), {height} long"
        lines.append(of_mat if placement["kind"] == "mat" else f"target {width} wide, {height} high")
    if placement["kind"] == "mat":
        lines.append(f"its marks lie {_extent(placement)}")
    lines += [f"mark {mark['name']}: {place_in_words(mark['at'])}" for mark in placement["marks"]]
    lines += [f"floor: {FLOOR[name]} {_floor_limit(name, most)}" for name, most in placement["floor"].items()]
    lines += [f"free: {least:g} mm {CLEARANCES[name]}" for name, least in placement["clearance"].items()]
    return lines


def _points_of(placement: Mapping[str, Any]) -> set[str]:
    """Names of the points the placement is measured from."""
    line = placement["line"]
    places = [placement["origin"], *([] if isinstance(line, str) else line), *(mark["at"] for mark in placement["marks"])]
    return {place.partition(":")[2] for place in places if place.startswith("point:")}


def _unused(document: Mapping[str, Any]) -> list[str]:
    """Points of the sheet that nothing is measured from; of one placement chosen among several nobody knows."""
    placements = document["placements"]
    if len(placements) == 1 and placements[0]["name"]:
        return []
    used = {name for placement in placements for name in _points_of(placement)}
    points = [name for name in placements[0]["points"] if name not in used]
    return [f"point {name}: nothing here is measured from it" for name in points]


def _floor_limit(name: str, most: float) -> str:
    unit = name.rsplit("_", 1)[1]
    return f"{plain(most)} {unit}{minutes_beside(most) if unit == 'deg' else ''}"


def _extent(placement: Mapping[str, Any]) -> str:
    """ "600 to 1800 mm ahead of the front axle, from 500 mm right to 500 mm left"."""
    values = {figure_label(row["name"]): row["required"] for row in placement["figures"]}
    ahead = [value for label, value in values.items() if label.endswith(" ahead")]
    left = [value for label, value in values.items() if label.endswith(" left")]
    along = _span(ahead, ("behind", "ahead of")) + f" the {place_in_words(placement['origin'])}"
    return f"{along}, {_span(left, ('right', 'left'))} of the line"


def _span(values: Sequence[float], words: tuple[str, str]) -> str:
    """From the least to the greatest of some values, each end with the word of its sign."""
    low, high = min(values), max(values)
    if low < 0.0 < high:
        return f"from {plain(-low)} mm {words[0].removesuffix(' of')} to {plain(high)} mm {words[1]}"
    ends = sorted({plain(abs(low)), plain(abs(high))}, key=float)
    return f"{' to '.join(ends)} mm {words[high > 0.0]}"


def _figures(placement: Mapping[str, Any]) -> str:
    rows = []
    for row in placement["figures"]:
        label = figure_label(row["name"])
        limits = limits_in_words(row["lower"], row["upper"]) or "not judged"
        if row["unit"] == "deg" and limits.startswith("±"):
            limits += minutes_beside(row["upper"])
        minutes = minutes_beside(row["required"]).strip(" ()") if row["unit"] == "deg" else ""
        note = ", ".join(filter(None, (minutes, _note(label, placement))))
        rows.append([label, plain(row["required"]), row["unit"], limits, note])
    return table(["figure", "required", "", "tolerance", ""], rows, (1,))


def _note(label: str, placement: Mapping[str, Any]) -> str:
    if label == "distance":
        return f"{placement['side']}, from the {place_in_words(placement['origin'])}"
    if label == "height":
        return "above the floor" if placement["height_from"] == "floor" else "above the plane the wheels stand on"
    if placement["kind"] == "mat" and label.endswith(" ahead"):
        return "+ towards the car's front"
    if placement["kind"] == "mat" or label == "lateral":
        return f"from the {line_in_words(placement['line'])}, {PLUS['lateral']}"
    return PLUS.get(label, "")
