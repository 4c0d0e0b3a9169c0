"""A mat checked by boards that lie on it: photos of a check alone, or with a mark touched besides, against the truth."""

from __future__ import annotations

import json
import re
import shutil

import pytest

from cli.base import Exit
from tests.cli.test_mat import marked_job, there, true_places  # noqa: F401 - fixtures
from tests.cli.test_mat import put_sheet as sheet_of
from tests.support.commands import bayfix, nothing_written, refused
from tests.support.mat_boards import BOARDS, mat_photos, mat_text, name_mat
from tests.support.photo_job import put_photos

pytestmark = pytest.mark.usefixtures("in_this_process")


@pytest.fixture
def job(marked_job, surveyed_job, there, tmp_path):  # noqa: F811
    """The surveyed job with a mat in the photos of the check; both of its marks were touched, none of it is kept."""
    folder = tmp_path / "job"
    shutil.copytree(marked_job, folder)
    (folder / "mat.toml").write_text(mat_text(surveyed_job, 1), encoding="utf-8")
    name_mat(folder)
    sheet_of(folder, true_places(there))
    shutil.rmtree(folder / "photos" / "check-1")
    put_photos(surveyed_job, folder, mat_photos(surveyed_job, 1), held=BOARDS)
    keep_points(folder)
    return folder


def keep_points(job, *names: str) -> None:
    path = job / "results" / "points.json"
    points = json.loads(
        (path.parent / "all-points.json" if (path.parent / "all-points.json").exists() else path).read_text("utf-8")
    )
    (path.parent / "all-points.json").write_text(json.dumps(points), encoding="utf-8")
    points["points"] = [row for row in points["points"] if row["name"] in names]
    path.write_text(json.dumps(points), encoding="utf-8")


def test_boards_on_a_mat_show_its_marks_without_a_stylus(job, there):  # noqa: F811
    step = bayfix("job", "status", job, "--json").document["lines"][-1]["step"]
    assert step.startswith("lay the mat out; photograph floor-mat into") or step.startswith(
        "lay the mat out; photograph it into"
    )
    document = bayfix("check", job, "--json").document
    for row, value in zip(document["figures"], true_places(there), strict=True):
        assert abs(row["measured"] - value) <= 1.5 * row["U"], row["name"]  # 3 σ
        assert row["U"] < 8.0  # touched with the stylus it is known to less than 10 mm
        assert "stylus" not in document["sources"][row["name"]]
        assert document["sources"][row["name"]]["mat file"] > 0
        assert 0 < document["sources"][row["name"]]["mat shape"] < 1.0  # a stretch of ±0.1 % over half a metre
    assert document["verdict"] == "conforms"
    assert document["car"]["seen"] != []  # the photos show the front wheels, so no reason is needed
    assert [row["agrees"] for row in document["second_boards"]] == [True, True]
    assert any("boards and touched marks fit it within" in remark for remark in document["remarks"])
    assert json.loads((job / "results" / "check-1.json").read_text(encoding="utf-8"))["placement"] == "floor-mat"


def test_a_touched_mark_counts_as_well_and_one_that_contradicts_is_refused_until_forgotten(job, surveyed_job):
    keep_points(job, "mark-a")
    document = bayfix("check", job, "--json").document
    assert [row["board"] for row in document["second_boards"]] == [*BOARDS, "touched mark right"]
    assert document["sources"]["right_ahead_mm"]["stylus"] > 0
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
    assert bayfix("check", job).status == Exit.DOES_NOT_CONFORM  # the mat file's wrong place is all there is now
    assert "point mark-a was not touched in this job" in refused("touch", job, "mark-a", "--forget")


def test_a_mark_that_the_mat_file_lacks_must_be_touched(job):
    text = (job / "mat.toml").read_text(encoding="utf-8")
    (job / "mat.toml").write_text(text.replace('name = "left"', 'name = "other"'), encoding="utf-8")
    with nothing_written(job):
        assert "point mark-b was not touched in this job" in refused("check", job)
    step = bayfix("job", "status", job, "--json").document["lines"][-1]["step"]
    assert "touch the marks (mark-b; bayfix touch" in step
    assert "photograph floor-mat into" in step or "photograph it into" in step


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
    (job / "sheet.toml").write_text(sheet, encoding="utf-8")
    put_photos(
        surveyed_job, job, {name: one for name, one in surveyed_job.seen.items() if name.startswith("check-1")}, held=BOARDS
    )
    with nothing_written(job):
        assert "no board of the mat floor-mat seen: looked for body-1, body-2" in refused("check", job)
