"""Every wrong sheet of a table, through the command: one clear message with file, line and key, and nothing written.

Texts are the good sheets of `tests.support.sheet_texts` with one thing spoiled.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import pytest

from tests.support.commands import bayfix, nothing_written, refused
from tests.support.sheet_texts import MANY, ONE


@dataclass(frozen=True)
class Bad:
    """A good text, what is replaced in it (the first time it stands there), and what must be complained of."""

    name: str
    complaint: str
    old: str = ""
    new: str = ""
    text: str = ONE

    @property
    def data(self) -> bytes:
        assert self.old in self.text, self.old
        return self.text.replace(self.old, self.new, 1).encode()


MARKS = """[[placement]]
name = "mat"
target = "mat"
kind = "mat"
[[placement.mark]]
name = "a"
ahead = { value = 500, unit = "mm", tolerance = 5 }
left = { value = 1500, unit = "mm", tolerance = 8 }
[[placement.mark]]
name = "b"
ahead = { value = -500, unit = "mm" }
left = { value = 1500, unit = "mm" }

[provenance]"""
MAT = MANY.replace("[provenance]", MARKS)
POINTS = "[points.a]\nbetween = [{}]\n[points.b]\nbetween = [{}]\n\n[[placement]]"

MISSING = [
    Bad("no schema", r"sheet\.toml: no schema key, this version reads 'placement-sheet/1'", 'schema = "placement-sheet/1"\n'),
    Bad("no target", r"sheet\.toml: target: this key is missing", 'target = "front camera panel"\n'),
    Bad("empty target", r":3: target: is empty: fill it in", '"front camera panel"', '" "'),
    Bad("no origin", r"sheet\.toml: origin: this key is missing", 'origin = "front-axle"\n'),
    Bad("no value", r":8: distance\.value: this key is missing", "value = 2600.0   # a note at the end\n"),
    Bad("no unit", r':9: distance\.value: has no unit: write unit = "mm" beside it', 'unit = "mm"\n'),
    Bad("no provenance", r"sheet\.toml: provenance: this key is missing", ONE[ONE.index("[prov") :]),
    Bad("no typist", r":18: provenance\.typed_by: this key is missing", 'typed_by = "A. B."\n'),
    Bad("no figure", r"sheet\.toml: file: no value at all: give at least one", ONE[ONE.index("[dist") : ONE.index("[prov")]),
    Bad(
        "no placement",
        r":1: schema: .*'placement-sheet/2' has no \[\[placement\]\]",
        MANY[MANY.index("[[") : MANY.index("[prov")],
        text=MANY,
    ),
    Bad("no name", r":7: placement\.0\.name: this key is missing", 'name = "camera-low"\n', text=MANY),
    Bad("no side anywhere", r":6: placement\.0\.side: this key is missing, here and at the top", 'side = "ahead"\n', text=MANY),
    Bad(
        "one mark",
        r":35: placement\.3: 1 marks, a mat is placed by two or more",
        MARKS[MARKS.index('[[placement.mark]]\nname = "b"') : MARKS.index("[prov")],
        text=MAT,
    ),
    Bad(
        "a figure that applies is not given",
        r":10: placement\.0\.applies: roll applies to this target, but its value is not",
        "size =",
        'applies = ["distance", "lateral", "height", "yaw", "roll"]\nsize =',
        MANY,
    ),
]
MISSPELT = [
    Bad("key", r":11: distance\.tolerence: unknown key", "tolerance", "tolerence"),
    Bad("table", r":13: hight: unknown key", "[height]", "[hight]"),
    Bad(
        "inline key",
        r":11: placement\.0\.distance\.vaule: unknown key",
        "{ value = 2600.0, unit",
        "{ vaule = 1.0, value = 2600.0, unit",
        MANY,
    ),
    Bad(
        "single brackets",
        r":7: placement: may stand here more than once: \[\[placement\]\], with double brackets",
        "[[placement]]",
        "[placement]",
        MANY[: MANY.index('[[placement]]\nname = "camera-high"')] + MANY[MANY.index("[prov") :],
    ),
    Bad("origin", r":4: origin: input should be 'front-axle', .* not 'front-axel'", "front-axle", "front-axel"),
    Bad("line", r":5: line: input should be 'thrust', 'centreline' or two places .* not 'trust'", '"thrust"', '"trust"'),
    Bad("side", r":6: side: input should be 'ahead' or 'behind', not 'in front'", '"ahead"', '"in front"'),
    Bad(
        "kind",
        r":27: placement\.2\.kind: input should be 'panel', 'reflector' or 'mat', not 'reflektor'",
        '"reflector"',
        '"reflektor"',
        MANY,
    ),
    Bad("another kind of file", r":1: schema: 'stand/1', this version reads", "placement-sheet/1", "stand/1"),
    Bad("schema", r"sheet\.toml:1: schema: 'placement-sheat/1', this version reads", "placement-sheet/1", "placement-sheat/1"),
    Bad("the model's own name of a key", r":2: schema_name: unknown key", "# a note", 'schema_name = "placement-sheet/1"'),
    Bad(
        "figure that applies",
        r":10: placement\.0\.applies\.1: input should be 'distance', .* not 'hight'",
        "size =",
        'applies = ["distance", "hight"]\nsize =',
        MANY,
    ),
]
UNITS = [
    Bad(
        "unknown unit",
        r":10: distance\.unit: input should be 'mm', 'cm', 'm' or 'in', not 'inch'",
        'unit = "mm"',
        'unit = "inch"',
    ),
    Bad(
        "angle in mm",
        r":14: placement\.0\.yaw\.unit: input should be 'deg' or 'min', not 'mm'",
        'yaw = { value = 0.0, unit = "deg"',
        'yaw = { value = 0.0, unit = "mm"',
        MANY,
    ),
    Bad(
        "unit of another kind in a text",
        r":9: distance\.value: unknown unit 'deg': a length is given in",
        "2600.0",
        '"2600 deg"',
    ),
    Bad("decimal comma", r":9: distance\.value: '2600,5 mm' is not understood", "2600.0", '"2600,5 mm"'),
    Bad("number as text", r":11: distance\.tolerance: '10' is not understood", "10.0", '"10"'),
    Bad(
        "sixty minutes",
        r":14: placement\.0\.yaw\.tolerance: '0 deg 90 min' has sixty minutes or more",
        "tolerance = 0.5",
        'tolerance = "0 deg 90 min"',
        MANY,
    ),
    Bad("an odd fraction", r":9: distance\.value: '102 3/7 in' is not understood", "2600.0", '"102 3/7 in"'),
    Bad("unit that is a number", r":10: distance\.unit: input should be 'mm', .* not 1", 'unit = "mm"', "unit = 1"),
]
RANGE = [
    Bad(
        "negative distance",
        r":9: distance\.value: -2600 mm is outside .*: positive also behind the car",
        "2600.0",
        "-2600.0",
    ),
    Bad("inches taken for mm", r":9: distance\.value: 66040 mm is outside 0 to 20000 mm", 'unit = "mm"', 'unit = "in"'),
    Bad(
        "pitch past lying",
        r":14: placement\.0\.pitch\.value: 85 deg is outside -80 to 80 deg",
        "yaw = { value = 0.0",
        "pitch = { value = 85.0",
        MANY,
    ),
    Bad("negative tolerance", r":11: distance\.tolerance: -10 is no tolerance: a half-width larger than zero", "10.0", "-10.0"),
    Bad("no tolerance at all", r":11: distance\.tolerance: 0 is no tolerance", "10.0", "0.0"),
    Bad(
        "lower above zero",
        r":30: .*distance\.lower: 5 is no lower limit of the error: zero or negative",
        "lower = -5.0",
        "lower = 5.0",
        MANY,
    ),
    Bad(
        "a floor limit of zero",
        r":2: floor\.pitch\.most: 0 deg is no limit",
        "# a note",
        'floor.pitch = { most = 0, unit = "deg" }',
    ),
    Bad(
        "a target of 12 m",
        r":10: placement\.0\.size\.width: a width of 12000 mm is no size of a target",
        "width = 1200.0",
        "width = 12000.0",
        MANY,
    ),
]
CONTRADICTORY = [
    Bad(
        "tolerance and limits",
        r":8: distance: give either tolerance, or lower and upper, not both",
        "= 10.0",
        "= 10.0\nupper = 5.0",
    ),
    Bad("no room between limits", r":8: distance: lower and upper leave no room", "tolerance = 10.0", "lower = 0\nupper = 0"),
    Bad(
        "target in the floor",
        r":13: placement\.0\.height\.value: a target 800 mm high with its centre at 300 mm would stand in",
        "1250.0",
        "300.0",
        MANY,
    ),
    Bad(
        "below its clearance",
        r":14: placement\.0\.height\.value: leaves 850 mm under the target, the clearance asks for 900 mm",
        "size =",
        'clearance = { floor = { least = 900, unit = "mm" } }\nsize =',
        MANY,
    ),
    Bad(
        "height from without a height",
        r":28: .*height_from: height_from without a height",
        'kind = "reflector"',
        'kind = "panel"\nheight_from = "wheels"',
        MANY.replace('height = { value = 650.0, unit = "mm", tolerance = 10.0 }\n', ""),
    ),
    Bad(
        "figures of a mat",
        r":39: placement\.3\.yaw: a mat has no yaw",
        'kind = "mat"',
        'kind = "mat"\nyaw = { value = 0, unit = "deg" }',
        MAT,
    ),
    Bad(
        "marks of a panel",
        r":39: placement\.3\.mark: marks are for a mat on the floor, this is a panel",
        'kind = "mat"',
        'kind = "panel"',
        MAT,
    ),
    Bad(
        "marks on one spot",
        r":43: placement\.3\.mark\.1: mark b would lie where mark a lies",
        "value = -500",
        "value = 500",
        MAT,
    ),
    Bad(
        "confirmed by the typist",
        r":24: confirmed\.by: a b typed this sheet",
        'typed_by = "A. B."',
        'typed_by = "A. B."\n[confirmed]\nby = "a b"\ndate = 2026-02-01\nfingerprint = "0"',
    ),
    Bad(
        "a schema for one with several",
        r":1: schema: a sheet of schema 'placement-sheet/1' has room for one placement",
        "placement-sheet/2",
        "placement-sheet/1",
        MANY,
    ),
]
NAMES = [
    Bad(
        "two placements of a name",
        r":17: placement\.1\.name: 'camera-low' is the name of an earlier",
        "camera-high",
        "camera-low",
        MANY,
    ),
    Bad(
        "two marks of a name",
        r":44: placement\.3\.mark\.1\.name: 'a' is the name of an earlier mark",
        'name = "b"',
        'name = "a"',
        MAT,
    ),
    Bad(
        "one board twice",
        r":10: placement\.0\.target_boards: board x is named twice",
        "size =",
        'target_boards = ["x", "x"]\nsize =',
        MANY,
    ),
    Bad("a name with blanks", r":17: placement\.1\.name: 'camera high' is no name", "camera-high", "camera high", MANY),
    Bad(
        "with nobody",
        r":10: placement\.0\.with: there is no placement 'cam' on this sheet",
        "size =",
        'with = "cam"\nsize =',
        MANY,
    ),
    Bad(
        "with itself",
        r":10: placement\.0\.with: a placement stands with another one",
        "size =",
        'with = "camera-low"\nsize =',
        MANY,
    ),
    Bad("a hidden character", r":3: target: holds a character that is not shown \(U\+001B\)", "front camera", r"\u001b[2J"),
    Bad("letters turned about", r":3: target: holds a character that is not shown \(U\+202E\)", "front camera", "\u202e18"),
    Bad(
        "a name of other capitals",
        r":17: placement\.1\.name: 'Camera-Low' and 'camera-low' differ in capitals alone",
        "camera-high",
        "Camera-Low",
        MANY,
    ),
    Bad("a point of no name", r":4: origin: .* not 'point:'", "front-axle", "point:"),
    Bad(
        "points in a circle",
        r":8: points\.a\.between: goes round in a circle: a -> b -> a",
        "[[placement]]",
        POINTS.format('"point:b", "point:c"', '"point:a", "point:d"'),
        MANY,
    ),
    Bad(
        "a point of itself",
        r":8: points\.a\.between: goes round in a circle: a -> a",
        "[[placement]]",
        POINTS.format('"point:a", "point:c"', '"point:c", "point:d"'),
        MANY,
    ),
    Bad(
        "a line through one point",
        r":5: line: a line runs through two places, 'point:a' is named twice",
        '"thrust"',
        '["point:a", "point:a"]',
    ),
    Bad(
        "a line between the same middles",
        r":4: line: 'point:a' and 'point:b' are the same place",
        '"thrust"',
        '["point:a", "point:b"]',
        MANY.replace("[[placement]]", POINTS.format('"point:x", "point:y"', '"point:y", "point:x"'), 1),
    ),
    Bad(
        "a mark that is measured twice",
        r":45: placement\.3\.mark\.1\.at: 'point:a' is measured for mark a already",
        'name = "b"',
        'name = "b"\nat = "point:a"',
        MAT,
    ),
]
HOSTILE = [
    Bad("not a number", r":9: distance\.value: should be a finite number, not nan", "2600.0", "nan"),
    Bad("infinite", r":11: distance\.tolerance: should be a finite number, not inf", "10.0", "inf"),
    Bad("true", r":9: distance\.value: should be a number, or a text .* not true", "2600.0", "true"),
    Bad("a date for a number", r":9: distance\.value: should be a number, .* not 2026-01-31", "2600.0", "2026-01-31"),
    Bad("a table for a number", r":9: distance\.value: should be a number, .* not \{'a': 1\}", "2600.0", "{ a = 1 }"),
    Bad(
        "a number for a table",
        r":8: distance: should be a table of keys, not 2600\.0",
        '[distance]\nvalue = 2600.0   # a note at the end\nunit = "mm"\ntolerance = 10.0\n',
        "distance = 2600.0\n",
    ),
    Bad(
        "a number for the placements",
        r":7: placement: should be a list in square brackets, not 5",
        MANY[MANY.index("[[") : MANY.index("[prov")],
        "placement = 5\n",
        MANY,
    ),
    Bad(
        "a time for a date",
        r":21: provenance\.date_read: .* without quotes .* not 2026-01-31T",
        "2026-01-31",
        "2026-01-31T08:00:00",
    ),
    Bad("a text for a date", r":21: provenance\.date_read: input should be a valid date", "2026-01-31", '"January"'),
    Bad("a day that is none", r":21: not valid TOML: invalid date or datetime", "2026-01-31", "2026-02-30"),
    Bad("nested deep", r":2: not valid TOML: brackets nested hundreds deep", "# a note", f"x = {'[' * 3000}{']' * 3000}"),
    Bad("nested deep in tables", r":2: x: unknown key", "# a note", "x = " + "{ a = " * 60 + "1" + " }" * 60),
    Bad("a million digits", r":9: not valid TOML: a whole number of thousands of digits", "2600.0", "9" * 10**6),
    Bad("four hundred digits", r":9: distance\.value: is larger than any length or angle", "2600.0", "9" * 400),
    Bad("a huge number", r":9: distance\.value: is larger than any length or angle", "2600.0", "1e300"),
    Bad("a huge file", r"sheet\.toml: 3\.0 MB, no file that people edit is larger than 2 MB", "# a note", "#" * 3_000_000),
    Bad("a key twice", r":10: not valid TOML: cannot overwrite a value", "value = 2600.0", "value = 1.0\nvalue = 2600.0"),
    Bad("a table twice", r":18: not valid TOML: cannot declare distance twice", "[provenance]", "[distance]\n[provenance]"),
    Bad("a dotted key into a table", r":8: not valid TOML: cannot declare distance twice", "# a note", "distance.value = 1.0"),
    Bad("a dotted key into a text", r":8: not valid TOML: cannot", "[distance]", "origin.x = 1\n[distance]"),
    Bad("a quoted dotted key", r":2: distance\.value: unknown key", "# a note", '"distance.value" = 1.0'),
    Bad("an empty key", r":2: .*unknown key", "# a note", '"" = 1.0'),
    Bad("a text that never ends", r":23: not valid TOML: ", "# a note", 'x = """'),
    Bad("a null character", r":2: not valid TOML: ", "# a note", "# a \0 note"),
    Bad("a letter of another script", r":6: side: input should be 'ahead' or 'behind', not 'аhead'", '"ahead"', '"аhead"'),
    Bad("a byte order mark inside", r":2: not valid TOML: ", "# a note", "\ufefftarget2 = 1"),
    Bad("a minus that is none", r":9: not valid TOML: ", "2600.0", "−2600.0"),
    Bad(
        "a number for a name", r":9: placement\.0\.target: should be a text in quotes, not 7", '"front camera panel"', "7", MANY
    ),
]
TABLE = [*MISSING, *MISSPELT, *UNITS, *RANGE, *CONTRADICTORY, *NAMES, *HOSTILE]


def test_the_table_is_as_long_as_it_should_be_and_no_row_stands_twice():
    assert len(TABLE) >= 40
    assert len({bad.name for bad in TABLE}) == len({bad.data for bad in TABLE}) == len(TABLE)


@pytest.mark.parametrize("bad", TABLE, ids=lambda bad: bad.name)
def test_a_wrong_sheet_is_one_message_with_file_line_and_key(tmp_path, bad):
    path = tmp_path / "sheet.toml"
    path.write_bytes(bad.data)
    with nothing_written(tmp_path):
        words = refused("sheet", "show", path)
    what, hint = words.rstrip("\n").split("\ntry: ")
    assert "\n" not in what, what
    assert len(what) - len(str(path)) < 400, what
    complaint = bad.complaint if bad.complaint.startswith("sheet") else rf"sheet\.toml{bad.complaint}"
    assert re.search(complaint, what), what
    assert hint


@pytest.mark.parametrize("data", [b"\xff\xfes\x00c\x00h\x00", b'schema = "placement-sheet/1"\ntarget = "caf\xe9"\n'])
def test_a_sheet_in_another_encoding(tmp_path, data):
    path = tmp_path / "sheet.toml"
    path.write_bytes(data)
    assert re.search(r"sheet\.toml:[12]: not a text file in UTF-8", refused("sheet", "show", path))


@pytest.mark.parametrize("spoil", [lambda d: b"\xef\xbb\xbf" + d, lambda d: d.replace(b"\n", b"\r\n")], ids=["mark", "windows"])
def test_a_sheet_saved_by_a_windows_editor_is_read(tmp_path, spoil):
    path = tmp_path / "sheet.toml"
    path.write_bytes(spoil(MANY.encode()))
    assert bayfix("sheet", "show", path).status == 0


def test_lines_are_named_right_in_a_file_from_windows(tmp_path):
    path = tmp_path / "sheet.toml"
    path.write_bytes(ONE.replace('"ahead"', '"in front"').replace("\n", "\r\n").encode())
    assert "sheet.toml:6: side: " in refused("sheet", "show", path)


def test_a_folder_and_a_file_that_is_not_there(tmp_path):
    assert "no such file" in refused("sheet", "show", tmp_path / "none.toml")
    (tmp_path / "folder.toml").mkdir()
    assert "folder.toml: cannot be read" in bayfix("sheet", "show", tmp_path / "folder.toml").err
