"""A mat checked through the command: its marks are touched with the stylus on a simulated job, and compared with the truth."""

from __future__ import annotations

import datetime
import json
import shutil

import numpy as np
import pytest

from calib.paper.stylus import Stylus, scale_of, write_stylus
from cli.base import Exit
from synthetic_images import truth
from tests.support.commands import bayfix, nothing_written, refused
from tests.support.simulated import CHECK
from tests.support.touched import BOARD, put_touches, touched, usual_places

pytestmark = pytest.mark.usefixtures("in_this_process")

SHEET = """\
schema = "placement-sheet/2"
origin = "rear-axle"
line = "thrust"
side = "ahead"

[[placement]]
name = "floor-mat"
target = "mat before the car"
kind = "mat"

[[placement.mark]]
name = "right"
at = "point:mark-a"
ahead = {{ value = {0:.1f}, unit = "mm", tolerance = 12.0 }}
left = {{ value = {1:.1f}, unit = "mm", tolerance = 12.0 }}

[[placement.mark]]
name = "left"
at = "point:mark-b"
ahead = {{ value = {2:.1f}, unit = "mm", tolerance = 12.0 }}
left = {{ value = {3:.1f}, unit = "mm", tolerance = 12.0 }}

[provenance]
document = "service information, page 9"
typed_by = "A. B."
"""


@pytest.fixture(scope="module")
def there(surveyed_job):
    places = {name: place for name, place in usual_places(surveyed_job.demo.bay).items() if name.startswith("mark-")}
    return touched(surveyed_job, 1, places=places, teach=0, touch=4)


@pytest.fixture(scope="module")
def marked_job(surveyed_job, there, tmp_path_factory):
    """The surveyed job with both marks touched; never changed: tests work on copies."""
    folder = tmp_path_factory.mktemp("mat") / "job"
    shutil.copytree(surveyed_job.desk.job.folder, folder)
    put_touches(surveyed_job, folder, there)
    cov = np.diag([0.03, 0.07, 0.05]) ** 2
    scale = scale_of(surveyed_job.desk.boards[BOARD])
    stylus = Stylus(BOARD, np.array(there.stylus.tip_mm), cov, scale, 0.1, (), (), datetime.date(2026, 3, 1))
    write_stylus(folder / "stylus.toml", stylus)
    text = (folder / "job.toml").read_text(encoding="utf-8")
    (folder / "job.toml").write_text(text.replace('stand = "', 'stylus = "stylus.toml"\nstand = "', 1), encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("vision.parallel.LEAST_FOR_POOL", 1000)
        for name in there.points:
            assert bayfix("touch", folder, name).status == Exit.CONFORMS
    return folder


@pytest.fixture
def job(marked_job, tmp_path):
    folder = tmp_path / "job"
    shutil.copytree(marked_job, folder)
    return folder


def true_places(there) -> list[float]:
    """Ahead of the rear axle's middle and to the car's left of the thrust line: mark a, then mark b."""
    frame = truth.line_frame(there.bay, there.bay.epoch(CHECK).stand)
    gaps = [(there.points[name].mm - frame.rear_middle_mm) @ frame.axes for name in ("mark-a", "mark-b")]
    return [float(part) for gap in gaps for part in gap[:2]]


def put_sheet(job, places) -> None:
    (job / "sheet.toml").write_text(SHEET.format(*places), encoding="utf-8")


def test_a_mat_in_its_place_is_measured_where_it_lies(job, there):
    true = true_places(there)
    put_sheet(job, true)
    document = bayfix("check", job, "--json", "--car-not-seen", "brake on, chocks set").document
    names = ["right_ahead_mm", "right_left_mm", "left_ahead_mm", "left_left_mm"]
    assert [row["name"] for row in document["figures"]] == names
    for row, value in zip(document["figures"], true, strict=True):
        assert abs(row["measured"] - value) <= 1.5 * row["U"], row["name"]  # 3 σ
        assert row["U"] < 10.0  # else the tolerance of 12 mm could hardly be decided
        assert document["sources"][row["name"]]["stylus"] > 0
    assert document["verdict"] == "conforms"
    assert json.loads((job / "results" / "mat-floor-mat.json").read_text(encoding="utf-8"))["placement"] == "floor-mat"
    budget = bayfix("budget", job, "left ahead", "--json").document
    row = document["figures"][2]
    assert (budget["placement"], budget["figure"]) == ("floor-mat", "left_ahead_mm")
    assert (budget["measured"], budget["U"]) == pytest.approx((row["measured"], row["U"]), rel=1e-6)
    shares = {share["source"]: share["U"] for share in budget["sources"]}
    assert shares["stylus"] == pytest.approx(document["sources"]["left_ahead_mm"]["stylus"], rel=1e-6)
    assert any(one["error"].startswith("tip beside point mark-b") for one in budget["unnoticed"])


def test_a_mat_beside_its_place_is_told_how_to_move(job, there):
    """The sheet wants mark a 20 mm and mark b 30 mm farther back: the mat has to be moved and turned."""
    true = true_places(there)
    put_sheet(job, [true[0] - 20.0, true[1], true[2] - 30.0, true[3]])
    outcome = bayfix("check", job)
    assert outcome.status == Exit.DOES_NOT_CONFORM
    assert "outside the tolerance: right ahead, left ahead" in outcome.out
    moves = {move["name"]: move for move in bayfix("check", job, "--json").document["moves"]}
    assert moves["mat_ahead_mm"]["amount"] == pytest.approx(-25.0, abs=1.5)
    # The left mark must go back 10 mm more over 1.17 m: counter-clockwise seen from above.
    assert moves["mat_turn_deg"]["amount"] == pytest.approx(np.degrees(10.0 / (true[3] - true[1])), abs=0.1)
    assert "counter-clockwise" in moves["mat_turn_deg"]["words"]
    assert list(moves)[0] == "mat_turn_deg"


def test_marks_that_do_not_fit_one_another_are_said(job, there):
    true = true_places(there)
    put_sheet(job, [true[0], true[1] - 15.0, true[2], true[3] + 15.0])
    assert "note: no shift and turn brings all marks onto their places" in bayfix("check", job).out


def test_a_mark_that_was_not_touched_and_a_photo_that_is_of_no_use(job, there):
    put_sheet(job, true_places(there))
    with nothing_written(job):
        photo = next((job / "photos" / CHECK).iterdir())
        assert "is a mat, a photo of a check does not show where it lies" in refused("check", job, photo)
        assert "is a mat, placed by its marked points: it has no distance_mm" in refused("budget", job, "distance")
        assert "does not show where it lies" in refused("budget", job, "left ahead", photo)
        text = (job / "sheet.toml").read_text(encoding="utf-8")
    (job / "sheet.toml").write_text(text.replace("point:mark-b", "point:mark-z"), encoding="utf-8")
    with nothing_written(job):
        assert "point mark-z was not touched in this job" in refused("check", job)


def test_without_a_look_at_the_car_a_mat_is_at_best_undecided(job, there):
    put_sheet(job, true_places(there))
    car_seen(job, [])
    outcome = bayfix("check", job)
    assert outcome.status == Exit.UNDECIDED
    assert "car not seen" in outcome.out
    assert bayfix("check", job, "--car-not-seen", "brake on, chocks set").status == Exit.CONFORMS


def test_what_the_touches_saw_of_the_car_counts_for_the_mat(job, there):
    put_sheet(job, true_places(there))
    car_seen(job, [0.1, 0.3])
    document = bayfix("check", job, "--json").document
    assert document["verdict"] == "conforms"
    assert [(row["board"], row["shift_mm"]) for row in document["car"]["seen"]] == [("wheel-front-left", 0.3)]


def car_seen(job, shifts_mm) -> None:
    """What the photos of the touches showed of the car: a front wheel's board, shifted by so much in each touch."""
    path = job / "results" / "points.json"
    points = json.loads(path.read_text(encoding="utf-8"))
    for i, row in enumerate(points["points"]):
        seen = {"board": "wheel-front-left", "U_shift_mm": 0.4, "turn_deg": 0.0}
        row["car_seen"] = [seen | {"shift_mm": shift} for shift in shifts_mm[i : i + 1]]
    path.write_text(json.dumps(points), encoding="utf-8")


def test_the_next_step_of_a_mat_is_to_touch_its_marks(job, there):
    def step() -> str:
        return bayfix("job", "status", job, "--json").document["lines"][-1]["step"]

    put_sheet(job, true_places(there))
    assert step().startswith("lay the mat out; touch its marks (mark-a, mark-b; bayfix touch")
    bayfix("check", job)
    assert "touch its marks anew (mark-a, mark-b" in step()
