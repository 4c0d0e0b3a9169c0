"""The JSON Schema that editors use: the kept copy is current, it takes good sheets and finds what an editor can find."""

from __future__ import annotations

import datetime
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest

import calib.paper
from calib.paper.sheet_schema import schema_text, sheet_schema
from tests.support.documents import blocks
from tests.support.sheet_texts import MANY, ONE

KEPT = Path(calib.paper.__file__).parent / "placement-sheet.schema.json"


def as_editors_see_it(value: Any) -> Any:
    """TOML's dates are text to a JSON Schema."""
    if isinstance(value, dict):
        return {key: as_editors_see_it(part) for key, part in value.items()}
    if isinstance(value, list):
        return [as_editors_see_it(part) for part in value]
    return value.isoformat() if isinstance(value, datetime.date) else value


def faults(text: str) -> list[str]:
    validator = jsonschema.Draft202012Validator(sheet_schema(), format_checker=jsonschema.FormatChecker())
    return [error.message for error in validator.iter_errors(as_editors_see_it(tomllib.loads(text)))]


def test_the_kept_copy_is_current():
    """When this fails: bayfix sheet schema > calib/paper/placement-sheet.schema.json"""
    assert KEPT.read_text(encoding="utf-8") == schema_text()


def test_it_is_a_schema():
    jsonschema.Draft202012Validator.check_schema(sheet_schema())


def shown() -> list[str]:
    texts = [block.text for block in blocks("DEVELOPERS.md", "toml")]
    return [text for text in texts if "placement-sheet/" in text]


@pytest.mark.parametrize("text", [ONE, MANY, *shown()])
def test_a_good_sheet_has_no_fault(text):
    assert faults(text) == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("tolerance = 10.0", "tolerence = 10.0"),
        ('unit = "mm"', 'unit = "ft"'),
        ("value = 2600.0", "value = true"),
        ("value = 2600.0", 'value = "2600 deg"'),
        ("tolerance = 0.5", 'tolerance = "30 minutes"'),
        ('side = "behind"', 'side = "left"'),
        ('origin = "rear-axle"', 'origin = "bumper"'),
        ('line = "thrust"', 'line = ["point:a", "point:a"]'),
        ('name = "camera-low"\n', ""),
        ('typed_by = "A. B."', 'typed_by = " "'),
        ("date_read = 2026-01-31", 'date_read = "January"'),
        ("placement-sheet/2", "placement-sheet/3"),
        ("[[placement]]", "[points.'a b']\nbetween = ['point:a', 'point:b']\n[[placement]]"),
    ],
)
def test_an_editor_finds_a_slip(old, new):
    assert old in MANY
    assert faults(MANY.replace(old, new, 1))
