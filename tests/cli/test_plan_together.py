"""`bayfix plan` of targets that stand at the same time, and of mats by the boards on them."""

from __future__ import annotations

import json
import math
import re

import numpy as np
import pytest

from calib.decision.plan import decide_all
from cli.plan_run import Predicted, predict
from cli.plan_setting import not_planned, open_setting
from tests.cli.test_plan import SIGMA
from tests.support.commands import bayfix, nothing_written, refused
from tests.support.documents import table_keys
from vision.boards import BoardSet
from vision.boards_io import starter_boards, write_boards
from vision.camera import Camera, LensProfile
from vision.camera_io import write_profile

TOP = """\
schema = "placement-sheet/2"
origin = "front-axle"
line = "thrust"
side = "ahead"

[provenance]
document = "invented"
typed_by = "test"
"""
REFLECTOR = """
[[placement]]
name = "{0}"
target = "reflector at the car's {0}"
kind = "reflector"
{1}distance = {{ value = 2600.0, unit = "mm", tolerance = 2.0 }}
lateral = {{ value = {2}, unit = "mm", tolerance = 1.5 }}
height = {{ value = 800.0, unit = "mm", tolerance = 3.0 }}
"""
MAT_PLACEMENT = """
[[placement]]
name = "floor-mat"
target = "mat before the car"
kind = "mat"
{0}[[placement.mark]]
name = "right"
ahead = {{ value = 1500.0, unit = "mm", tolerance = 3.0 }}
left = {{ value = -600.0, unit = "mm" }}
[[placement.mark]]
name = "left"
ahead = {{ value = 1500.0, unit = "mm", tolerance = 3.0 }}
left = {{ value = 600.0, unit = "mm", tolerance = 3.0 }}
"""
MAT = """\
schema = "mat/1"
[[mark]]
name = "right"
x_mm = 0.0
y_mm = 0.0
[[mark]]
name = "left"
x_mm = 0.0
y_mm = 1200.0
[[board]]
name = "body-1"
x_mm = 120.0
y_mm = 350.0
[[board]]
name = "body-2"
x_mm = 120.0
y_mm = 850.0
"""
TWO = TOP + REFLECTOR.format("left", "", "260.0") + REFLECTOR.format("right", 'with = "left"\n', "-260.0")
BESIDE_A_MAT = TOP + REFLECTOR.format("left", "", "260.0") + MAT_PLACEMENT.format('with = "left"\n')


STAND = 'schema = "stand/1"\n[[board]]\nname = "stand-2"\nright_mm = 0.0\nup_mm = 0.0\nbehind_mm = 4.0\n'


def lay_out(folder) -> None:
    camera = Camera(1920, 1080, 1400.0, 1400.0, 960.0, 540.0, np.array([-0.08, 0.06, 5e-4, -4e-4]))
    write_profile(folder / "shop.lens.toml", LensProfile("shop", camera, np.diag(SIGMA**2)), None)
    (folder / "two.toml").write_text(TWO, encoding="utf-8")
    (folder / "mat-too.toml").write_text(BESIDE_A_MAT, encoding="utf-8")
    (folder / "mat.toml").write_text(MAT, encoding="utf-8")
    (folder / "left.toml").write_text(STAND, encoding="utf-8")


@pytest.fixture
def folder(tmp_path):
    lay_out(tmp_path)
    return tmp_path


@pytest.fixture(scope="module")
def with_a_mat(tmp_path_factory) -> Predicted:
    folder = tmp_path_factory.mktemp("mat")
    lay_out(folder)
    files = [f"floor-mat={folder / 'mat.toml'}"]
    return predict(open_setting(folder / "mat-too.toml", folder / "shop.lens.toml", stands=files))


def plan_words(folder, name: str, *more: object) -> list[object]:
    return ["plan", folder / name, "--camera", folder / "shop.lens.toml", "--out", folder / "plan", "--no-ideas", *more]


def test_two_reflectors_are_planned_as_one(folder):
    document = bayfix(*plan_words(folder, "two.toml", "--json")).document  # all of the sheet stands at once: no --placement
    assert document == json.loads((folder / "plan" / "plan.json").read_text(encoding="utf-8"))
    assert set(document) == table_keys("DEVELOPERS.md", "keys: plan-group.json")
    assert (document["schema"], document["placements"]) == ("plan-group/1", ["left", "right"])
    left, right = (target["undecided_if_perfect"] for target in document["targets"])
    # what both have in common (car, floor, lens) fails both at once: between the worse one's chance and their sum
    assert max(left, right) < document["undecided_if_perfect"] < left + right - 0.005
    rows = [{row["name"]: row["U"] for row in target["figures"]} for target in document["targets"]]
    for name in rows[0]:
        assert rows[0][name] == pytest.approx(rows[1][name], rel=0.1), "the two stand like mirror images"
    shown = [photo["shows"] for photo in document["photos"] if photo["epoch"] == "check-1"]
    assert len(shown) == 6
    assert sum({"stand-1", "stand-2"} <= set(boards) for boards in shown) == 4
    drawn = (folder / "plan" / "photo-plan.svg").read_text(encoding="utf-8")
    assert re.search(">left</", drawn)
    assert re.search(">right</", drawn)


def test_marks_of_a_mat_are_predicted_from_its_boards(with_a_mat):
    reflector, mat = (one.placement.error for one in with_a_mat.placed)
    assert mat.names == ("right_ahead_mm", "right_left_mm", "left_ahead_mm", "left_left_mm")
    for name in mat.names:
        # two boards and marks typed to ±1 mm each: marks are no surer than themselves (k = 2), nor much less than twice that
        assert 1.0 < 2.0 * mat.sigma(name) < 2.5, name
        i = mat.index(name)
        assert mat.parts["mat file"][i, i] > 0.25 * mat.cov[i, i]
    seen = [boards for epoch, _, boards in with_a_mat.photos if epoch == "check-1" and "body-1" in boards]
    assert len(seen) >= 4
    assert all(any(board.startswith("floor-") for board in boards) for boards in seen)
    assert "stand file" in reflector.parts


def test_the_joint_covariance_is_that_of_each_and_what_they_share(with_a_mat):
    first, second = (one.placement.error for one in with_a_mat.placed)
    joint, n = with_a_mat.joint.cov, len(first.names)
    np.testing.assert_allclose(joint[:n, :n], first.cov, rtol=1e-4, atol=1e-12)
    np.testing.assert_allclose(joint[n:, n:], second.cov, rtol=1e-4, atol=1e-12)
    # distance of the reflector, and of a mark, start from the same axle
    i, j = with_a_mat.joint.index("0:distance_mm"), with_a_mat.joint.index("1:left_ahead_mm")
    share = joint[i, j] / math.sqrt(joint[i, i] * joint[j, j])
    assert 0.1 < share < 0.9
    whole = decide_all(with_a_mat.placed, with_a_mat.joint).whole
    assert whole.conforms + whole.undecided + whole.does_not_conform == pytest.approx(1.0)


@pytest.mark.slow
def test_heights_above_the_wheels_share_their_plane(folder):
    """What nobody knows of the floor under the wheels lifts both targets alike."""
    text = TWO.replace('height = { value = 800.0, unit = "mm", tolerance = 3.0 }', 'height = { value = 800.0, unit = "mm" }')
    (folder / "two.toml").write_text(
        text.replace('line = "thrust"', 'line = "thrust"\nheight_from = "wheels"'), encoding="utf-8"
    )
    joint = predict(open_setting(folder / "two.toml", folder / "shop.lens.toml")).joint
    i, j = joint.index("0:height_mm"), joint.index("1:height_mm")
    assert joint.cov[i, j] / math.sqrt(joint.cov[i, i] * joint.cov[j, j]) > 0.9


def test_a_reflector_before_another_hides_it(folder):
    """The right one moved before the left one: photos from the right no longer show the left one's board."""
    left, right = (REFLECTOR.format(*words) for words in (("left", "", "260.0"), ("right", 'with = "left"\n', "-100.0")))
    tall = right.replace("2600.0", "2250.0") + 'size = { width = 500.0, height = 1000.0, unit = "mm" }\n'
    (folder / "two.toml").write_text(TOP + left + tall, encoding="utf-8")
    shown = {
        photo["words"]: photo["shows"]
        for photo in bayfix(*plan_words(folder, "two.toml", "--json")).document["photos"]
        if photo["epoch"] == "check-1" and "off them" in photo["words"]
    }
    from_left = [boards for words, boards in shown.items() if words.endswith("left")]
    from_right = [boards for words, boards in shown.items() if words.endswith("right")]
    assert all("stand-1" in boards for boards in from_left)
    assert not all("stand-1" in boards for boards in from_right)


@pytest.mark.slow
def test_ideas_are_tried_on_all_targets_together(folder):
    words = [word for word in plan_words(folder, "mat-too.toml", "--json") if word != "--no-ideas"]
    document = bayfix(*words, "--stand", f"floor-mat={folder / 'mat.toml'}").document
    ideas = {idea["words"]: idea for idea in document["ideas"]}
    idea = ideas["the places of boards and marks on the mat measured twice as well (mat file)"]
    assert set(idea["U"]) == {"left", "floor-mat"}
    assert idea["undecided_if_perfect"] < document["undecided_if_perfect"]
    now = {row["name"]: row["U"] for row in document["targets"][1]["figures"]}
    assert all(idea["U"]["floor-mat"][name] < 0.8 * u for name, u in now.items())
    own = {row["name"]: row["U"] for row in document["targets"][0]["figures"]}
    assert all(idea["U"]["left"][name] == pytest.approx(u, rel=1e-6) for name, u in own.items()), "the mat file is not its"
    for words in ("target measured twice", "photos of left: from 1.5 m", "photos of floor-mat: looking", "beside floor-mat"):
        assert any(words in known for known in ideas), words


BAD = {
    "no such placement": (
        ["--stand", "middle=mat.toml"],
        "--stand middle=mat.toml: there is no placement 'middle' on .*two.toml",
    ),
    "of another group": (["--placement", "left", "--stand", "alone=x.toml"], "alone does not stand at the same time as left"),
    "twice": (["--stand", "left=a.toml", "--stand", "left=b.toml"], "left is given two files, a.toml and b.toml"),
    "nobody's": (["--placement", "left", "--stand", "a.toml", "--stand", "right=b.toml"], "a.toml: several files"),
    "not there": (["--placement", "left", "--stand", "left=nowhere.toml"], "nowhere.toml"),
    "a mat file for a stand": (["--placement", "left", "--stand", "left=mat.toml"], "mat.toml.*'stand/1'"),
    "one of several": ([], "several placements, and none was chosen: left, right, alone"),
}


@pytest.mark.parametrize("case", BAD)
def test_stand_files_that_are_nobodys_are_refused(folder, monkeypatch, case):
    monkeypatch.chdir(folder)
    (folder / "two.toml").write_text(TWO + REFLECTOR.format("alone", "", "0.0"), encoding="utf-8")
    more, words = BAD[case]
    with nothing_written(folder):
        assert re.search(words, refused(*plan_words(folder, "two.toml", *more)))


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"body-2"', '"stand-2"', "mat.toml: stand-2 is on the target of left already, and floor-mat stands at the same time"),
        ('"body-2"', '"floor-3"', "floor-3 is on floor-mat and on the floor"),
        ('"body-2"', '"wheel-rear-left"', "wheel-rear-left is on floor-mat and on a wheel"),
        ('"body-2"', '"mat-9"', "mat.toml: there is no board 'mat-9' in the starter set"),
        ("y_mm = 1200.0", "y_mm = 1000.0", "mat.toml: no such mat conforms to the sheet's floor-mat"),
        ('name = "left"', 'name = "port"', "is placed by right, left: two of them at least have to be in both"),
    ],
)
def test_mat_files_that_do_not_fit_are_refused(folder, old, new, words):
    assert old in MAT
    (folder / "mat.toml").write_text(MAT.replace(old, new), encoding="utf-8")
    with nothing_written(folder):
        files = [f"floor-mat={folder / 'mat.toml'}", f"left={folder / 'left.toml'}"]
        said = refused(*plan_words(folder, "mat-too.toml", "--stand", files[0], "--stand", files[1]))
    assert words in said


def test_one_target_too_many_is_told_what_to_give(folder):
    third = TWO + REFLECTOR.format("third", 'with = "left"\n', "900.0")
    (folder / "two.toml").write_text(third, encoding="utf-8")
    with nothing_written(folder):
        assert "third has no stand file, and the board set has no further stand-" in refused(*plan_words(folder, "two.toml"))


def test_marks_of_a_mat_without_a_mat_file_are_touched(folder):
    (folder / "mat-only.toml").write_text(TOP + MAT_PLACEMENT.format(""), encoding="utf-8")
    document = bayfix(*plan_words(folder, "mat-only.toml", "--json")).document
    rows = {row["name"]: row for row in document["figures"]}
    assert list(rows) == ["right_ahead_mm", "right_left_mm", "left_ahead_mm", "left_left_mm"]
    assert all(0.2 < row["U"] < 1.5 for row in rows.values())  # a touched point is known to some 0.3 mm (k = 1) beside the car
    by_epoch: dict[str, list[dict]] = {}
    for photo in document["photos"]:
        by_epoch.setdefault(photo["epoch"], []).append(photo)
    assert "check-1" not in by_epoch, "a touched mat needs no photos of a check"
    for name in ("right", "left"):
        photos = by_epoch[f"touch-{name}"]
        assert len(photos) == 6
        for photo in photos:
            assert "stylus-1" in photo["shows"]
            assert sum(board.startswith("floor-") for board in photo["shows"]) >= 3
        assert {photo["words"].rsplit(" ", 1)[1] for photo in photos} == {"left", "right"}
    assert "right: touch it with the stylus" in (folder / "plan" / "photo-plan.svg").read_text(encoding="utf-8")


def test_the_usual_stand_needs_its_boards(folder):
    boards = BoardSet(tuple(board for board in starter_boards("a4") if not board.name.startswith("stand-2")))
    write_boards(folder / "boards.toml", boards)
    alone = TOP + REFLECTOR.format("left", "", "260.0")
    (folder / "two.toml").write_text(alone, encoding="utf-8")
    with nothing_written(folder):
        words = refused(*plan_words(folder, "two.toml", "--boards", folder / "boards.toml"))
    assert re.search(r"the usual stand: there is no board 'stand-2' in .*boards\.toml", words)


def test_marks_that_have_to_be_touched_need_a_stylus_board(folder):
    boards = BoardSet(tuple(board for board in starter_boards("a4") if not board.name.startswith("stylus")))
    write_boards(folder / "boards.toml", boards)
    with nothing_written(folder):
        words = refused(*plan_words(folder, "mat-too.toml", "--boards", folder / "boards.toml"))
    assert "marks have to be touched (right, left), and the board set has no stylus-1" in words


def test_one_of_two_by_its_own_file_leaves_the_other_out_of_the_plan(folder):
    setting = open_setting(folder / "two.toml", folder / "shop.lens.toml", placement="left", stands=[str(folder / "left.toml")])
    assert [target.name for target in setting.targets] == ["left"]
    assert not_planned(folder / "two.toml", setting) == ["right"]
    both = open_setting(folder / "two.toml", folder / "shop.lens.toml", stands=[f"left={folder / 'left.toml'}"])
    assert [target.boards for target in both.targets] == [("stand-2",), ("stand-1",)], "the other has the board that is left"
    assert not_planned(folder / "two.toml", both) == []
