"""A mat checked by boards that lie on it: beside a panel, and with a mark touched besides, against the truth."""

from __future__ import annotations

import json
import re
import shutil

import pytest

from cli.base import Exit
from synthetic_images import truth
from tests.cli.test_mat import put_sheet
from tests.support.commands import bayfix, nothing_written, refused
from tests.support.mat_boards import BOARDS, MARKS, mat_photos, mat_text, name_mat
from tests.support.photo_job import every_board, put_photos
from tests.support.simulated import CHECK
from tests.support.touched import name_true_stylus, put_touches, touched, usual_places

pytestmark = pytest.mark.usefixtures("in_this_process")
PANEL = """
[[placement]]
name = "panel"
target = "front camera panel"
with = "floor-mat"
origin = "front-axle"
distance = {{ value = {0:.1f}, unit = "mm", tolerance = 8.0 }}
lateral = {{ value = {1:.1f}, unit = "mm", tolerance = 8.0 }}
"""


def frame_of(sim):
    return truth.line_frame(sim.demo.bay, sim.demo.bay.epoch(CHECK).stand)


def true_places(sim) -> list[float]:
    """Ahead of the rear axle's middle and to the car's left of the thrust line: mark right, then mark left."""
    frame, places = frame_of(sim), usual_places(sim.demo.bay)
    return [float(part) for name in MARKS.values() for part in ((places[name].mm - frame.rear_middle_mm) @ frame.axes)[:2]]


@pytest.fixture
def job(surveyed_job, tmp_path):
    """The surveyed job with a mat in the photos of the check."""
    folder = tmp_path / "job"
    shutil.copytree(surveyed_job.desk.job.folder, folder)
    lay_mat(surveyed_job, folder)
    return folder


def lay_mat(sim, folder, *, stand: bool = False) -> None:
    (folder / "mat.toml").write_text(mat_text(sim, 1), encoding="utf-8")
    name_mat(folder, stand=stand)
    put_sheet(folder, true_places(sim))
    put_photos(sim, folder, mat_photos(sim, 1), held=BOARDS)


@pytest.fixture
def touched_job(surveyed_job, job):
    """The same, mark "right" touched with the stylus as well."""
    mark = {"mark-a": usual_places(surveyed_job.demo.bay)["mark-a"]}
    there = touched(surveyed_job, 1, places=mark, teach=0, touch=4)
    put_touches(surveyed_job, job, there)
    name_true_stylus(surveyed_job, job, there)
    assert bayfix("touch", job, "mark-a").status == Exit.CONFORMS
    return job


def test_a_mat_and_a_panel_are_measured_in_one_check_without_a_stylus(surveyed_job, tmp_path):
    job, true = tmp_path / "job", true_places(surveyed_job)
    shutil.copytree(surveyed_job.desk.job.folder, job)
    lay_mat(surveyed_job, job, stand=True)
    panel = frame_of(surveyed_job).figures(surveyed_job.demo.bay.bay_from_target(CHECK))
    text = (job / "sheet.toml").read_text(encoding="utf-8")
    head, _, provenance = text.partition("[provenance]")
    text = f"{head}{PANEL.format(panel['distance_mm'], panel['lateral_mm'])}\n[provenance]{provenance}"
    (job / "sheet.toml").write_text(text, encoding="utf-8")
    step = bayfix("job", "status", job, "--json").document["lines"][-2]["step"]
    assert step.startswith("floor-mat: lay the mat out; panel: put the target up; photograph floor-mat and panel together into")
    document = bayfix("check", job, "--json").document
    assert (document["schema"], document["verdict"]) == ("check-group/1", "conforms")
    mat, stand = document["targets"]
    for row, value in zip(mat["figures"], true, strict=True):
        assert abs(row["measured"] - value) <= 1.5 * row["U"], row["name"]  # 3 σ
        assert row["U"] < 8.0  # touched with the stylus it is known to less than 10 mm
        sources = mat["sources"][row["name"]]
        assert "stylus" not in sources
        assert sources["mat file"] > 0
        assert 0 < sources["mat shape"] < 1.0  # a stretch of ±0.1 % over half a metre
    assert mat["car"]["seen"] != []  # the photos show the front wheels, so no reason is needed
    assert [(row["board"], row["agrees"]) for row in mat["second_boards"]] == [(board, True) for board in BOARDS]
    assert any("what was seen and touched of it fits within" in remark for remark in mat["remarks"])
    for row in stand["figures"]:
        assert abs(row["measured"] - panel[row["name"]]) <= 1.5 * row["U"], row["name"]
    assert [row["board"] for row in stand["second_boards"]] == ["stand-2"]


def test_a_touched_mark_counts_as_well_and_one_that_contradicts_is_refused_until_forgotten(touched_job, surveyed_job):
    job = touched_job
    document = bayfix("check", job, "--json").document
    assert [row["board"] for row in document["second_boards"]] == [*BOARDS, "touched mark right"]
    assert document["sources"]["right_ahead_mm"]["stylus"] > 0
    budget = bayfix("budget", job, "right ahead", "--draws", "400", "--json").document
    row = document["figures"][0]
    assert (budget["measured"], budget["U"]) == pytest.approx((row["measured"], row["U"]), rel=1e-6)
    shares = {share["source"]: share["U"] for share in budget["sources"]}
    for source in ("mat file", "stylus"):
        assert shares[source] == pytest.approx(document["sources"]["right_ahead_mm"][source], rel=1e-6)
    assert budget["draws"]["U"] == pytest.approx(row["U"], rel=0.15)  # 400 draws give a quantile to a few per cent
    assert re.fullmatch(
        r"touched mark right lies \d\.\d mm \(U \d\.\d mm\) from where body-1 and body-2 and the mat file have it",
        document["second_boards"][2]["words"],
    )
    (job / "mat.toml").write_text(mat_text(surveyed_job, 1, off_mm=25.0), encoding="utf-8")
    with nothing_written(job):
        words = refused("check", job)
    assert "boards and touched marks of the mat contradict each other: touched mark right lies 2" in words
    assert "bayfix touch JOB NAME --forget" in words
    assert bayfix("touch", job, "mark-a", "--forget").out == "forgotten: mark-a\n"
    assert json.loads((job / "results" / "points.json").read_text(encoding="utf-8"))["points"] == []
    assert "point mark-a was not touched in this job" in refused("touch", job, "mark-a", "--forget")


def test_a_mark_that_the_mat_file_lacks_must_be_touched(job):
    text = (job / "mat.toml").read_text(encoding="utf-8")
    (job / "mat.toml").write_text(text.replace('name = "left"', 'name = "other"'), encoding="utf-8")
    with nothing_written(job):
        assert "point mark-b was not touched in this job" in refused("check", job)
    step = bayfix("job", "status", job, "--json").document["lines"][-1]["step"]
    assert step.startswith("lay the mat out; touch the marks (mark-b; bayfix touch")
    assert ", photograph it into" in step


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        (
            'name = "body-2"',
            'name = "floor-13"',
            r"mat\.toml:\d+: board\.1\.name: board floor-13 is on the mat and in job\.toml",
        ),
        ('name = "body-2"', 'name = "mat-9"', r"mat\.toml:\d+: board\.1\.name: there is no board 'mat-9' in the board set"),
        ('schema = "mat/1"', 'schema = "stand/1"', r"mat\.toml.*'mat/1'"),
        ("turn_pm_deg = 0.1", "turn_pm_deg = 0.0", r"mat\.toml:\d+: board\.0\.turn_pm_deg"),
        ("name = ", "called = ", r"mat\.toml:\d+: mark\.0\.called"),
    ],
)
def test_wrong_mat_files_are_refused_by_line_and_key(job, old, new, complaint):
    text = (job / "mat.toml").read_text(encoding="utf-8")
    assert old in text
    (job / "mat.toml").write_text(text.replace(old, new, 1), encoding="utf-8")
    with nothing_written(job):
        words = refused("check", job)
    assert re.search(complaint, words), words


def test_a_mat_that_is_not_the_sheets_and_one_that_is_not_seen(job, surveyed_job):
    text = (job / "mat.toml").read_text(encoding="utf-8")
    (job / "mat.toml").write_text(text.replace('"left"', '"x"').replace('"right"', '"y"'), encoding="utf-8")
    with nothing_written(job):
        assert "it has the marks y, x, and the sheet's floor-mat is placed by right, left" in refused("check", job)
    (job / "mat.toml").write_text(text, encoding="utf-8")
    sheet = (job / "sheet.toml").read_text(encoding="utf-8")
    (job / "sheet.toml").write_text(sheet.replace('kind = "mat"', 'kind = "mat"\ntarget_boards = ["mat-7"]'), encoding="utf-8")
    with nothing_written(job):
        assert "mat.toml: not the right target: it has body-1, body-2" in refused("check", job)
        assert "is a mat: no stand file says where it lies" in refused("check", job, "--stand", job / "stand.toml")
        assert "is a mat, placed by its marked points: it has no distance_mm" in refused("budget", job, "distance_mm")
    (job / "sheet.toml").write_text(sheet, encoding="utf-8")
    bare = {name: one for name, one in surveyed_job.seen.items() if name.startswith(CHECK)}
    put_photos(surveyed_job, job, bare, held=BOARDS)
    put_photos(surveyed_job, job, bare, held=every_board(surveyed_job))
    with nothing_written(job):
        assert "no board of the mat floor-mat seen: looked for body-1, body-2" in refused("check", job)


def test_the_mat_file_of_a_job_that_is_not_ready_is_a_line_of_its_status(job):
    text = (job / "mat.toml").read_text(encoding="utf-8")
    (job / "mat.toml").write_text(text.replace("y_mm = ", "# y_mm = ", 1), encoding="utf-8")
    lines = {line["what"]: line for line in bayfix("job", "status", job, "--json").document["lines"]}
    assert "mat.toml" in lines["mat file"]["words"]
    assert json.loads(bayfix("job", "status", job, "--json").out)["schema"] == "status/1"


def test_names_exchanged_in_the_mat_file_are_a_contradiction_of_the_boards(job):
    text = (job / "mat.toml").read_text(encoding="utf-8")
    exchanged = text.replace('"body-1"', '"x"').replace('"body-2"', '"body-1"').replace('"x"', '"body-2"')
    (job / "mat.toml").write_text(exchanged, encoding="utf-8")
    with nothing_written(job):
        words = refused("check", job)
    assert "the boards of the mat contradict each other: body-" in words
    assert "no two names are exchanged in the mat file" in words
    assert "touch" not in words


def test_a_board_of_the_mat_that_no_photo_shows_is_named(job, surveyed_job):
    text = (job / "mat.toml").read_text(encoding="utf-8")
    (job / "mat.toml").write_text(text.replace(BOARDS[1], "lens-1"), encoding="utf-8")
    put_photos(surveyed_job, job, mat_photos(surveyed_job, 1), held=(BOARDS[0], "lens-1"))
    remarks = bayfix("check", job, "--json").document["remarks"]
    assert remarks[-2] == f"lens-1 was not seen: the mat's place comes from {BOARDS[0]}"
    assert "nothing checks the mat file" in remarks[-1]
