"""`bayfix plan`: whether a sheet can be decided, what would help, and every file that can be wrong."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from cli.plan_ideas import Idea, ideas
from cli.plan_setting import open_setting
from tests.support.commands import bayfix
from tests.support.documents import table_keys
from vision.boards import BoardSet
from vision.camera import Camera, LensProfile
from vision.camera_io import write_profile
from vision.errors import BoardError
from vision.imagined import free_ids

SHEET = """\
schema = "placement-sheet/1"
target = "panel of the plan"
origin = "front-axle"
line = "thrust"
side = "ahead"
distance = { value = 2600.0, unit = "mm", tolerance = TOL }
lateral = { value = 0.0, unit = "mm", tolerance = TOL }
height = { value = 1250.0, unit = "mm" }
yaw = { value = 0.0, unit = "deg", tolerance = 0.5 }

[provenance]
document = "invented"
typed_by = "test"
"""
SIGMA = np.array([0.4, 0.4, 0.5, 0.5, 8e-4, 4e-3, 8e-5, 8e-5, 6e-3, 0.0, 0.0, 0.0])


@pytest.fixture
def folder(tmp_path):
    camera = Camera(1920, 1080, 1400.0, 1400.0, 960.0, 540.0, np.array([-0.08, 0.06, 5e-4, -4e-4]))
    write_profile(tmp_path / "shop.lens.toml", LensProfile("shop", camera, np.diag(SIGMA**2)), None)
    (tmp_path / "sheet.toml").write_text(SHEET.replace("TOL", "10.0"), encoding="utf-8")
    return tmp_path


def planned(folder, *more):
    args = ["plan", folder / "sheet.toml", "--camera", folder / "shop.lens.toml", "--out", folder / "plan", *more]
    return bayfix(*args)


def test_a_wide_tolerance_can_be_decided(folder):
    done = planned(folder, "--no-ideas", "--json")
    assert done.status == 0
    document = json.loads(done.out)
    assert document == json.loads((folder / "plan" / "plan.json").read_text(encoding="utf-8"))
    assert document["can_be_decided"]
    assert document["undecided_if_perfect"] < 0.01
    rows = {row["name"]: row for row in document["figures"]}
    # the house's prediction for a 1080p webcam and 48 photos is a few tenths of a mm and millidegrees (k = 1)
    assert 0.3 < rows["distance_mm"]["U"] < 2.0
    assert 0.3 < rows["lateral_mm"]["U"] < 2.0
    assert rows["distance_mm"]["conforms_to"] < 10.0 - rows["distance_mm"]["U"] * 0.8
    assert rows["height_mm"]["undecided_if_perfect"] is None
    assert rows["height_mm"]["false_accept"] is None
    # 5 % of targets are out of tolerance; of these few are accepted, and few of the others are not
    assert 0.0 < rows["distance_mm"]["false_accept"] < 0.003
    assert 0.0 < rows["distance_mm"]["false_reject"] < 0.06
    assert set(document) == table_keys("DEVELOPERS.md", "keys: plan.json")
    assert len(document["photos"]) == 3 * 8 + 14 + 6
    assert (folder / "plan" / "photo-plan.png").read_bytes().startswith(b"\x89PNG")


def test_a_tolerance_below_u_cannot_be_decided_and_says_so_first(folder):
    (folder / "sheet.toml").write_text(SHEET.replace("TOL", "0.3"), encoding="utf-8")
    done = planned(folder, "--no-ideas")
    assert done.status == 0
    assert done.out.splitlines()[0].startswith("CANNOT BE DECIDED: distance, lateral:")
    assert "never" in done.out


def test_poor_light_and_bad_hands_cost(folder):
    (folder / "bay.toml").write_text(
        'schema = "bay/1"\n[by_hand]\nstandoff_pm_mm = 3.0\ntape_pm_mm = false\n', encoding="utf-8"
    )

    def figures(*more):
        return {r["name"]: r["U"] for r in json.loads(planned(folder, "--no-ideas", "--json", *more).out)["figures"]}

    usual, dim, careless = figures(), figures("--dim"), figures("--bay", folder / "bay.toml")
    assert all(dim[name] > usual[name] for name in usual)
    assert careless["lateral_mm"] > 1.5 * usual["lateral_mm"]
    assert careless["distance_mm"] > 1.2 * usual["distance_mm"]


def test_no_idea_needs_marker_ids_that_are_taken(folder):
    setting = open_setting(folder / "sheet.toml", folder / "shop.lens.toml")
    boards = list(setting.boards)

    def costs() -> dict[int, Idea]:
        return {idea.cost: idea for idea in ideas(replace(setting, boards=BoardSet(tuple(boards))))}

    like, count = setting.boards["stand-1"], len(boards)
    while len(boards) < count + 4:  # where the larger boards of the starter set have theirs
        boards.append(replace(like, name=f"more-{len(boards)}", first_id=free_ids(boards, like)))
    assert costs()[8].setting.boards["wheel-rear-left"].square_mm > setting.boards["wheel-rear-left"].square_mm
    # a dictionary with no run of ids left for another floor board: it is not proposed, and nothing is refused
    floor = setting.boards["floor-1"]
    for name in map("block-{}".format, range(100)):
        try:
            boards.append(replace(floor, name=name, first_id=free_ids(boards, floor)))
        except BoardError:
            break
    assert 7 not in costs()
    assert {8, 9} <= set(costs())  # the larger ones have as many markers, and take the ids they had


@pytest.mark.slow
def test_ideas_are_tried_and_the_cheapest_that_suffices_is_advised(folder):
    (folder / "bay.toml").write_text('schema = "bay/1"\n[by_hand]\ntape_pm_mm = false\n', encoding="utf-8")
    (folder / "sheet.toml").write_text(SHEET.replace("TOL", "2.2"), encoding="utf-8")
    document = json.loads(planned(folder, "--json", "--bay", folder / "bay.toml").out)
    chances = [idea["undecided_if_perfect"] for idea in document["ideas"]]
    assert len(chances) >= 8
    assert min(chances) < document["undecided_if_perfect"]
    assert document["advice"] in [idea["words"] for idea in document["ideas"]]


def test_a_target_behind_the_car_can_be_planned(folder):
    text = (
        SHEET.replace("TOL", "10.0")
        .replace("front-axle", "rear-axle")
        .replace('"ahead"', '"behind"')
        .replace("2600.0", "1800.0")
    )
    (folder / "sheet.toml").write_text(text, encoding="utf-8")
    document = json.loads(planned(folder, "--no-ideas", "--json").out)
    assert {row["name"] for row in document["figures"]} == {"distance_mm", "lateral_mm", "height_mm", "yaw_deg"}
    assert not document["not_measured"]


def test_photos_that_tie_nothing_are_said_before_anybody_takes_them(folder):
    photos = [("roll", 2300.0), ("roll", -2300.0), ("rest", 2300.0), ("rest", -2300.0)]
    text = 'schema = "bay/1"\n' + "".join(
        f'[[photo]]\nepoch = "{epoch}"\nat_mm = [850.0, {y}, 1100.0]\ntowards_mm = [130.0, {y * 0.45}, 130.0]\n'
        for epoch, y in photos
    )
    text += '[[photo]]\nepoch = "check"\nat_mm = [3500.0, 1200.0, 1300.0]\ntowards_mm = [5000.0, 0.0, 700.0]\n'
    (folder / "bay.toml").write_text(text, encoding="utf-8")
    done = planned(folder, "--no-ideas", "--bay", folder / "bay.toml")
    assert done.status == 2
    assert "are not tied" in done.err
    assert "add a photo" in done.err
    assert not (folder / "plan").exists()


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("sheet.toml", SHEET.replace("TOL", "-1.0"), "is no tolerance"),
        ("sheet.toml", SHEET.replace(", tolerance = TOL", "").replace(", tolerance = 0.5", ""), "no tolerance at all"),
        ("bay.toml", 'schema = "bay/2"\n', "this version reads 'bay/1'"),
        ("bay.toml", 'schema = "bay/1"\n[[floor]]\nname = "mat-1"\nahead_mm = 0.0\nleft_mm = 0.0\n' * 1
         + "".join(f'[[floor]]\nname = "floor-{i}"\nahead_mm = {i}00.0\nleft_mm = 1300.0\n' for i in (1, 2)),
         "there is no board 'mat-1' in the starter set"),
    ],
)  # fmt: skip
def test_wrong_files_are_named_and_nothing_is_written(folder, name, text, words):
    (folder / name).write_text(text, encoding="utf-8")
    more = ("--bay", folder / "bay.toml") if name == "bay.toml" else ()
    done = planned(folder, "--no-ideas", *more)
    assert done.status == 2
    assert words in done.err
    assert name in done.err or "tolerance" in words
    assert not (folder / "plan").exists()


def test_a_touched_origin_wants_its_place(folder):
    (folder / "sheet.toml").write_text(SHEET.replace("TOL", "10.0").replace("front-axle", "point:nose"), encoding="utf-8")
    done = planned(folder, "--no-ideas")
    assert done.status == 2
    assert "point nose" in done.err
    (folder / "bay.toml").write_text(
        'schema = "bay/1"\n[[point]]\nname = "nose"\nat_mm = [3500.0, 0.0, 520.0]\n', encoding="utf-8"
    )
    document = json.loads(planned(folder, "--no-ideas", "--json", "--bay", folder / "bay.toml").out)
    assert "distance_mm" in {row["name"] for row in document["figures"]}
