"""A kept check counts while stand, mat, boards, lenses, job entries and sheet say what they said when it was made."""

from __future__ import annotations

import json
from dataclasses import dataclass, field

import numpy as np
import pytest
import tomlkit

from calib.paper.check_inputs import fingerprint, input_documents
from calib.paper.history import history, note
from calib.paper.job import Job, read_job
from calib.paper.sheet import read_sheets
from cli.check_inputs import carrier_file, check_inputs, states_of
from tests.support.commands import bayfix, refused
from tests.support.paper_job import THREE, paper_job

FLOOR = "floor, wheel or body entries or tape distances of job.toml"
ASKED = "boards, floor limits or places in sheet.toml"
VEHICLE = """\
schema = "vehicle/1"
name = "invented"
[limits.thrust_angle]
unit = "deg"
most = 0.3
[provenance]
document = "invented"
typed_by = "A. B."
"""
MAT_SHEET = """\
schema = "placement-sheet/2"
[provenance]
document = "invented"
typed_by = "A. B."
[[placement]]
name = "floor-mat"
target = "mat"
kind = "mat"
origin = "front-axle"
line = "thrust"
side = "ahead"
""" + "".join(
    f"""
[[placement.mark]]
name = "{name}"
ahead = {{ value = 1500, unit = "mm", tolerance = 8 }}
left = {{ value = {left}, unit = "mm", tolerance = 8 }}
"""
    for name, left in (("a", 500), ("b", -500))
)
MAT = """\
schema = "mat/1"
mark = [{ name = "a", x_mm = 0.0, y_mm = 0.0 }, { name = "b", x_mm = 0.0, y_mm = 1000.0 }]
[[board]]
name = "body-1"
x_mm = 100.0
y_mm = 500.0
"""


def edit(path, change) -> None:
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    change(document)
    path.write_text(tomlkit.dumps(document), encoding="utf-8")


def in_file(path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text, old
    path.write_text(text.replace(old, new), encoding="utf-8")


def checked(job: Job, name: str = "", epoch: str = "check-1") -> None:
    """A check that conforms, as a run of it would be kept now."""
    sheet = read_sheets(job.need_sheet())[name]
    check = {
        "schema": "check/1",
        "placement": name,
        "verdict": "conforms",
        "epoch": epoch,
        "date": "2026-01-31T10:00:00+00:00",
        "survey": {"id": "abc", "date": "2026-01-31"},
        "moves_in_words": "",
        "inputs": input_documents(check_inputs(job, sheet, carrier_file(job, sheet))),
    }
    note(job, epoch, check)


@pytest.fixture
def paper(tmp_path) -> Job:
    """Checked by its one nameless placement; a vehicle file with a limit, a measured stand-off."""
    paper_job(tmp_path)
    edit(tmp_path / "job.toml", lambda doc: doc["wheels"]["rear_left"].update(standoff_mm=120.0))
    (tmp_path / "vehicle.toml").write_text(VEHICLE, encoding="utf-8")
    edit(tmp_path / "job.toml", lambda doc: doc.update(vehicle="vehicle.toml"))
    job = read_job(tmp_path)
    checked(job)
    return job


def last_line(job: Job):
    return bayfix("job", "status", job.folder, "--json").document["lines"][-1]


CHANGES = {
    "stand": ("stand.toml", lambda doc: doc["board"][0].update(right_mm=7.0), "stand.toml"),
    "a floor board": ("boards.toml", lambda doc: doc["all"].update(thickness_mm=9.0), "boards.toml"),
    "lens": ("phone.lens.toml", lambda doc: doc["camera"].update(fx_px=1401.0), "phone.lens.toml"),
    "stand-off": ("job.toml", lambda doc: doc["wheels"]["rear_left"].update(standoff_mm=121.0), "stand-offs in job.toml"),
    "floor board": ("job.toml", lambda doc: doc["floor"].pop(), FLOOR),
    "floor": ("job.toml", lambda doc: doc.update(floor_pm_mm=4.0), FLOOR),
    "vehicle": ("vehicle.toml", lambda doc: doc["limits"]["thrust_angle"].update(most=0.1), "vehicle.toml"),
    "floor limit": ("sheet.toml", lambda doc: doc.add("floor", {"flatness": {"most": 3.0, "unit": "mm"}}), ASKED),
    "right board": ("sheet.toml", lambda doc: doc.update(target_boards=["stand-2"]), ASKED),
}


@pytest.mark.parametrize("what", CHANGES)
def test_a_check_does_not_count_when_what_it_was_computed_from_changed(paper, what):
    assert last_line(paper)["words"].startswith("conforms (check-1")
    file, change, named = CHANGES[what]
    edit(paper.folder / file, change)
    line = last_line(paper)
    assert line["state"] == "open"
    assert line["words"].startswith(f"{named} changed since this check: check again; it said conforms (check-1")
    told = refused("outcome", paper.folder, "completed", "--by", "C. D.")
    assert f"{named} changed since this check (check-1)" in told
    assert "check again" in told
    assert len(history(paper)) == 1


def pivot_and_words(folder) -> None:
    for file in ("stand.toml", "boards.toml", "job.toml"):
        path = folder / file
        path.write_text(path.read_text(encoding="utf-8") + "\n# seen again in spring\n", encoding="utf-8")
    edit(folder / "stand.toml", lambda doc: doc.add("pivot", {"right_mm": 10.0, "behind_mm": 20.0}))


def another_lens(folder) -> None:
    (folder / "other.lens.toml").write_bytes((folder / "phone.lens.toml").read_bytes())
    edit(folder / "job.toml", lambda doc: doc["lens"].append("other.lens.toml"))


def another_name(folder) -> None:
    (folder / "stand.toml").rename(folder / "s.toml")
    in_file(folder / "job.toml", "stand.toml", "s.toml")


@pytest.mark.parametrize(
    "change",
    [
        pivot_and_words,
        another_lens,
        lambda folder: edit(folder / "boards.toml", lambda doc: doc["charuco"][-1].update(square_mm=33.0)),
        lambda folder: (
            (folder / "stand.toml").rename(folder / "s.toml") and in_file(folder / "job.toml", "stand.toml", "s.toml")
        ),
    ],
)
def test_what_a_check_does_not_rest_on_may_change(paper, change):
    """What the stand turns about measures nothing; other lenses and boards were not there; the same stand by another name."""
    change(paper.folder)
    assert last_line(paper)["words"].startswith("conforms (check-1")


def test_another_file_in_its_place_and_one_that_cannot_be_read_are_told(paper):
    stand = paper.folder / "stand.toml"
    (paper.folder / "other.toml").write_bytes(stand.read_bytes())
    edit(paper.folder / "other.toml", lambda doc: doc["board"][0].update(up_mm=9.0))
    in_file(paper.folder / "job.toml", "stand.toml", "other.toml")
    assert last_line(paper)["words"].startswith("other.toml took the place of stand.toml since this check: check again")
    in_file(paper.folder / "job.toml", "other.toml", "stand.toml")
    stand.write_text("schema = ", encoding="utf-8")
    assert last_line(paper)["words"].startswith("stand.toml cannot be read any more: check again")


def test_a_check_with_a_lens_that_is_gone_does_not_count(paper):
    (paper.folder / "phone.lens.toml").rename(paper.folder / "old.lens.toml")
    in_file(paper.folder / "job.toml", "phone.lens.toml", "old.lens.toml")
    assert last_line(paper)["words"].startswith("phone.lens.toml not in this job any more: check again")


def test_the_way_out_is_told_for_both_cases(paper):
    """A typing error is mended with the same photos; a board that was mounted anew needs new ones."""
    bayfix("before", paper.folder, "--by", "A. B.", "--rest-yes", "--yes", "camera=red phone")
    (paper.photos_folder / "check-1" / "01.jpg").write_bytes(b"not looked at")
    edit(paper.folder / "stand.toml", CHANGES["stand"][1])
    step = last_line(paper)["step"]
    assert step.startswith(
        f"if only what was typed of it was put right: bayfix check {paper.folder} {paper.folder}/photos/check-1; "
        "if a thing itself was changed: put the target up; photograph it into"
    )
    assert step.endswith(f"photos/check-2 and run: bayfix check {paper.folder}")


def test_a_finished_placement_is_open_again_and_the_others_stay_as_they_are(tmp_path):
    """The file of one target changes: only its placement is to be checked again, and a new check makes it good."""
    paper_job(tmp_path, THREE)
    (tmp_path / "high.toml").write_bytes((tmp_path / "stand.toml").read_bytes())
    edit(tmp_path / "job.toml", lambda doc: doc.update(stands={"high": "high.toml"}))
    job = read_job(tmp_path)
    for name in ("low", "high"):
        checked(job, name)
        assert bayfix("outcome", tmp_path, "completed", "--by", "C. D.").status == 0
    edit(tmp_path / "high.toml", CHANGES["stand"][1])
    low, high, far = states_of(job, read_sheets(job.need_sheet()))
    assert (low.is_done, high.is_done, far.is_done) == (True, False, False)
    assert high.changed == ("high.toml changed since this check",)
    checked(job, "high", "check-2")
    assert bayfix("outcome", tmp_path, "completed", "--by", "C. D.", "--placement", "high").status == 0
    assert states_of(job, read_sheets(job.need_sheet()))[1].is_done


def test_the_newest_check_decides_also_where_an_older_one_fits_again(paper):
    """A file that was changed, used and changed back: the target may have been moved between the two checks."""
    edit(paper.folder / "stand.toml", CHANGES["stand"][1])
    checked(paper, epoch="check-2")
    edit(paper.folder / "stand.toml", lambda doc: doc["board"][0].update(right_mm=0.0))
    assert last_line(paper)["words"].startswith("stand.toml changed since this check: check again; it said conforms (check-2")


def test_a_mat_is_known_by_its_mat_file(tmp_path):
    paper_job(tmp_path, MAT_SHEET)
    (tmp_path / "mat.toml").write_text(MAT, encoding="utf-8")
    edit(tmp_path / "job.toml", lambda doc: doc.add("stands", {"floor-mat": "mat.toml"}))
    job = read_job(tmp_path)
    checked(job, "floor-mat")
    edit(tmp_path / "stand.toml", CHANGES["stand"][1])
    assert last_line(job)["words"].startswith("conforms (check-1")
    edit(tmp_path / "mat.toml", lambda doc: doc["board"][0].update(turn_deg=1.0))
    assert last_line(job)["words"].startswith("mat.toml changed since this check: check again")
    edit(tmp_path / "job.toml", lambda doc: doc.remove("stands"))
    assert last_line(job)["words"].startswith("no mat file took the place of mat.toml since this check")


def test_a_record_of_an_earlier_version_counts_and_what_is_not_known_is_said(paper):
    (path,) = (paper.results_folder / "history").iterdir()
    kept = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps({key: value for key, value in kept.items() if key != "inputs"}), encoding="utf-8")
    edit(paper.folder / "stand.toml", CHANGES["stand"][1])
    unknown = "by an earlier version, which did not note by what: unknown whether stand, boards or job.toml changed since"
    assert last_line(paper)["words"].endswith(unknown)
    done = bayfix("outcome", paper.folder, "completed", "--by", "C. D.")
    assert done.status == 0
    assert f"mind: the newest check of it (check-1) is {unknown}" in done.err
    assert last_line(paper)["state"] == "done"


@pytest.mark.usefixtures("in_this_process")
def test_a_real_check_keeps_what_it_was_computed_from(job):
    photo = sorted((job / "photos" / "check-1").iterdir())[0]
    document = bayfix("check", job, photo, "--json").document
    kinds = [row["kind"] for row in document["inputs"]]
    assert kinds == ["carrier", "boards", "lens shop", "vehicle", "stand-offs", "entries", "sheet"]
    words = bayfix("job", "status", job, "--json").document["lines"][-1]["words"]
    assert "since this check" not in words
    assert "unknown" not in words
    edit(job / "stand.toml", lambda doc: doc["board"][1].update(up_mm=3.0))
    assert "stand.toml changed since this check" in bayfix("job", "status", job, "--json").document["lines"][-1]["words"]


@dataclass(frozen=True)
class Older:
    name: str
    at_mm: float = 0.0


@dataclass(frozen=True)
class Newer(Older):
    lean_rad: float = 0.0
    cov: np.ndarray | None = field(default=None)


def test_a_fingerprint_is_of_what_is_said_not_of_the_program_that_reads_it():
    assert fingerprint(Older("a", 1.0)) == fingerprint(Newer("a", 1.0))
    assert fingerprint(Older("a", 1.0)) == fingerprint(Older(at_mm=1.0, name="a"))
    different = [
        Older("a"), Older("b", 1.0), Newer("a", 1.0, 0.1), Newer("a", 1.0, cov=np.eye(2)), Newer("a", 1.0, cov=np.eye(2) * 2)
    ]  # fmt: skip
    assert len({fingerprint(one) for one in (Older("a", 1.0), *different)}) == 6


def test_what_has_no_fingerprint_is_not_passed_over():
    with pytest.raises(TypeError, match="no fingerprint of object"):
        fingerprint([object()])
