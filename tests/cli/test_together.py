"""Targets that stand at the same time: one command, one set of photos, one record with a verdict for each and one for all."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import pytest

from cli.base import Exit
from cli.group_words import group_document
from synthetic_images.bay import Stand
from tests.support.commands import bayfix, nothing_written, refused
from tests.support.photo_job import every_board, put_photos
from tests.support.simulated import CHECK, scene_of, simulate
from tests.support.two_targets import NAMES, put_two_targets, true_figures

pytestmark = pytest.mark.usefixtures("in_this_process")


def written(job, name: str):
    return json.loads((job / "results" / name).read_text(encoding="utf-8"))


def in_file(path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text, old
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def stand_alone(job, sim, name: str) -> None:
    """The photos as a look for this target's boards alone finds them."""
    text = (job / "job.toml").read_text(encoding="utf-8")
    (job / "job.toml").write_text(re.sub(r'^stand = ".*"', f'stand = "{name}.toml"', text, flags=re.M), encoding="utf-8")
    put_photos(sim, job, {photo: one for photo, one in sim.seen.items() if photo.startswith(CHECK)})


def test_two_reflectors_are_measured_in_one_check(job, surveyed_job):
    """The left one stands where the sheet wants it, the right one 20 mm too near."""
    true = true_figures(surveyed_job.demo.bay)
    put_two_targets(job, surveyed_job.demo.bay, {"right": 20.0})
    outcome = bayfix("check", job, "--placement", "right")  # naming either means both
    assert outcome.status == Exit.DOES_NOT_CONFORM
    document = written(job, "check-1.json")
    assert (document["schema"], document["placements"]) == ("check-group/1", ["left", "right"])
    assert [target["verdict"] for target in document["targets"]] == ["conforms", "does not conform"]
    for target in document["targets"]:
        assert (target["schema"], target["epoch"]) == ("check/1", CHECK)
        for row in target["figures"]:
            value = true[target["placement"]][row["name"]]
            assert abs(row["measured"] - value) <= 1.5 * row["U"], (target["placement"], row["name"])  # 3 σ
        assert target["photos"] == document["targets"][0]["photos"]
        assert target["second_boards"] == []  # the other target's board is none of this one's
    lateral = [target["figures"][1]["measured"] for target in document["targets"]]
    assert lateral[0] - lateral[1] == pytest.approx(520.0, abs=25.0)  # the boards' places on the panel, ± 10 mm each
    (entry,) = (job / "results" / "history").iterdir()
    assert (entry.name, json.loads(entry.read_text(encoding="utf-8"))) == ("0001-check-1.json", document)
    told_in_words(outcome.out)
    lines = {line["what"]: line for line in bayfix("job", "status", job, "--json").document["lines"]}
    assert lines["1 left"]["words"].endswith("1 check); waits for right")
    assert lines["1 left"]["step"] == ""
    assert lines["2 right"]["step"].startswith("right: ")
    assert "photograph left and right together into" in lines["2 right"]["step"]


def told_in_words(said: str) -> None:
    assert said.splitlines()[:4] == [
        "DOES NOT CONFORM",
        "1 of 2 targets that stand at the same time conform",
        "  left   CONFORMS: every judged figure is inside its tolerance",
        "  right  DOES NOT CONFORM: outside the tolerance: distance",
    ]
    assert re.search(r"move the stand (19|20|21)\.\d mm away from the car", said.partition("--- right ---")[2])
    assert said.count("It does not calibrate a sensor") == 1
    assert said.count("note: the car is not shown") <= 1


def test_the_scan_tools_outcome_closes_all_that_stood_together(job, surveyed_job, one_photo):
    check = ("check", job, one_photo, "--car-not-seen", "chocks and brake")
    put_two_targets(job, surveyed_job.demo.bay)
    step = bayfix("job", "status", job, "--json").document["lines"][-2]["step"]
    assert step.startswith("left: put the target up; right: put the target up; photograph left and right together into")
    with nothing_written(job):
        assert "left: there is no check of it yet" in refused("outcome", job, "completed", "--by", "A. B.")
    stand_alone(job, surveyed_job, "left")
    alone = bayfix(*check, "--stand", job / "left.toml", "--placement", "left")
    assert alone.status == Exit.CONFORMS
    assert "note: checked alone, by the stand file given: right must stand at the same time" in alone.out
    assert written(job, "check-1-left.json")["placement"] == "left"
    assert not (job / "results" / "check-1.json").exists()
    with nothing_written(job):
        words = refused("outcome", job, "completed", "--by", "A. B.", "--placement", "left")
    assert "right, which stands at the same time as left: there is no check of it yet" in words
    assert bayfix(*check).status == Exit.CONFORMS
    done = bayfix("outcome", job, "completed", "--by", "A. B.")
    assert done.out.startswith("noted: left and right: completed")
    assert [line["state"] for line in bayfix("job", "status", job, "--json").document["lines"][-2:]] == ["done", "done"]


def test_stand_files_that_do_not_fit_each_other(job, surveyed_job):
    put_two_targets(job, surveyed_job.demo.bay)
    whole = (job / "job.toml").read_text(encoding="utf-8")

    def complaint(old: str, new: str) -> str:
        (job / "job.toml").write_text(whole.replace(old, new, 1), encoding="utf-8")
        with nothing_written(job):
            return refused("check", job)

    both = complaint('{ left = "left.toml", right = "right.toml" }', "{}")
    assert "job.toml: stands.right: left and right stand at the same time, and one stand file (stand.toml) is named" in both
    crossed = complaint('left = "left.toml", right = "right.toml"', 'left = "right.toml", right = "left.toml"')
    assert "not the right target" in crossed  # the sheet knows each by its board
    (job / "job.toml").write_text(whole, encoding="utf-8")
    text = (job / "left.toml").read_text(encoding="utf-8")
    (job / "right.toml").write_text(text.replace("stand-1", "stand-2") + text.partition("\n")[2], encoding="utf-8")
    with nothing_written(job):
        words = refused("check", job)
    assert re.search(r"right\.toml:9: board\.1\.name: stand-1 is on the target of left already \(left\.toml\)", words)


def test_a_target_that_is_not_in_the_photos_is_named(job, surveyed_job):
    put_two_targets(job, surveyed_job.demo.bay)
    seen = {name: one for name, one in surveyed_job.seen.items() if name.startswith(CHECK)}
    bare = {n: replace(one, found=tuple(s for s in one.found if s.board != NAMES["left"])) for n, one in seen.items()}
    put_photos(surveyed_job, job, bare)
    put_photos(surveyed_job, job, bare, held=every_board(surveyed_job))
    with nothing_written(job):
        words = refused("check", job)
    assert "stand board of left not seen: looked for stand-1" in words
    assert f"to check right alone: bayfix check {job} --placement right --stand {(job / 'right.toml').as_posix()}" in words


@pytest.mark.slow
def test_a_stand_that_was_bumped_between_the_photos_is_named_the_other_not(job, surveyed_job):
    """The left reflector is pushed by 9 mm half-way through the round, the right one stays."""
    put_two_targets(job, surveyed_job.demo.bay)
    demo = surveyed_job.demo
    stand = demo.bay.epoch(CHECK).stand
    assert isinstance(stand, Stand)
    pushed = replace(stand, distance_mm=stand.distance_mm + 9.0)
    epochs = tuple(replace(epoch, stand=pushed) if epoch.name == CHECK else epoch for epoch in demo.bay.epochs)
    shots = tuple(shot for shot in demo.shots if shot.epoch == CHECK)
    later = simulate(job.parent / "pushed", 1, of=scene_of(replace(demo, bay=replace(demo.bay, epochs=epochs), shots=shots)))
    mixed = {}
    for i, shot in enumerate(shots):
        one, two = surveyed_job.seen[shot.file_name], later.seen[shot.file_name]
        if i >= len(shots) // 2:
            kept = [s for s in one.found if s.board != NAMES["left"]]
            one = replace(one, found=(*kept, *(s for s in two.found if s.board == NAMES["left"])))
        mixed[shot.file_name] = one
    put_photos(surveyed_job, job, mixed)
    with nothing_written(job):
        words = refused("check", job)
    assert re.search(r"the stand of left was moved by \d+\.\d mm", words)
    assert "stand-1 stand" in words
    assert "right" not in words


def test_mats_touched_one_after_another_are_no_epoch():
    epochs = ({"placement": name, "epoch": f"mat-{name}", "date": "", "program": "", "verdict": "conforms"} for name in "ab")
    document = group_document(list(epochs))
    assert (document["epoch"], document["placements"], document["verdict"]) == ("mats", ["a", "b"], "conforms")


def test_boards_shared_by_a_group_are_refused_on_the_sheet(job, surveyed_job):
    put_two_targets(job, surveyed_job.demo.bay)
    in_file(job / "sheet.toml", 'target_boards = ["stand-2"]', 'target_boards = ["stand-1"]')
    with nothing_written(job):
        assert "with: board stand-1 would be on both targets at the same time" in refused("check", job)
