"""What changed between two editions: normalised units, limits, sides, placements that came and went."""

from __future__ import annotations

import pytest

from calib.paper.sheet import read_sheets
from calib.paper.sheet_diff import changes
from calib.paper.sheet_document import sheet_document
from cli.sheet_diff_words import change_in_words
from tests.support.sheet_texts import MANY, ONE


def words(tmp_path, old: str, new: str) -> list[str]:
    documents = []
    for name, text in (("old", old), ("new", new)):
        (tmp_path / f"{name}.toml").write_text(text, encoding="utf-8")
        documents.append(sheet_document(read_sheets(tmp_path / f"{name}.toml")))
    return [change_in_words(change) for change in changes(*documents)]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('2600.0, unit = "mm", tolerance = 10.0', '260, unit = "cm", tolerance = 1.0'),
        ('2600.0, unit = "mm", tolerance = 10.0', '2.6, unit = "m", lower = "-10 mm", upper = "1 cm"'),
        ("tolerance = 0.5", 'tolerance = "30 min"'),
        ("# a note", "# another note"),
    ],
)
def test_the_same_in_other_words_is_no_change(tmp_path, old, new):
    assert old in MANY
    assert words(tmp_path, MANY, MANY.replace(old, new)) == []


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("value = 1450.0", "value = 1455.5", ["camera-high: height 1450 -> 1455.5 mm (+5.5 mm)"]),
        ("tolerance = 0.5", "lower = -0.2", ["camera-low: yaw: tolerance ±0.5 deg -> tolerance error at least -0.2 deg"]),
        (", tolerance = 1.0", "", ["radar-rear-left: yaw: tolerance ±1 deg -> not judged"]),
        ("upper = 8.0", "upper = 9.0", ["radar-rear-left: distance: tolerance -5 … +8 mm -> tolerance -5 … +9 mm"]),
        ('side = "behind"', 'side = "ahead"', ["radar-rear-left: side: behind -> ahead"]),
        ('origin = "rear-axle"', 'origin = "point:sill"', ["radar-rear-left: origin: rear axle -> touched point sill"]),
        (
            'kind = "reflector"',
            'kind = "reflector"\nline = ["point:a", "board:floor-1"]',
            ["radar-rear-left: line: thrust line -> line through touched point a and mark of floor-1"],
        ),
        (
            'kind = "reflector"',
            'kind = "reflector"\nwith = "camera-low"\ntarget_boards = ["r-1"]',
            ["radar-rear-left: with: none -> camera-low", "radar-rear-left: target boards: none -> r-1"],
        ),
        (
            "yaw = { value = -45.0",
            'roll = { value = 0.0, unit = "deg" }\nyaw = { value = -45.0',
            ["radar-rear-left: roll is now given: 0 deg"],
        ),
        ('name = "camera-high"', 'name = "camera-up"', ["camera-high: is gone", "camera-up: is new"]),
        ('edition = "2026-01"', 'edition = "2026-02"', ["provenance: edition: 2026-01 -> 2026-02"]),
        (
            'kind = "reflector"',
            'kind = "reflector"\nclearance = { sides = { least = 1, unit = "m" } }',
            ["radar-rear-left: clearance, beside the target, from its edges: is now given: 1000 mm"],
        ),
    ],
)
def test_a_change_is_one_sentence(tmp_path, old, new, said):
    assert old in MANY
    assert words(tmp_path, MANY, MANY.replace(old, new, 1)) == said


def test_an_angle_reads_as_it_was_typed(tmp_path):
    """Degrees there and back through radians are not what they were: 0.75 would read 0.7500000000000001."""
    path = tmp_path / "sheet.toml"
    path.write_text(MANY.replace("tolerance = 1.0", "tolerance = 0.75"), encoding="utf-8")
    figures = sheet_document(read_sheets(path))["placements"][2]["figures"]
    assert figures[-1]["upper"] == 0.75


def test_an_order_that_changed_is_said(tmp_path):
    first, second = MANY.index("[[placement]]"), MANY.index('[[placement]]\nname = "camera-high"')
    third = MANY.index('[[placement]]\nname = "radar')
    swapped = MANY[:first] + MANY[second:third] + MANY[first:second] + MANY[third:]
    said = words(tmp_path, MANY, swapped)
    assert said == ["order: camera-low, camera-high, radar-rear-left -> camera-high, camera-low, radar-rear-left"]


def test_single_placements_are_compared_whatever_they_are_called(tmp_path):
    several = MANY[: MANY.index('[[placement]]\nname = "camera-high"')] + MANY[MANY.index("[provenance]") :]
    said = words(tmp_path, ONE, several)
    assert "camera-low: name: none -> camera-low" in said
    assert "camera-low: lateral is now given: 0 mm" in said
    assert not any("distance" in sentence for sentence in said)
