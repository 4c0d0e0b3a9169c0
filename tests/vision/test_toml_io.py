"""TOML files that people edit: where an entry stands, and files no person wrote."""

from __future__ import annotations

import datetime
import time
from typing import Annotated, Self

import pytest
from pydantic import Field, model_validator

from vision.errors import FileError
from vision.toml_io import MOST_BYTES, EntryError, FileModel, line_of, read_toml

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
        (("placement",), 2),
        (("placement", 1, "height"), 15),
        (("elsewhere",), None),
        ((), None),
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


class _Part(FileModel):
    name: str = ""
    length_mm: float = 0.0
    beside: Annotated[str, Field(alias="with")] = ""


class _Kit(FileModel):
    schema_name: str = Field(alias="schema")
    part: list[_Part] = []
    shelf: dict[str, _Part] = {}
    box: _Part | None = None
    bought: datetime.date | None = None

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        names = [part.name for part in self.part]
        for i, name in enumerate(names):
            if name in names[:i]:
                raise EntryError(f"{name} is there already", "part", i, "name")
        return self


@pytest.mark.parametrize(
    ("entries", "complaint"),
    [
        ("[[part]]\nlenght_mm = 3.0", r":3: part\.0\.lenght_mm: unknown key: is it length_mm\?"),
        ("[shelf.a]\nwhith = ''", r":3: shelf\.a\.whith: unknown key: is it with\?"),
        ("[box]\ncolour = 1", ":3: box.colour: unknown key; known here: name, length_mm, with"),
        ("[[parts]]\nname = 'a'", r":2: parts: unknown key: is it part\?"),
        ("[part]\nname = 'a'", r":2: part: may stand here more than once: \[\[part\]\], with double brackets"),
        ("[[box]]\nname = 'a'", r":2: box: stands here once: \[box\], with single brackets"),
        ("part = 5", ":2: part: should be a list in square brackets, not 5"),
        ("box = 2026-01-31", ":2: box: should be a table of keys, not 2026-01-31"),
        ("[box]\nname = true", r":3: box\.name: should be a text in quotes, not true"),
        ("bought = '31.01.2026'", r":2: bought: .* without quotes and year first \(2026-01-31\), not '31\.01\.2026'"),
        ("bought = 2026-01-31T12:00:00Z", r":2: bought: .* without quotes .*, not 2026-01-31T12:00:00\+00:00"),
        ("[box]\nlength_mm = '" + "9" * 99 + "'", r":3: box\.length_mm: .*, not '9{59}…"),
        ("[[part]]\nname = 'a'\n[[part]]\nname = 'a'", r":5: part\.1\.name: a is there already"),
    ],
)
def test_a_wrong_entry_is_named_in_the_words_of_the_file(tmp_path, entries, complaint):
    path = tmp_path / "kit.toml"
    path.write_text(f'schema = "kit/1"\n{entries}\n', encoding="utf-8")
    with pytest.raises(FileError, match=rf"kit\.toml{complaint}"):
        read_toml(path, _Kit, "kit/1")


@pytest.mark.parametrize(
    ("first", "complaint", "hint"),
    [
        ("", "kit.toml: no schema key", 'put schema = "kit/1" in the first line'),
        ('schema = "kitt/1"', "kit.toml:1: schema: 'kitt/1', this", 'put schema = "kit/1" in the first line'),
        ('schema = "kit/2"', "kit.toml:1: schema: 'kit/2', this", "a newer bayfix reads it: install that one"),
        ('schema = "stand/1"', "kit.toml:1: schema: 'stand/1', this", "this is another kind of file: check its name"),
    ],
)
def test_a_file_of_another_schema_is_not_taken_for_this_one(tmp_path, first, complaint, hint):
    path = tmp_path / "kit.toml"
    path.write_text(f"{first}\n", encoding="utf-8")
    with pytest.raises(FileError, match=complaint) as caught:
        read_toml(path, _Kit, "kit/1")
    assert caught.value.hint == hint


def test_thousands_of_wrong_keys_are_told_in_short_and_at_once(tmp_path):
    path = tmp_path / "kit.toml"
    path.write_text('schema = "kit/1"\n' + "".join(f"k{i} = {i}\n" for i in range(20_000)), encoding="utf-8")
    start = time.process_time()
    with pytest.raises(FileError, match="kit.toml: and 19980 more of the kind") as caught:
        read_toml(path, _Kit, "kit/1")
    assert len(str(caught.value).splitlines()) <= 22
    assert time.process_time() - start < 5.0  # half a second; with the line of every fault it took minutes
