"""The two-person check of a placement sheet: a draft until somebody else has compared its numbers with the document.

The confirmation holds a fingerprint of everything the sheet says, notes and layout apart: a later edit makes it a draft again.
"""

from __future__ import annotations

import datetime
import hashlib
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import Table

from calib.paper.placements import UNCONFIRMED, Confirmation
from calib.paper.sheet_model import ConfirmedEntry
from calib.paper.sheet_sense import same_person
from vision.errors import FileError
from vision.toml_io import parsed, read_text, write_whole

CONFIRMED = "confirmed"
SHOWN = 16
"""Digits of the fingerprint that are kept: 64 bits, against slips, not against forgery."""


def fingerprint(doc: Mapping[str, Any]) -> str:
    """Of all a sheet says beside `[confirmed]`; notes, order of keys, and 5 instead of 5.0 make no difference."""
    contents = {key: _plain(value) for key, value in doc.items() if key != CONFIRMED}
    data = json.dumps(contents, sort_keys=True, ensure_ascii=False).encode()
    return hashlib.sha256(data).hexdigest()[:SHOWN]


def confirmation_of(entry: ConfirmedEntry | None, doc: Mapping[str, Any]) -> Confirmation:
    """Whether the sheet is confirmed as it now stands."""
    if entry is None:
        return UNCONFIRMED
    if entry.fingerprint != fingerprint(doc):
        words = f"draft: changed since {entry.by} confirmed it on {entry.date}; it has to be confirmed again"
        return Confirmation("draft", words, entry.by, entry.date)
    return Confirmation("confirmed", f"confirmed by {entry.by} on {entry.date}", entry.by, entry.date, tuple(entry.accepted))


def confirm(path: Path, by: str, date: datetime.date, accepted: Sequence[str] = ()) -> None:
    """Write who compared the sheet with its document into the file; everything else in it stays as it was typed.

    The sheet must have been read before (`read_sheets`).

    Raises
    ------
    FileError
        No name, or the name of the person who typed the sheet; the file cannot be written.
    """
    text = read_text(path)
    doc = parsed(path, text)
    typed_by = str(doc["provenance"]["typed_by"])
    if not any(letter.isalpha() for letter in by):
        raise FileError(f"{path}: no name of the person who confirms", hint='give it: --by "C. D."')
    if same_person(by, typed_by):
        raise FileError(
            f"{path}: {by.strip()} typed this sheet: another person must compare it with the document",
            hint="let somebody else read every number back from the document, and confirm with that name",
        )
    table = tomlkit.table()
    table.add("by", by.strip())
    table.add("date", date)
    table.add("fingerprint", fingerprint(doc))
    if accepted:
        table.add("accepted", list(accepted))
    written = _with_table(path, text, table)
    try:
        windows = b"\r\n" in path.read_bytes()
        write_whole(path, written.replace("\n", "\r\n") if windows else written)
    except OSError as err:
        raise FileError(f"{path}: cannot be written: {err.strerror or err}", hint="see to the rights of the folder") from err


def _with_table(path: Path, text: str, table: Table) -> str:
    """The text with the table in it; nothing else may have changed.

    Raises
    ------
    FileError
        The text cannot be edited without changing what it says.
    """
    hint = "write every table of the sheet in one place, as bayfix job new does, and confirm again"
    try:
        file = tomlkit.parse(text)
        if CONFIRMED in file:
            file[CONFIRMED] = table
        else:
            file.add(tomlkit.nl())
            file.add(CONFIRMED, table)
        written = tomlkit.dumps(file)
    except TOMLKitError as err:
        raise FileError(f"{path}: cannot be edited: {err}", hint=hint) from err
    if fingerprint(parsed(path, written)) != fingerprint(parsed(path, text)):
        raise FileError(f"{path}: cannot be edited without changing what it says", hint=hint)
    return written


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _plain(part) for key, part in value.items()}
    if isinstance(value, list):
        return [_plain(part) for part in value]
    if isinstance(value, int) and not isinstance(value, bool):
        return float(value)
    return value if isinstance(value, bool | float | str) else str(value)
