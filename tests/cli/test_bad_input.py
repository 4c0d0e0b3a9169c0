"""Bad input through the real commands: status 2, what is wrong and what to try in words, no traceback, the job as it was.

Photos are blank; what they would show is simulated and kept as a first look keeps it (`tests/cli/conftest.py`).
"""

from __future__ import annotations

import math
import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tomlkit
from PIL import Image

import vision.parallel
from cli.base import Exit
from synthetic_images.imaging import exif_of
from synthetic_images.shots import epoch_shots
from synthetic_images.true_camera import still_camera
from tests.support.commands import bayfix, nothing_written, refused
from tests.support.photo_job import blank_jpeg, every_board, four_photos, kept_survey, put_photos
from tests.support.simulated import CHECK, Scene, check_alone, kicked, scene_of, simulate, with_epochs
from vision.sightings import PhotoSightings

pytestmark = pytest.mark.usefixtures("in_this_process")


def edit(path: Path, change) -> None:
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    change(document)
    path.write_text(tomlkit.dumps(document), encoding="utf-8")


def refused_survey(job) -> str:
    with nothing_written(job):
        return refused("survey", job)


# --- photos -----------------------------------------------------------------------------------------------------------


def test_an_empty_photo_folder(new_job):
    words = refused_survey(new_job)
    assert "photos: no photo" in words
    assert "roll-1, roll-2, … while the car is rolled, then rest" in words


def test_a_folder_that_is_no_job(tmp_path):
    assert "bayfix job new" in refused("survey", tmp_path)
    assert "no such job folder" in refused("survey", tmp_path / "nowhere")


def test_a_file_that_is_no_image(surveyed_job, new_job):
    (four_photos(surveyed_job, new_job) / "05.jpg").write_text("shopping list", encoding="utf-8")
    words = refused_survey(new_job)
    assert "05.jpg: not an image" in words


def test_a_truncated_jpeg(surveyed_job, new_job):
    cut = four_photos(surveyed_job, new_job) / "03.jpg"
    cut.write_bytes(cut.read_bytes()[:-400])
    words = refused_survey(new_job)
    assert "03.jpg: the photo is cut short" in words
    assert "copy it again from the camera" in words


def test_a_complaint_of_a_worker_process_keeps_its_words(surveyed_job, new_job, monkeypatch):
    monkeypatch.setattr(vision.parallel, "LEAST_FOR_POOL", 2)
    cut = four_photos(surveyed_job, new_job) / "03.jpg"
    cut.write_bytes(cut.read_bytes()[:-400])
    words = refused_survey(new_job)
    assert "03.jpg: the photo is cut short" in words
    assert "copy it again from the camera" in words


def test_a_photo_of_another_camera(surveyed_job, new_job):
    other = replace(still_camera(), width_px=1920, height_px=1080)
    (four_photos(surveyed_job, new_job) / "05.jpg").write_bytes(blank_jpeg(other))
    words = refused_survey(new_job)
    assert "rest/05.jpg fits no lens profile" in words
    assert "other camera (" in words
    assert "bayfix lens" in words


def test_a_photo_of_another_size(surveyed_job, new_job):
    (four_photos(surveyed_job, new_job) / "05.jpg").write_bytes(blank_jpeg(surveyed_job.demo.camera, size_px=(1280, 720)))
    words = refused_survey(new_job)
    assert "rest/05.jpg" in words
    assert "1280x720 px, the profile is for 1920x1080" in words


def test_a_turned_photo(surveyed_job, new_job):
    photo = four_photos(surveyed_job, new_job) / "02.jpg"
    with Image.open(photo) as picture:
        turned = picture.transpose(Image.Transpose.ROTATE_90)
    turned.save(photo, exif=exif_of(surveyed_job.demo.camera))
    words = refused_survey(new_job)
    assert "rest/02.jpg" in words
    assert "width and height are exchanged" in words
    assert "use the original" in words


def test_a_photo_outside_the_epochs(surveyed_job, new_job):
    four_photos(surveyed_job, new_job).rename(new_job / "photos" / "after-lunch")
    words = refused_survey(new_job)
    assert "'after-lunch' is no name of an epoch" in words


def test_a_photo_that_is_not_there(job):
    with nothing_written(job):
        assert "IMG_9.jpg: no such photo" in refused("check", job, job / "IMG_9.jpg")
        assert "results: no photo of this job in this folder" in refused("check", job, job / "results")


# --- files ------------------------------------------------------------------------------------------------------------


def test_clashing_board_ids(surveyed_job, new_job):
    four_photos(surveyed_job, new_job)

    def clash(document):
        document["charuco"][1]["first_id"] = int(document["charuco"][0]["first_id"]) + 3

    edit(new_job / "boards.toml", clash)
    words = refused_survey(new_job)
    assert "boards.toml" in words
    assert "wheel-front-left" in words
    assert "marker id" in words


def test_no_lens_profile(surveyed_job, new_job):
    four_photos(surveyed_job, new_job)
    (new_job / "shop.lens.toml").unlink()
    words = refused_survey(new_job)
    assert "shop.lens.toml" in words
    assert "bayfix lens PHOTOS" in words


@pytest.mark.parametrize("command", ["wheels", "check"])
def test_a_missing_survey_names_the_command(job, command):
    shutil.rmtree(job / "results")
    with nothing_written(job):
        words = refused(command, job)
    assert "there is no survey yet" in words
    assert f"try: run: bayfix survey {job}" in words


def test_a_survey_of_other_boards_is_not_used(job):
    edit(job / "job.toml", lambda document: document["floor"].remove("floor-16"))
    with nothing_written(job):
        words = refused("wheels", job)
    assert "the boards, the floor and wheel boards or tape distances of job.toml changed since the survey" in words


def test_a_survey_whose_estimate_is_gone(job):
    next((job / "results").glob("survey-*.npz")).unlink()
    with nothing_written(job):
        assert "is missing or does not belong to survey.json" in refused("wheels", job)


def missing_unit(document):
    del document["distance"]["unit"]


def negative_tolerance(document):
    document["yaw"]["tolerance"] = -0.5


def unknown_origin(document):
    document["origin"] = "bumper"


def unknown_key(document):
    document["colour"] = "red"


def no_tolerance(document):
    for figure in ("distance", "lateral", "height", "yaw", "pitch", "roll"):
        del document[figure]["tolerance"]


@pytest.mark.parametrize(
    ("change", "where", "what"),
    [
        (missing_unit, "distance.value", 'has no unit: write unit = "mm"'),
        (negative_tolerance, "yaw.tolerance", "-0.5 is no tolerance: a half-width larger than zero"),
        (unknown_origin, "origin", "'front-axle', 'rear-axle'"),
        (unknown_key, "colour", "unknown key"),
        (no_tolerance, "", "tolerance"),
    ],
)
def test_a_sheet_with_a_wrong_entry(job, change, where, what):
    edit(job / "sheet.toml", change)
    with nothing_written(job):
        words = refused("check", job)
    assert what in words
    if where:
        line = next(i for i, text in enumerate((job / "sheet.toml").read_text().splitlines(), 1) if key_of(where) in text)
        assert f"sheet.toml:{line}: {where}: " in words


def key_of(where: str) -> str:
    """Text to find the line of a complaint by: the key, or the table of a missing one."""
    return {"distance.value": "value = ", "yaw.tolerance": "tolerance = -0.5"}.get(where, where.split(".")[-1])


@pytest.mark.parametrize("file", ["job.toml", "stand.toml", "boards.toml", "shop.lens.toml"])
def test_an_unknown_key_is_refused_with_its_line(job, file):
    text = (job / file).read_text(encoding="utf-8").splitlines()
    (job / file).write_text("\n".join([*text[:1], "colour = 'red'", *text[1:]]), encoding="utf-8")
    with nothing_written(job):
        assert f"{file}:2: colour: unknown key" in refused("check", job)


# --- the survey and the wheels ------------------------------------------------------------------------------------------


def test_a_network_in_two_parts_names_the_photo_to_take(surveyed_job, new_job):
    beside = {photo: seen for photo, seen in surveyed_job.seen.items() if photo.startswith("roll-1")}
    put_photos(surveyed_job, new_job, beside)
    words = refused_survey(new_job)
    assert "the car's right side and the car's left side are not tied: no photo shows boards of both" in words
    # Boards seen beside the front wheels, not any board of that side.
    assert re.search(r"try: add a photo from the front left corner showing floor-[89] and floor-[34] together", words)


def only(sim, *epochs):
    """The simulation with the photos of these epochs only."""
    return replace(sim, views={epoch: views for epoch, views in sim.views.items() if epoch in epochs})


def test_only_one_epoch(bay, tmp_path):
    sim = simulate(tmp_path / "job", 1, of=bay)
    kept_survey(only(sim, "rest"))
    with nothing_written(sim.desk.job.folder):
        words = refused("wheels", sim.desk.job.folder)
    assert "there is only one epoch, rest" in words
    assert "photograph roll-1, roll-2, roll-3 before rest" in words


def test_too_little_roll_says_how_much_further(bay, tmp_path):
    short = {"roll-1": {"travel_mm": -40.0, "slip_mm": 0.0}, "roll-2": {"travel_mm": -20.0, "slip_mm": 0.0}}
    sim = simulate(tmp_path / "job", 1, of=scene_of(photographed_anew(with_epochs(bay.demo, short), ("roll-1", "roll-2"))))
    kept_survey(only(sim, "roll-1", "roll-2", "rest"))
    with nothing_written(sim.desk.job.folder):
        words = refused("wheels", sim.desk.job.folder)
    assert "wheel turned only 7° over all epochs: its toe would be known to" in words
    assert re.search(r"try: roll the car about 0\.\d m further \(0\.\d\d of a wheel turn\), in two steps", words)


def photographed_anew(demo, epochs):
    """The demo with the photos of these epochs taken where the car stands now, and those of `rest`."""
    rng = np.random.default_rng(80)
    shots = [shot for epoch in epochs for shot in epoch_shots(demo.bay, epoch, rng, demo.camera)]
    return replace(demo, shots=(*shots, *(shot for shot in demo.shots if shot.epoch == "rest")))


def test_a_wheel_board_that_slipped_names_the_wheel(bay, tmp_path):
    sim = simulate(tmp_path / "job", 1, of=slipped(bay, "rear_right", before="roll-2"))
    kept_survey(only(sim, "roll-1", "roll-2", "roll-3", "rest"))
    with nothing_written(sim.desk.job.folder):
        words = refused("wheels", sim.desk.job.folder)
    assert "the board of the rear right wheel (wheel-rear-right) slipped on its wheel between roll-1 and roll-2" in words


def slipped(bay: Scene, position: str, *, before: str) -> Scene:
    """The scene with one wheel's board mounted elsewhere by some millimetres and tenths of a degree in the epochs before."""
    wheels = tuple(
        replace(w, mount=replace(w.mount, off_centre_mm=(w.mount.off_centre_mm[0] + 4.0, w.mount.off_centre_mm[1] - 3.0)))
        if w.position == position
        else w
        for w in bay.demo.bay.wheels
    )
    early = tuple(shot for shot in bay.demo.shots if "roll-1" <= shot.epoch < before)
    other = scene_of(replace(bay.demo, bay=replace(bay.demo.bay, wheels=wheels), shots=early))
    return Scene(bay.demo, {**bay.corners, **other.corners})


# --- the check ----------------------------------------------------------------------------------------------------------


def shown(seen: PhotoSightings, keep) -> PhotoSightings:
    return replace(seen, found=tuple(sighting for sighting in seen.found if keep(sighting.board)))


def check_photos(sim, keep=lambda _board: True):
    return {photo: shown(seen, keep) for photo, seen in sim.seen.items() if photo.startswith(CHECK)}


def test_a_check_that_does_not_show_the_stand(surveyed_job, job):
    bare = check_photos(surveyed_job, lambda board: not board.startswith("stand"))
    put_photos(surveyed_job, job, bare)
    put_photos(surveyed_job, job, bare, held=every_board(surveyed_job))
    with nothing_written(job):
        words = refused("check", job)
    assert "stand board not seen: looked for stand-1, stand-2 in check-1/01.jpg" in words
    assert "30° to 45° beside its normal" in words


def test_a_check_without_surveyed_floor_boards(surveyed_job, job):
    put_photos(surveyed_job, job, check_photos(surveyed_job, lambda board: board.startswith("stand")))
    with nothing_written(job):
        words = refused("check", job)
    assert "no surveyed floor board is seen together with the stand" in words


def photographed_again(job, of: Scene):
    """New photos of the check."""
    sim = simulate(job.parent / "again", 1, of=of)
    shutil.rmtree(job / "photos" / CHECK)
    put_photos(sim, job, sim.seen)
    return {board.board for boards in of.corners.values() for board in boards if board.board.startswith("floor")}


def test_a_floor_board_that_was_kicked_is_named_and_left_out(bay, surveyed_job, job):
    seen = photographed_again(job, kicked(bay, "floor-14"))
    assert len(seen) >= 4
    assert "floor-14" in seen
    outcome = bayfix("check", job, "--json")
    assert outcome.status in (Exit.CONFORMS, Exit.DOES_NOT_CONFORM, Exit.UNDECIDED)
    moved = outcome.document["moved_since_survey"]
    assert [entry["board"] for entry in moved] == ["floor-14"]
    assert moved[0]["shift_mm"] == pytest.approx(5.0, abs=2.5)
    assert any("floor-14 moved by" in remark for remark in outcome.document["remarks"])
    for row in outcome.document["figures"]:
        assert abs(row["measured"] - surveyed_job.truth[row["name"]]) < 1.5 * row["U"], row["name"]


def test_two_kicked_floor_boards_are_both_named_and_a_photo_is_asked_for(bay, job):
    photographed_again(job, kicked(bay, "floor-12", "floor-13"))
    outcome = bayfix("check", job)
    assert "note: floor-12 moved by" in outcome.out
    assert "note: floor-13 moved by" in outcome.out
    assert "take another photo that shows more floor boards" in outcome.out


def test_a_kicked_board_among_too_few_is_refused(bay, job):
    wanted = {"floor-12", "floor-13", "floor-14", "stand-1", "stand-2"}
    of = kicked(bay, "floor-14")
    few = {photo: tuple(b for b in boards if b.board in wanted) for photo, boards in of.corners.items()}
    photographed_again(job, Scene(of.demo, few))
    with nothing_written(job):
        words = refused("check", job)
    assert "floor-14 (by " in words
    assert "only 2 other floor boards are seen" in words
    assert "at least four floor boards" in words


def test_a_car_that_moved_since_rest_is_refused(bay, job):
    photographed_again(job, check_alone(bay, {"travel_mm": 8.0}))
    with nothing_written(job):
        words = refused("check", job)
    assert "the car (or a wheel board) moved since epoch rest: wheel-front-" in words
    assert "photograph epoch rest again" in words


def test_a_source_of_uncertainty_that_there_is_not(job):
    for command in ("check", "wheels"):
        with nothing_written(job):
            words = refused(command, job, "--without", "weather")
        assert "there is no source of uncertainty 'weather' here" in words
        assert "stand-off" in words


def test_a_check_without_a_source_is_shown_and_not_kept(job):
    with nothing_written(job):
        outcome = bayfix("check", job, "--without", "floor", "--json")
    assert "floor" not in outcome.document["sources"]["height_mm"]
    assert outcome.status != Exit.BAD_INPUT


def test_wheels_without_a_source_are_shown_and_not_kept(job):
    whole = bayfix("wheels", job, "--json").document
    with nothing_written(job):
        part = bayfix("wheels", job, "--without", "stand-off", "--json").document
    assert "stand-off" not in part["sources"]["thrust_angle_deg"]
    row = [next(r for r in d["figures"] if r["name"] == "thrust_angle_deg") for d in (whole, part)]
    share = whole["sources"]["thrust_angle_deg"]["stand-off"]
    assert row[0]["measured"] == row[1]["measured"]
    assert row[1]["U"] == pytest.approx(math.sqrt(row[0]["U"] ** 2 - share**2))
    # Four stand-offs of ±0.6 mm move R and F by ±0.6 mm / √2 each, a wheelbase apart.
    base_mm = next(r for r in whole["figures"] if r["name"] == "wheelbase_left_mm")["measured"]
    assert share == pytest.approx(math.degrees(0.6 / base_mm), rel=0.05)
    assert whole["sources"]["rear_total_toe_deg"]["stand-off"] < 0.1 * share
