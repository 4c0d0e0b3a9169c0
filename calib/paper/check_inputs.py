"""What was typed or taught that a check was computed from, as fingerprints: its record keeps them, a status compares them.

Photos and touches are not among them: they are what was seen, and a new one does not make an old one wrong.
"""

from __future__ import annotations

import dataclasses
import datetime
import enum
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

UNREADABLE = ""
"""In place of the fingerprint of a file that cannot be read now."""

CARRIER, BOARDS, ENTRIES = "carrier", "boards", "entries"
"""Kinds: the stand or mat file; what the boards' file says of the boards used; which boards stand where, by `job.toml`."""


@dataclass(frozen=True, slots=True)
class CheckInput:
    """One file, or one part of `job.toml` or the sheet.

    Attributes
    ----------
    kind : str
        What it is to the check: "carrier", "boards", "lens phone" …; once in each check.
    named : str
        How people are told of it: "stand.toml".
    sha256 : str
        First digits of the fingerprint of what it says (not of how it is written); `UNREADABLE`.
    """

    kind: str
    named: str
    sha256: str


def fingerprint(*said: object) -> str:
    """Of what was read: a value left at its default, a comment or the order of keys changes nothing.

    A later version that gives these classes new fields leaves the fingerprints of older files as they were.
    """
    text = json.dumps([_plain(one) for one in said], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _plain(said: Any) -> Any:
    if dataclasses.is_dataclass(said) and not isinstance(said, type):
        given = {field.name: (_plain(getattr(said, field.name)), field.default) for field in dataclasses.fields(said)}
        return {name: value for name, (value, default) in given.items() if value != _plain(default)}
    if isinstance(said, Mapping):
        return {str(key): _plain(value) for key, value in said.items()}
    if isinstance(said, (list, tuple)):
        return [_plain(one) for one in said]
    if isinstance(said, enum.Enum):
        return said.value
    if isinstance(said, (str, int, float, bool, type(None))):
        return said
    if isinstance(said, datetime.date):
        return said.isoformat()
    if hasattr(said, "tolist"):
        return said.tolist()
    if said is dataclasses.MISSING:
        return {"no default": True}
    raise TypeError(f"no fingerprint of {type(said).__name__}")


def input_documents(inputs: Sequence[CheckInput]) -> list[dict[str, str]]:
    """Rows of a check's `inputs`."""
    return [dataclasses.asdict(one) for one in inputs]


def changed_inputs(check: Mapping[str, Any], now: Sequence[CheckInput]) -> tuple[str, ...]:
    """What a check was computed from and is otherwise now, in words; empty also where its record does not say it."""
    present = {one.kind: one for one in now}
    changed = {
        then.kind: _happened(then, present.get(then.kind))
        for then in (CheckInput(**row) for row in check.get("inputs", ()))
        if not _says_the_same(then, present.get(then.kind))
    }
    if changed.keys() & {CARRIER, ENTRIES}:  # these name the boards: others are no change of the boards' file
        changed.pop(BOARDS, None)
    told: dict[str, list[str]] = {}
    for what, happened in changed.values():
        told.setdefault(happened, []).append(what)
    return tuple(f"{' and '.join(names)} {happened}" for happened, names in told.items())


def _says_the_same(then: CheckInput, now: CheckInput | None) -> bool:
    return now is not None and now.sha256 == then.sha256 != UNREADABLE


def _happened(then: CheckInput, now: CheckInput | None) -> tuple[str, str]:
    if now is None:
        return then.named, "not in this job any more"
    if now.sha256 == UNREADABLE:
        return now.named, "cannot be read any more"
    if now.named != then.named:
        return now.named, f"took the place of {then.named} since this check"
    return now.named, "changed since this check"


def says_inputs(check: Mapping[str, Any]) -> bool:
    """Whether a check's record says what it was computed from; earlier versions did not note it."""
    return "inputs" in check
