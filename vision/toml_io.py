"""TOML files that people edit: read with line numbers in every complaint, written whole or not at all."""

from __future__ import annotations

import difflib
import os
import re
import tempfile
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from vision.errors import FileError
from vision.toml_words import CLOSE, in_words

Model = TypeVar("Model", bound="FileModel")
MOST_BYTES = 2_000_000
"""No file that people edit is larger; a board set of every marker there is has a tenth of it."""
MOST_TOLD = 20
"""Faults told of one file: more are one mistake over and over."""


class FileModel(BaseModel):
    """Base of every file's model: unknown keys are refused, numbers must be finite, nothing is silently converted."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False, populate_by_name=True)


class EntryError(ValueError):
    """What a table's check found in an entry below it, or in one of the tables of a list: `keys` lead there."""

    def __init__(self, words: str, *keys: str | int) -> None:
        super().__init__(words)
        self.keys = keys


def read_toml(path: Path, model: type[Model], schema: str) -> Model:
    """Read and check a file whose first key is ``schema = "…"``.

    Raises
    ------
    FileError
        Missing file, broken TOML, another schema, unknown key, missing key, wrong type or range; names file, line and key.
    """
    text = read_text(path)
    doc = parsed(path, text)
    if doc.get("schema") != schema:
        raise other_schema(path, text, doc, {schema: ""})
    return checked(path, text, doc, model)


def other_schema(path: Path, text: str, doc: Mapping[str, Any], known: Mapping[str, str]) -> FileError:
    """The complaint about a file of another kind or version than the `known` ones (schema to words beside it)."""
    reads = " and ".join(f"{name!r}{words}" for name, words in known.items())
    first = next(iter(known))
    write = f'put schema = "{first}" in the first line'
    if "schema" not in doc:
        return FileError(f"{path}: no schema key, this version reads {reads}", hint=write)
    got = doc["schema"]
    kind, _, version = str(got).partition("/")
    if kind == first.partition("/")[0] and version.isdecimal():
        write = "a newer bayfix reads it: install that one"
    elif re.fullmatch(r"[a-z-]+/\d+", str(got)) and not difflib.get_close_matches(str(got), known, n=1, cutoff=CLOSE):
        write = "this is another kind of file: check its name"
    where = f"{path}:{line_of(text, ('schema',)) or 1}"
    return FileError(f"{where}: schema: {got!r}, this version reads {reads}", hint=write)


def parsed(path: Path, text: str) -> dict[str, Any]:
    """The TOML document in `text`.

    Raises
    ------
    FileError
        Broken TOML; names the line as far as the parser knows it.
    """
    hint = "compare with a file written by bayfix"
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as err:
        words, line = _placed(str(err), text)
        raise FileError(f"{path}:{line}: not valid TOML: {words}", hint=hint) from err
    except RecursionError as err:
        line = _line_with_most(text, r"[\[{]")
        raise FileError(f"{path}:{line}: not valid TOML: brackets nested hundreds deep", hint=hint) from err
    except ValueError as err:  # Python reads no whole number longer than this
        line = _line_with_most(text, r"\d")
        raise FileError(f"{path}:{line}: not valid TOML: a whole number of thousands of digits", hint=hint) from err


def _placed(message: str, text: str) -> tuple[str, int]:
    """What the parser complains of, and the line it says that in."""
    found = re.fullmatch(r"(.*) \(at (?:line (\d+), column \d+|end of document)\)", message, flags=re.DOTALL)
    if found is None:
        return message, 1
    words = re.sub(r"\((?:'[^']*',? ?)+\)", lambda keys: ".".join(re.findall(r"'([^']*)'", keys[0])), found[1])
    return f"{words[0].lower()}{words[1:]}", int(found[2] or text.count("\n") + 1)


def _line_with_most(text: str, pattern: str) -> int:
    counts = [len(re.findall(pattern, line)) for line in text.split("\n")]
    return 1 + counts.index(max(counts))


def checked(path: Path, text: str, doc: Mapping[str, Any], model: type[Model]) -> Model:
    """The document as its model.

    Raises
    ------
    FileError
        Unknown key, missing key, wrong type or range; names file, line and key.
    """
    try:
        return model.model_validate(doc)
    except ValidationError as err:
        raise FileError(_complaint(path, text, model, err), hint="correct the named lines and run the command again") from err


def read_text(path: Path) -> str:
    """Text of a file people edit (UTF-8).

    Raises
    ------
    FileError
    """
    try:
        size = path.stat().st_size
        if size > MOST_BYTES:
            raise FileError(
                f"{path}: {size / 1e6:.1f} MB, no file that people edit is larger than {MOST_BYTES / 1e6:g} MB",
                hint="check the name",
            )
        data = path.read_bytes()
        return data.decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n")
    except FileNotFoundError as err:
        raise FileError(f"{path}: no such file", hint="check the name, or write a new one with bayfix") from err
    except UnicodeDecodeError as err:
        line = err.object[: err.start].count(b"\n") + 1
        raise FileError(f"{path}:{line}: not a text file in UTF-8", hint="save it again as UTF-8") from err
    except OSError as err:
        hint = "name the file in it" if path.is_dir() else "see to the rights of the file"
        raise FileError(f"{path}: cannot be read: {err.strerror or err}", hint=hint) from err


def write_whole(path: Path, data: str | bytes) -> None:
    """Write under a temporary name beside the target and rename, so that an interrupted run leaves the old file."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data.encode("utf-8") if isinstance(data, str) else data)
        Path(temporary).chmod(0o644)
        Path(temporary).replace(path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


def write_file(path: Path, data: str | bytes) -> None:
    """Write a file that a person named, whole or not at all.

    Raises
    ------
    FileError
        It cannot be written: a folder of that name, a file where a folder should be, no rights, no room.
    """
    try:
        write_whole(path, data)
    except OSError as err:
        hint = "choose another name, make room, or see to the rights of the folder"
        raise FileError(f"{path}: cannot be written: {err.strerror or err}", hint=hint) from err


def line_of(text: str, keys: tuple[str | int, ...]) -> int | None:
    """Line (from 1) where the entry at the path `keys` stands, or the nearest table header above it; None if unknown."""
    best: int | None = None
    depth = 0
    table: tuple[str | int, ...] = ()
    counts: dict[tuple[str | int, ...], int] = {}
    for number, raw in enumerate(text.split("\n"), start=1):
        line = raw.strip()
        header = re.fullmatch(r"\[\[(.+?)\]\]\s*(?:#.*)?", line)
        if header:
            *above, last = _split_key(header[1])
            name = (*_in_arrays(above, counts), last)
            counts[name] = counts.get(name, -1) + 1
            table = (*name, counts[name])
        elif single := re.fullmatch(r"\[(.+?)\]\s*(?:#.*)?", line):
            table = _in_arrays(_split_key(single[1]), counts)
        elif entry := re.match(r"((?:[\w-]+|\"[^\"]*\"|'[^']*')(?:\s*\.\s*(?:[\w-]+|\"[^\"]*\"|'[^']*'))*)\s*=", line):
            here = (*table, *_split_key(entry[1]))
            if here == keys[: len(here)] or (len(table) < len(keys) and here[: len(keys)] == keys):
                return number
            continue
        else:
            continue
        into_it = table[: len(keys)] == keys and depth < len(keys)
        if into_it or table == keys[: len(table)]:
            best, depth = number, len(table)
    return best


def _in_arrays(keys: Sequence[str], counts: Mapping[tuple[str | int, ...], int]) -> tuple[str | int, ...]:
    """The path with the present entry of every array of tables on the way: "placement.yaw" is under the last [[placement]]."""
    out: tuple[str | int, ...] = ()
    for key in keys:
        out = (*out, key)
        if out in counts:
            out = (*out, counts[out])
    return out


def _split_key(text: str) -> tuple[str, ...]:
    parts = re.findall(r"\"([^\"]*)\"|'([^']*)'|([\w-]+)", text)
    return tuple(a or b or c for a, b, c in parts)


def _complaint(path: Path, text: str, model: type[BaseModel], err: ValidationError) -> str:
    faults = err.errors()
    lines = []
    for fault in faults[:MOST_TOLD]:
        below = getattr(fault.get("ctx", {}).get("error"), "keys", ())
        keys = tuple(key for key in (*fault["loc"], *below) if key != "[key]")
        number = line_of(text, keys)
        name = ".".join(str(key) or '""' for key in keys) or "file"
        where = f"{path}:{number}" if number else str(path)
        lines.append(f"{where}: {name}: {in_words(dict(fault), model)}")
    if len(faults) > MOST_TOLD:
        lines.append(f"{path}: and {len(faults) - MOST_TOLD} more of the kind")
    return "\n".join(lines)
