"""Taught stands as files. What a person wrote of the stand into the file that is replaced goes along: pivot and adjusters."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import tomlkit
from tomlkit.items import AoT, Comment, Item, Table, Whitespace

from calib.paper.adjusters import AdjusterEntry
from calib.paper.stand import SCHEMA, PivotEntry, Stand, StandBoard, TaughtFile
from vision.errors import FileError
from vision.toml_io import FileModel, checked, parsed, read_text, write_file

TAUGHT_KEYS = ("schema", "board", "taught")
"""What teaching finds; everything else in a stand file is written by hand."""
Entry = tuple[str, Item]


@dataclass(frozen=True, slots=True)
class Kept:
    """What goes along from the file that is replaced.

    Attributes
    ----------
    names : tuple of str
        As people write them: "[pivot]", "7 [[adjuster]]".
    keys : tuple of (str, Item)
        Written as keys at the top (`pivot = { … }`).
    tables : str
        Written as tables, with the comments in them and right above them.
    """

    names: tuple[str, ...] = ()
    keys: tuple[Entry, ...] = ()
    tables: str = ""


class _ByHand(FileModel):
    pivot: PivotEntry | None = None
    adjuster: list[AdjusterEntry] = []


def kept_of(path: Path) -> Kept:
    """What a taught stand keeps of the stand file it replaces; nothing where there is none.

    Raises
    ------
    FileError
        It is no stand file, or what is written by hand in it is wrong: nobody would want it lost, or carried along.
    """
    if not path.exists():
        return Kept()
    text = read_text(path)
    raw = parsed(path, text)
    if raw.get("schema") != SCHEMA:
        raise FileError(f"{path}: this is no stand file, and the taught one would replace it", hint="give another name: --out")
    checked(path, text, {key: value for key, value in raw.items() if key not in TAUGHT_KEYS}, _ByHand)
    body = [(key.key if key else "", item) for key, item in tomlkit.parse(text).body]
    mine = [(key, item) for key, item in body if key and key not in TAUGHT_KEYS]
    return Kept(
        names=tuple(dict.fromkeys(_called(key, raw[key]) for key, _ in mine)),
        keys=tuple((key, item) for key, item in mine if not isinstance(item, (Table, AoT))),
        tables=_tables_of(body),
    )


def write_stand(path: Path, stand: Stand, kept: Kept) -> None:
    """Write a taught stand, whole or not at all; `read_stand` gives it back.

    Raises
    ------
    FileError
        It cannot be written, or no stand can be like that.
    """
    if stand.taught is None:
        raise ValueError("only taught stands are written: typed ones are people's own files")
    doc = tomlkit.document()
    doc.add("schema", SCHEMA)
    doc.add(tomlkit.comment("Written by: bayfix stand teach. Teach again when a board was taken off, bent or printed anew."))
    for key, item in kept.keys:
        doc.add(key, item)
    rows = tomlkit.aot()
    for entry in stand.boards:
        rows.append(_board_table(entry))
    doc.add("board", rows)
    taught = tomlkit.table()
    taught.update({"date": stand.taught.date, "marks": list(stand.taught.marks)})
    if stand.taught.on_face:
        taught.add("on_face", list(stand.taught.on_face))
    taught.add("residual_mm", round(stand.taught.residual_mm, 4))
    taught.add("covariance", [[float(f"{value:.9e}") for value in row] for row in stand.taught.cov])
    doc.add("taught", taught)
    text = tomlkit.dumps(doc) + (f"\n{kept.tables}" if kept.tables else "")
    try:
        checked(path, text, parsed(path, text), TaughtFile)
    except FileError as err:
        raise FileError(
            f"what was taught is no stand, nothing is written: {err.what}", hint="compare the marks file with the target"
        ) from err
    write_file(path, text)


def _board_table(entry: StandBoard) -> Table:
    table = tomlkit.table()
    table.update(
        {
            "name": entry.board,
            "right_mm": round(entry.right_mm, 4),
            "up_mm": round(entry.up_mm, 4),
            "behind_mm": round(entry.behind_mm, 4),
            "turn_deg": round(math.degrees(entry.turn_rad), 6),
            "lean_right_deg": round(math.degrees(entry.lean_right_rad), 6),
            "lean_down_deg": round(math.degrees(entry.lean_down_rad), 6),
            "right_pm_mm": round(entry.right_pm_mm, 4),
            "up_pm_mm": round(entry.up_pm_mm, 4),
            "behind_pm_mm": round(entry.behind_pm_mm, 4),
            "turn_pm_deg": round(math.degrees(entry.turn_pm_rad), 6),
            "parallel_pm_deg": round(math.degrees(entry.parallel_pm_rad), 6),
        }
    )
    return table


def _called(key: str, value: object) -> str:
    return f"{len(value)} [[{key}]]" if isinstance(value, list) else f"[{key}]"


def _tables_of(body: list[Entry]) -> str:
    """Tables written by hand as text; a comment right above one stands, to the parser, at the end of what is before it."""
    out = ""
    above: list[str] = []
    for key, item in body:
        if key and key not in TAUGHT_KEYS and isinstance(item, (Table, AoT)):
            alone = tomlkit.document()
            alone.append(key, item)
            out += "".join(above) + alone.as_string()
            above = []
        else:
            above = _comments_at_end(item, above)
    return out


def _comments_at_end(item: Item, before: list[str]) -> list[str]:
    """Comment lines with which an item ends, with no empty line after them; those before it too where it is one itself."""
    if isinstance(item, Comment):
        return [*before, item.as_string()]
    if isinstance(item, AoT):
        return _comments_at_end(item.body[-1], [])
    lines: list[str] = []
    if isinstance(item, Table):
        for _, inner in item.value.body:
            lines = _comments_at_end(inner, lines)
    return lines if not isinstance(item, Whitespace) else []
