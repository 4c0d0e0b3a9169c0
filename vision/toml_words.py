"""What is wrong with an entry of a file that people edit, in their words: no Python, no pattern, what to write instead."""

from __future__ import annotations

import datetime
import difflib
import typing
from collections.abc import Iterator, Sequence
from typing import Any

from pydantic import BaseModel

CLOSE = 0.7
"""Names more alike than this are one, misspelt (`difflib`'s ratio)."""
MOST_SHOWN = 60


def in_words(fault: dict[str, Any], model: type[BaseModel]) -> str:
    """One of pydantic's complaints about an entry of `model`, lower case, without a full stop."""
    kind, message, given = str(fault["type"]), str(fault["msg"]), fault["input"]
    name = next((str(key) for key in reversed(fault["loc"]) if isinstance(key, str)), "")
    match kind:
        case "extra_forbidden":
            return f"unknown key{_known(name, keys_at(model, fault['loc'][:-1]))}"
        case "missing":
            return "this key is missing"
        case "model_type" | "dict_type" if isinstance(given, list):
            return f"stands here once: [{name}], with single brackets"
        case "model_type" | "dict_type":
            return f"should be a table of keys, not {shown(given)}"
        case "list_type" if isinstance(given, dict):
            return f"may stand here more than once: [[{name}]], with double brackets"
        case "list_type" | "tuple_type":
            return f"should be a list in square brackets, not {shown(given)}"
        case "string_type":
            return f"should be a text in quotes, not {shown(given)}"
        case "date_type" | "date_from_datetime_inexact":
            return f"input should be a valid date, without quotes and year first (2026-01-31), not {shown(given)}"
        case "too_short" if "actual_length" in fault.get("ctx", {}):
            return f"is a list of {fault['ctx']['actual_length']}, at least {fault['ctx']['min_length']} needed"
        case "value_error":
            return message.removeprefix("Value error, ")
    return f"{message[0].lower()}{message[1:]}, not {shown(given)}"


def shown(given: object) -> str:
    """A value as it stands in TOML, cut where it is long."""
    if isinstance(given, bool):
        return str(given).lower()
    text = given.isoformat() if isinstance(given, datetime.date | datetime.time) else repr(given)
    return text if len(text) <= MOST_SHOWN else f"{text[:MOST_SHOWN]}…"


def keys_at(model: type[BaseModel], loc: Sequence[str | int]) -> list[str]:
    """Keys that may stand in the table at the path `loc` of a file."""
    at = [model]
    for key in loc:
        below = [part for one in at for part in _below(one, key)]
        at = below or at  # a place in a list, or a name that the shop chose, leads nowhere else
    return [field.alias or name for one in at for name, field in one.model_fields.items()]


def _below(model: type[BaseModel], key: str | int) -> Iterator[type[BaseModel]]:
    for name, field in model.model_fields.items():
        if key in (name, field.alias):
            yield from _models_in(field.annotation)


def _models_in(annotation: object) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in typing.get_args(annotation):
        yield from _models_in(part)


def _known(name: str, known: Sequence[str]) -> str:
    close = difflib.get_close_matches(name, known, n=1, cutoff=CLOSE)
    return f": is it {close[0]}?" if close else f"; known here: {', '.join(known)}"
