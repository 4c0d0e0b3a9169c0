"""`bayfix room`: fits or not, by exit status, in words and as JSON."""

from __future__ import annotations

import pytest

from cli.base import Exit
from tests.support.commands import bayfix, nothing_written, refused
from tests.support.room_text import ROOM
from tests.support.sheet_texts import MANY


@pytest.fixture
def files(tmp_path):
    sheet, room = tmp_path / "sheet.toml", tmp_path / "room.toml"
    sheet.write_text(MANY, encoding="utf-8")
    room.write_text(ROOM, encoding="utf-8")
    return sheet, room


def test_every_placement_is_tried_and_drawn(files, tmp_path):
    outcome = bayfix("room", *files, "--out", tmp_path / "drawings")
    assert outcome.status == Exit.CONFORMS, outcome.out
    assert "camera-low: front camera panel: fits into bay 2" in outcome.out
    assert {path.name for path in (tmp_path / "drawings").iterdir()} == {
        f"sheet-room-{name}.{kind}" for name in ("camera-low", "camera-high", "radar-rear-left") for kind in ("svg", "png")
    }


def test_what_does_not_fit_comes_first_and_is_status_3(files):
    sheet, room = files
    sheet.write_text(MANY.replace("value = 2600.0", "value = 3700.0"), encoding="utf-8")
    outcome = bayfix("room", sheet, room, "--placement", "camera-low")
    assert outcome.status == Exit.DOES_NOT_CONFORM
    assert "camera-low: front camera panel: DOES NOT FIT into bay 2" in outcome.out
    assert outcome.out.splitlines()[4].split()[:3] == ["target", "front", "wall"]
    assert "140 mm short" in outcome.out
    document = bayfix("room", sheet, room, "--placement", "camera-low", "--json").document
    assert document["fits"] is False
    assert [gap["to"] for gap in document["placements"][0]["gaps"] if not gap["fits"]] == ["front wall"]
    assert [gap["short_mm"] for gap in document["placements"][0]["gaps"] if gap["short_mm"]] == [pytest.approx(140.0)]


def test_a_placement_without_its_place_is_refused(files):
    sheet, room = files
    line = 'lateral = { value = 1600.0, unit = "mm", tolerance = 10.0 }\n'
    sheet.write_text(MANY.replace(line, ""), encoding="utf-8")
    with nothing_written(sheet.parent):
        words = refused("room", sheet, room)
    assert "try: look at the others alone: --placement camera-low or --placement camera-high" in words
    assert "radar-rear-left gives no lateral: nobody knows where it stands" in words
    with nothing_written(sheet.parent):
        assert "none.toml: no such file" in refused("room", sheet, room.parent / "none.toml")
