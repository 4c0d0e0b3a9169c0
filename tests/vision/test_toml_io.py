"""TOML files that people edit: where an entry stands, and files no person wrote."""

from __future__ import annotations

import pytest

from vision.errors import FileError
from vision.toml_io import MOST_BYTES, FileModel, line_of, read_toml

NESTED = """\
schema = "x/1"
[[placement]]
name = "a"
yaw = { value = 1.0 }
[placement.height]
value = 2.0
[[placement.mark]]
name = "one"
[[placement.mark]]
name = "two"
[placement.mark.left]
value = 3.0
[[placement]]
name = "b"
height.value = 4.0
[[placement.mark]]
name = "three"
"""


@pytest.mark.parametrize(
    ("keys", "line"),
    [
        (("schema",), 1),
        (("placement", 0, "name"), 3),
        (("placement", 0, "yaw", "value"), 4),
        (("placement", 0, "height", "value"), 6),
        (("placement", 0, "height", "unit"), 5),
        (("placement", 0, "mark", 0, "name"), 8),
        (("placement", 0, "mark", 1, "left", "value"), 12),
        (("placement", 1), 13),
        (("placement", 1, "height", "value"), 15),
        (("placement", 1, "mark", 0, "name"), 17),
        (("placement", 1, "mark", 0, "ahead"), 16),
        (("elsewhere",), None),
    ],
)
def test_the_line_of_an_entry_below_arrays_of_tables(keys, line):
    assert line_of(NESTED, keys) == line


def test_a_character_that_only_python_takes_for_a_line_end_does_not_shift_the_lines():
    assert line_of('note = "a\u2028b\x0bc"\nvalue = 1\n', ("value",)) == 2


class _Any(FileModel):
    schema_name: str


@pytest.mark.parametrize(
    ("content", "complaint"),
    [
        (b"b = 1\na = " + b"[" * 5000 + b"]" * 5000, ":2: not valid TOML: brackets nested hundreds deep"),
        (b"b = 1\na = " + b"9" * 10**6, ":2: not valid TOML: a whole number of thousands of digits"),
        (b"#" * (MOST_BYTES + 1), r": 2\.0 MB, no file that people edit is larger than 2 MB"),
        (b"\xff\xfea\x00", ":1: not a text file in UTF-8"),
        (b'a = 1\nb = "caf\xe9"', ":2: not a text file in UTF-8"),
        (b"a = 1\na = 2\n", ":2: not valid TOML: cannot overwrite a value"),
        (b"a = 1\r\n\r\nb = = 2\r\n", ":3: not valid TOML: invalid value"),
        (b"d = 2026-02-30\n", ":1: not valid TOML: invalid date or datetime"),
        (b'a = """never closed\n', ":2: not valid TOML"),
    ],
    ids=["nested", "digits", "huge", "utf-16", "latin", "twice", "windows", "date", "open"],
)
def test_a_file_no_person_wrote_is_refused_in_words(tmp_path, content, complaint):
    path = tmp_path / "odd.toml"
    path.write_bytes(content)
    with pytest.raises(FileError, match=rf"odd\.toml{complaint}") as caught:
        read_toml(path, _Any, "x/1")
    assert caught.value.hint


def test_a_folder_in_place_of_a_file_is_refused_with_a_hint(tmp_path):
    with pytest.raises(FileError, match="cannot be read") as caught:
        read_toml(tmp_path, _Any, "x/1")
    assert caught.value.hint in ("name the file in it", "see to the rights of the file")
