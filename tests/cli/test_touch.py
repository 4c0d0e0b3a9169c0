"""`bayfix stylus` and `bayfix touch` on a whole job of blank photos whose sightings are simulated: results against the truth.

The stylus is taught between the floor boards before the car; the bumper and two marks on the floor are touched.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tomlkit
from scipy.spatial.transform import Rotation

from calib.paper.job import read_job
from calib.paper.stylus import read_stylus
from cli.base import Exit
from cli.points_kept import read_points
from cli.touching import photos_there
from synthetic_images import truth
from synthetic_images.rigid import apply, rigid
from synthetic_images.touches import TEACH
from synthetic_images.true_camera import TrueCamera
from tests.support.commands import bayfix, nothing_written, refused
from tests.support.paper_job import paper_job
from tests.support.photo_job import put_photos
from tests.support.simulated import CHECK
from tests.support.touched import BOARD, Touched, photographed, put_touches, rim_places, touched, without_board
from vision.errors import FileError
from vision.sightings import PhotoSightings

pytestmark = pytest.mark.usefixtures("in_this_process")


def edit(path: Path, change) -> None:
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    change(document)
    path.write_text(tomlkit.dumps(document), encoding="utf-8")


def name_stylus(folder: Path) -> None:
    """The key must stand before the tables."""
    path = folder / "job.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('stand = "', 'stylus = "stylus.toml"\nstand = "', 1), encoding="utf-8")


@pytest.fixture(scope="module")
def there(surveyed_job) -> Touched:
    return touched(surveyed_job, 1)


@pytest.fixture(scope="module")
def taught(surveyed_job, there, tmp_path_factory):
    """The surveyed job with a taught stylus and its three points touched; never changed: tests work on copies."""
    folder = tmp_path_factory.mktemp("touched") / "job"
    shutil.copytree(surveyed_job.desk.job.folder, folder)
    put_touches(surveyed_job, folder, there)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("vision.parallel.LEAST_FOR_POOL", 1000)
        taught = bayfix("stylus", "teach", folder, "--out", folder / "stylus.toml", "--json")
        name_stylus(folder)
        points = {name: bayfix("touch", folder, name, "--json").document for name in there.points}
    return folder, taught.document, points


@pytest.fixture(scope="module")
def from_bumper(taught, tmp_path_factory):
    """A copy whose sheet starts from the bumper, checked; never changed."""
    folder = tmp_path_factory.mktemp("from-bumper") / "job"
    shutil.copytree(taught[0], folder)
    edit(folder / "sheet.toml", lambda sheet: sheet.update(origin="point:bumper"))
    edit(folder / "sheet.toml", lambda sheet: sheet["distance"].update(value=1750.0))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("vision.parallel.LEAST_FOR_POOL", 1000)
        return folder, bayfix("check", folder, "--json").document


@pytest.fixture
def job(taught, tmp_path):
    folder = tmp_path / "job"
    shutil.copytree(taught[0], folder)
    return folder


def length_mm(there: Touched, a: str, b: str) -> float:
    return float(np.linalg.norm(there.points[a].mm - there.points[b].mm))


def test_the_taught_tip_is_the_true_one_within_its_u(taught, there):
    folder, document, _ = taught
    assert document["left_out"] == []
    for true, measured, u in zip(there.stylus.tip_mm, document["tip_mm"], document["U_mm"], strict=True):
        assert abs(measured - true) <= 1.5 * u  # 3 σ
        assert u < 0.3
    stylus = read_stylus(folder / "stylus.toml")
    assert stylus.tip_mm == pytest.approx(document["tip_mm"], abs=1e-3)
    assert len(stylus.photos) == 12


def test_touched_points_lie_where_they_are(taught, there):
    """Along and across the car from the true rear axle's middle, and above the true floor plane; 3 σ each."""
    frame = truth.line_frame(there.bay, there.bay.epoch(CHECK).stand)
    for name, document in taught[2].items():
        gap = (there.points[name].mm - frame.rear_middle_mm) @ frame.axes
        true = {"ahead_mm": gap[0], "left_mm": gap[1]}
        true["height_mm"] = (there.points[name].mm - frame.foot_mm) @ frame.axes[:, 2]
        rows = {row["name"]: row for row in document["figures"]}
        for figure, value in true.items():
            assert abs(rows[figure]["measured"] - value) <= 1.5 * rows[figure]["U"], (name, figure)


def test_the_stylus_is_proved_on_a_known_length(job, there):
    mm = length_mm(there, "mark-a", "mark-b")
    good = bayfix("stylus", "prove", job, "mark-a", "mark-b", "--mm", round(mm, 2), "--pm", 0.5)
    assert good.status == Exit.CONFORMS
    assert "the stylus agrees" in good.out
    bad = bayfix("stylus", "prove", job, "mark-a", "mark-b", "--mm", round(mm + 3.0, 2), "--pm", 0.5, "--json")
    assert bad.status == Exit.DOES_NOT_CONFORM
    assert bad.document["agrees"] is False
    assert bad.document["difference_mm"] == pytest.approx(-3.0, abs=1.0)
    assert json.loads((job / "results" / "length-mark-a-mark-b.json").read_text(encoding="utf-8")) == bad.document


def test_a_touched_bumper_is_the_origin_of_a_sheet(from_bumper, there):
    check = from_bumper[1]
    frame = truth.line_frame(there.bay, there.bay.epoch(CHECK).stand)
    true = float((there.bay.bay_from_target(CHECK)[:3, 3] - there.points["bumper"].mm) @ frame.axes[:, 0])
    (row,) = (row for row in check["figures"] if row["name"] == "distance_mm")
    assert abs(row["measured"] - true) <= 1.5 * row["U"]
    assert row["U"] < 2.0
    assert check["sources"]["distance_mm"]["stylus"] > 0
    assert check["sources"]["distance_mm"]["stand-off"] == pytest.approx(0.0, abs=1e-6)


def test_a_budget_from_a_touched_origin_names_what_could_hide_in_the_touch_photos(from_bumper):
    """A tip elsewhere in one photo: how far it is said to move the distance is how far a board read elsewhere does."""
    job, checked = from_bumper
    budget = bayfix("budget", job, "distance_mm", "--json").document
    slips = [row for row in budget["unnoticed"] if row["kind"] == "tip"]
    assert {row["error"] for row in slips} == {f"tip beside point bumper in touch-bumper/0{i}.jpg" for i in range(1, 7)}
    assert all(0.3 < row["unnoticed_below"] < 10.0 and row["unit"] == "mm" and not row["shows"] for row in slips)
    assert all(0.0 < row["moves_figure_by"] < row["unnoticed_below"] for row in slips)
    beside = [row["error"] for row in budget["unnoticed"] if "touch-bumper/" in row["error"] and row["kind"] == "sighting"]
    assert beside
    assert all(error.startswith(("floor-", "wheel-")) for error in beside)
    (check,) = (row for row in checked["figures"] if row["name"] == "distance_mm")
    assert (budget["measured"], budget["U"]) == pytest.approx((check["measured"], check["U"]), rel=1e-6)


def test_three_touches_on_a_rim_take_the_place_of_its_stand_off(job, surveyed_job, there):
    rim = touched(surveyed_job, 1, places=rim_places(surveyed_job.demo.bay, "rear_left", "rl"), teach=0, touch=3)
    assert rim.stylus == there.stylus
    put_touches(surveyed_job, job, rim)
    typed = {row["name"]: row for row in bayfix("wheels", job, "--json").document["figures"]}

    def flange(document):
        wheel = document["wheels"]["rear_left"]
        del wheel["standoff_mm"], wheel["standoff_pm_mm"]
        wheel["flange"] = list(rim.points)

    edit(job / "job.toml", flange)
    words = refused("wheels", job)
    assert "point rl-1 was not touched in this job" in words
    for name in rim.points:
        document = bayfix("touch", job, name, "--json").document
    assert {"ahead_mm", "left_mm"} <= {row["name"] for row in document["figures"] if "measured" in row}
    wheels = bayfix("wheels", job, "--json").document
    measured = {row["name"]: row for row in wheels["figures"]}
    true = truth.alignment(rim.bay)
    assert "point rl-1" not in "".join(str(row.get("not_measured", "")) for row in wheels["figures"])
    for name, theirs in (("track_rear_mm", "rear_track_mm"), ("thrust_angle_deg", "thrust_angle_deg")):
        row, earlier = measured[name], typed[name]
        assert abs(row["measured"] - true[theirs]) <= 1.5 * row["U"], name
        assert row["measured"] == pytest.approx(earlier["measured"], abs=1.5 * (row["U"] + earlier["U"]))
    assert wheels["sources"]["track_rear_mm"]["stylus"] > 0.01
    assert measured["track_rear_mm"]["U"] < 2.5


def test_a_floor_board_kicked_before_the_touch_is_named_and_not_kept(job, there, surveyed_job):
    """The board is elsewhere in all photos of the point; the point stays where it is, and a later check takes no harm.

    Touched anew, the point is replaced by its name, and the others are kept.
    """
    before = read_points(read_job(job))
    seen = there.photos_of("touch-bumper")
    count = {name: sum(one.sighting(name) is not None for one in seen.values()) for name in surveyed_job.desk.job.floor}
    board = max(count, key=lambda name: count[name])
    kicked = there.bay.with_floor_board_moved(board, 9.0, -7.0)
    shots = [shot for shot in there.shots if shot.file_name in seen]
    after = photographed(kicked, surveyed_job.demo.camera, shots, 0.1, np.random.default_rng(6))
    put_photos(surveyed_job, job, after, held=(BOARD,))
    document = bayfix("touch", job, "bumper", "--json").document
    assert any(remark.startswith(f"{board} moved by 11.") for remark in document["remarks"]), document["remarks"]
    points = read_points(read_job(job))
    assert [row["name"] for row in points] == [row["name"] for row in before] == ["bumper", "mark-a", "mark-b"]
    assert points[1:] == before[1:]
    assert points[0]["moved_since_survey"] == [board]
    rows = {one["name"]: one for one in document["figures"]}
    frame = truth.line_frame(there.bay, there.bay.epoch(CHECK).stand)
    true = (there.points["bumper"].mm - frame.rear_middle_mm) @ frame.axes[:, 0]
    assert abs(rows["ahead_mm"]["measured"] - true) <= 1.5 * rows["ahead_mm"]["U"]
    edit(job / "sheet.toml", lambda sheet: sheet.update(origin="point:bumper"))
    check = bayfix("check", job, "--json").document
    assert check["moved_since_survey"] == []


# --- bad input --------------------------------------------------------------------------------------------------------


def test_a_sheet_with_a_point_that_was_not_touched(job):
    edit(job / "sheet.toml", lambda sheet: sheet.update(origin="point:emblem"))
    with nothing_written(job):
        words = refused("check", job)
    assert "point emblem was not touched in this job (touched: bumper, mark-a, mark-b)" in words
    assert f"bayfix touch {job} emblem" in words


def test_a_point_without_photos_and_one_with_no_possible_name(job):
    with nothing_written(job):
        assert "touch-emblem: no photo of point emblem" in refused("touch", job, "emblem")
        assert "'../x' is no name of a point" in refused("touch", job, "../x")
        assert "no such photo" in refused("touch", job, "bumper", job / "no.jpg")


def test_a_touch_before_a_stylus_was_taught(job):
    edit(job / "job.toml", lambda job: job.pop("stylus"))
    with nothing_written(job):
        words = refused("touch", job, "bumper")
    assert "stylus: this key is missing" in words


def test_a_point_outside_the_surveyed_bay(job, there, surveyed_job):
    floor = [board.name for board in there.bay.floor_boards]
    lost = {photo: without_board(one, *floor) for photo, one in there.photos_of("touch-bumper").items()}
    put_photos(surveyed_job, job, lost, held=(BOARD,))
    with nothing_written(job):
        words = refused("touch", job, "bumper")
    assert "no photo shows the stylus board stylus-1 together with a floor board of the surveyed bay" in words
    assert "touch-bumper/01.jpg: left out, it shows no floor board of this job beside stylus-1" in words
    assert "step back until stylus-1 and two floor boards or more" in words


def test_a_car_that_moved_before_the_touch(job, surveyed_job):
    """A wheel board in the photos is 15 mm further on than in rest."""
    places = rim_places(surveyed_job.demo.bay, "front_left", "fl")
    rim = touched(surveyed_job, 1, places={"fl-2": places["fl-2"]}, teach=0, touch=3)
    rolled = tuple(replace(e, travel_mm=15.0) if e.name.startswith("touch-") else e for e in rim.bay.epochs)
    bay = replace(rim.bay, epochs=rolled)
    seen = photographed(bay, surveyed_job.demo.camera, rim.shots, 0.1, np.random.default_rng(7))
    assert any(one.sighting("wheel-front-left") for one in seen.values())
    put_photos(surveyed_job, job, seen, held=(BOARD,))
    with nothing_written(job):
        words = refused("touch", job, "fl-2")
    assert "the car (or a wheel board) moved since epoch rest: wheel-front-left by 15." in words


def test_photos_without_the_stylus_are_named(job, there, surveyed_job):
    seen = there.photos_of("touch-bumper")
    first = sorted(seen)[:5]
    put_photos(surveyed_job, job, {photo: without_board(seen[photo], BOARD) for photo in first}, held=(BOARD,))
    with nothing_written(job):
        words = refused("touch", job, "bumper")
    assert "point bumper: 1 photo shows the stylus board together with known floor boards, at least 2 are needed" in words


def test_a_length_that_anything_agrees_with_is_no_proof(job):
    assert bayfix("stylus", "prove", job, "a", "b", "--mm", "1000", "--pm", "inf").status == 2


def test_photos_of_a_point_are_named_by_their_folder_and_each_counts_once(tmp_path):
    for name in ("2.jpg", "10.jpg", "note.txt"):
        (tmp_path / name).touch()
    (tmp_path / "rest").mkdir()
    found = photos_there([tmp_path, tmp_path / "2.jpg", tmp_path / "rest" / ".." / "10.jpg"])
    assert [path.name for path in found] == ["2.jpg", "10.jpg"]
    with pytest.raises(FileError, match=r"nope\.jpg: no such photo"):
        photos_there([tmp_path / "nope.jpg"])


@pytest.mark.parametrize("points", ["3", "[3]", '[{"name": "bumper"}]', "null"])
def test_damaged_points_are_refused_in_words(tmp_path, points):
    job = paper_job(tmp_path)
    (tmp_path / "results").mkdir()
    (tmp_path / "results" / "points.json").write_text(f'{{"schema": "points/1", "points": {points}}}', encoding="utf-8")
    with pytest.raises(FileError, match=r"points\.json: damaged: a point without .*survey") as caught:
        read_points(job)
    assert "bayfix touch" in caught.value.hint


def one_axis(there: Touched, camera: TrueCamera, turns_deg) -> dict[str, PhotoSightings]:
    """Photos from one place in which the stylus turns about its board's normal only, the tip staying where it was."""
    first = there.shots[0]
    pose = first.held[BOARD]
    tip = apply(pose, np.array(there.stylus.tip_mm))
    shots = []
    for i, deg in enumerate(turns_deg):
        turn = Rotation.from_rotvec(np.radians(deg) * pose[:3, 2]).as_matrix()
        shots.append(replace(first, name=f"axis-{i}", held={BOARD: rigid(turn, tip - turn @ tip) @ pose}))
    return photographed(there.bay, camera, shots, 0.1, np.random.default_rng(5))


def test_a_stylus_turned_about_one_axis_only(job, surveyed_job, there):
    put_photos(surveyed_job, job, one_axis(there, surveyed_job.demo.camera, range(-36, 37, 12)), below=".", held=(BOARD,))
    photos = sorted((job / TEACH).glob("axis-*.jpg"))
    with nothing_written(job):
        words = refused("stylus", "teach", job, *photos, "--out", job / "other.toml")
    assert "the stylus was turned about one axis only (board axis " in words
    assert "lean the stylus to the front, back, left and right by 30° and more" in words


def test_what_teaching_needs(job):
    photos = sorted((job / TEACH).glob("*.jpg"))
    with nothing_written(job):
        words = refused("stylus", "teach", job, *photos[:3], "--out", job / "other.toml")
        assert "3 photos show the stylus board together with known floor boards, at least 4 are needed" in words
        assert "there is no board 'stylus-9'" in refused("stylus", "teach", job, *photos, "--board", "stylus-9")
        words = refused("stylus", "teach", job, *photos, "--board", "floor-1")
        assert "board floor-1 stands in this job (floor, wheel or target)" in words
    shutil.rmtree(job / TEACH)
    assert "teach: no photo of the stylus" in refused("stylus", "teach", job, "--out", job / "other.toml")


def test_a_point_touched_on_another_survey(job):
    def other(row):
        row["survey"]["id"] = "000000000000"

    path = job / "results" / "points.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    other(document["points"][0])
    path.write_text(json.dumps(document), encoding="utf-8")
    edit(job / "sheet.toml", lambda sheet: sheet.update(origin="point:bumper"))
    words = refused("check", job)
    assert "point bumper was touched on survey 000000000000, the present one is" in words
    path.write_text("{", encoding="utf-8")
    assert "points.json: damaged" in refused("check", job)


def test_a_stylus_board_that_was_printed_anew(job):
    def wider(document):
        for board in document["charuco"]:
            if board["name"] == BOARD:
                board["measured"]["x_mm"] = float(board["measured"]["x_mm"]) + 0.1

    edit(job / "boards.toml", wider)
    assert "the print scale of stylus-1 was recorded anew since this stylus was taught" in refused("touch", job, "bumper")
