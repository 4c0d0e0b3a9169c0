"""The JSON Schema of placement sheets, for editors that complete keys and underline slips while a sheet is typed.

Made from the models that read the sheets; what entries must be together (`sheet_sense`) only the reading itself finds.
"""

from __future__ import annotations

import json
from typing import Any

from pydantic import TypeAdapter

from calib.paper.sheet_model import SheetFile, SheetsFile


def sheet_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of a sheet of either kind."""
    adapter: TypeAdapter[SheetFile | SheetsFile] = TypeAdapter(SheetFile | SheetsFile)
    made = _as_toml(adapter.json_schema(by_alias=True))
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "bayfix placement sheet",
        "description": "Where targets must stand, from which origin, along which line, within which limits.",
        **made,
    }


def schema_text() -> str:
    """As it is printed and kept."""
    return json.dumps(sheet_schema(), indent=2, ensure_ascii=False) + "\n"


def _as_toml(node: Any) -> Any:
    """Without null, which TOML has not, and without titles that only repeat a key's name."""
    if isinstance(node, list):
        return [_as_toml(part) for part in node]
    if not isinstance(node, dict):
        return node
    out = {key: _as_toml(part) for key, part in node.items() if not (key == "title" and isinstance(part, str))}
    if out.get("default", 0) is None:
        del out["default"]
    if "patternProperties" in out:
        out["additionalProperties"] = False
    choices = [part for part in out.pop("anyOf", []) if part != {"type": "null"}]
    if len(choices) == 1:
        return {**choices[0], **out}
    return {**out, "anyOf": choices} if choices else out
