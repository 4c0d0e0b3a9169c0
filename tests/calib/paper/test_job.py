"""Job folders: what is read, overrides, and each wrong entry named by file, line and key."""

from __future__ import annotations

import pytest

from calib.geometry.wheels import Mode
from calib.paper.job import Standoff, TapeDistance, check_job, read_job, with_overrides, write_result
from calib.paper.stand import Stand, StandBoard
from vision.boards import Board, BoardSet
from vision.errors import FileError

GOOD = """\
schema = "job/1"
lens = ["phone.lens.toml"]
boards = "boards.toml"
sheet = "sheet.toml"
stand = "stand.toml"
floor = ["floor-1", "floor-2", "floor-3", "floor-7"]
standoff_common_pm_mm = 0.3

[photos."check-1/*.png"]
lens = "webcam.lens.toml"

[wheels.rear_left]
board = "wheel-rear-left"
standoff_mm = 85.0
standoff_pm_mm = 0.6

[wheels.rear_right]
board = "wheel-rear-right"
standoff_mm = 84

[wheels.front_left]
board = "wheel-front-left"

[[distance]]
a = "floor-1"
b = "floor-7"
mm = 4012.0
pm_mm = 1.0
"""
FILES = ("phone.lens.toml", "webcam.lens.toml", "boards.toml", "sheet.toml", "stand.toml")
NAMES = ("floor-1", "floor-2", "floor-3", "floor-7", "wheel-rear-left", "wheel-rear-right", "wheel-front-left", "stand-1")


@pytest.fixture
def folder(tmp_path):
    for name in FILES:
        (tmp_path / name).touch()
    (tmp_path / "job.toml").write_text(GOOD, encoding="utf-8")
    return tmp_path


def rewrite(folder, old, new):
    assert old in GOOD
    (folder / "job.toml").write_text(GOOD.replace(old, new, 1), encoding="utf-8")


def board_set(names=NAMES) -> BoardSet:
    charuco = [Board(name, 5, 4, 46.0, 34.5, "DICT_APRILTAG_36h11", 10 * i) for i, name in enumerate(names)]
    return BoardSet((*charuco, Board("plain", 9, 6, 25.0)))


def test_touched_points_take_the_place_of_a_stand_off(folder):
    rewrite(folder, "standoff_mm = 84", 'flange = ["rr-1", "rr-2", "rr-3"]')
    job = read_job(folder)
    assert job.flanges == {"rear_right": ("rr-1", "rr-2", "rr-3")}
    assert job.reference_known == ("rear_left", "rear_right")
    for wrong, words in (
        ('flange = ["rr-1", "rr-1", "rr-2"]', "2 points on the flange, a plane needs at least 3"),
        (
            'standoff_mm = 84\nflange = ["a", "b", "c"]',
            "give either standoff_mm or the touched points of the flange",
        ),
        ('flange = ["a", "b", "c/d"]', "'c/d' is no name of a touched point"),
    ):
        rewrite(folder, "standoff_mm = 84", wrong)
        with pytest.raises(FileError, match=rf"(?s)job\.toml:\d+: wheels\.rear_right.*{words}"):
            read_job(folder)


def test_a_job_says_how_its_wheels_turn(folder):
    assert read_job(folder).turning.mode is Mode.ROLLED
    rewrite(folder, "[wheels.rear_left]", '[wheels]\nmode = "spin"\nlift_pm_mm = 2.5\n\n[wheels.rear_left]')
    assert (read_job(folder).turning.mode, read_job(folder).turning.lift_pm_mm) == (Mode.SPIN, 2.5)
    rewrite(folder, "[wheels.rear_left]", "[wheels]\nlift_pm_mm = 2.5\n\n[wheels.rear_left]")
    with pytest.raises(FileError, match=r"(?s)job\.toml:\d+: wheels.*lift_pm_mm without mode = \"spin\""):
        read_job(folder)
    rewrite(folder, "[wheels.rear_left]", '[wheels]\nmode = "pushed"\n\n[wheels.rear_left]')
    with pytest.raises(FileError, match=r"(?s)job\.toml:13: wheels\.mode.*'rolled', 'spin' or 'static'"):
        read_job(folder)


def test_what_is_known_of_holders_is_common_or_a_wheels_own(folder):
    common = "[wheels]\ncentring_pm_mm = 1.0\n\n[wheels.rear_left]\ncentring_pm_mm = 2.0\nmounting_pm_deg = 0.3"
    rewrite(folder, "[wheels.rear_left]", common)
    wheels = read_job(folder).wheels
    assert [wheel.centring_pm_mm for wheel in wheels] == [2.0, 1.0, 1.0]
    assert wheels[0].mounting_pm_rad == pytest.approx(0.3 * 0.0174533, rel=1e-5)
    assert wheels[1].mounting_pm_rad is None


def test_a_static_job_must_know_its_holders(folder):
    rewrite(
        folder,
        "[wheels.rear_left]",
        '[wheels]\nmode = "static"\ncentring_pm_mm = 1.0\n\n[wheels.rear_left]\nmounting_pm_deg = 0.5',
    )
    with pytest.raises(FileError, match="mounting_pm_deg is missing for the rear right, front left wheels") as caught:
        read_job(folder)
    assert "usual for a self-centring holder clamped home on the rim: 1.0 and 0.5" in str(caught.value)
    common = '[wheels]\nmode = "static"\ncentring_pm_mm = 1.0\nmounting_pm_deg = 0.5\n\n[wheels.rear_left]'
    rewrite(folder, "[wheels.rear_left]", common)
    assert read_job(folder).turning.mode is Mode.STATIC


def test_boards_on_the_body_are_boards_of_the_job(folder):
    assert read_job(folder).body.boards == ()
    body = '[body]\nboards = ["stand-1"]\nsettle_pm_mm = 0.5\n\n[wheels.rear_left]'
    rewrite(folder, "[wheels.rear_left]", body)
    job = read_job(folder)
    assert (job.body.boards, job.body.settle_pm_mm) == (("stand-1",), 0.5)
    assert job.car_boards() == ("wheel-rear-left", "wheel-rear-right", "wheel-front-left", "stand-1")
    stand = Stand((StandBoard("stand-1", 0.0, 0.0, 3.0),))
    (folder / "stand.toml").write_text('schema = "stand/1"\n[[board]]\nname = "stand-1"\n', encoding="utf-8")
    with pytest.raises(FileError, match=r"board stand-1 is on the stand and in job\.toml under body\.boards"):
        check_job(job, board_set(), stand)
    rewrite(folder, "[wheels.rear_left]", '[body]\nboards = ["floor-3"]\n\n[wheels.rear_left]')
    with pytest.raises(FileError, match=r"job\.toml:\d+: body\.boards: board floor-3 is already used under floor"):
        read_job(folder)


def test_a_typed_unevenness_of_the_floor_is_told_from_the_supposed_one(folder):
    rewrite(folder, "standoff_common_pm_mm = 0.3", "standoff_common_pm_mm = 0.3\nfloor_pm_mm = 2.0")
    job = read_job(folder)
    assert (job.floor_pm_mm, job.floor_typed) == (2.0, True)


def test_a_job_names_its_stylus(folder):
    rewrite(folder, "stand =", 'stylus = "s.toml"\nstand =')
    with pytest.raises(FileError, match=r"stylus: no such file: .*s\.toml") as caught:
        read_job(folder)
    assert "strike the line until the stylus is taught" in caught.value.hint
    (folder / "s.toml").touch()
    assert read_job(folder).need_stylus() == folder / "s.toml"


def test_a_job_is_read(folder):
    job = read_job(folder)
    assert job.lens == (folder / "phone.lens.toml",)
    assert (job.boards, job.sheet, job.stand) == (folder / "boards.toml", folder / "sheet.toml", folder / "stand.toml")
    assert job.floor == ("floor-1", "floor-2", "floor-3", "floor-7")
    assert job.wheel_boards() == {
        "rear_left": "wheel-rear-left",
        "rear_right": "wheel-rear-right",
        "front_left": "wheel-front-left",
    }
    assert [wheel.standoff for wheel in job.wheels] == [Standoff(85.0, 0.6), Standoff(84.0, 1.0), None]
    assert job.reference_known == ("rear_left", "rear_right")
    assert job.distances == (TapeDistance("floor-1", "floor-7", 4012.0, 1.0),)
    assert (job.floor_pm_mm, job.floor_typed, job.standoff_common_pm_mm) == (2.0, False, 0.3)
    assert job.need_sheet() == folder / "sheet.toml"


def test_lens_prescribed_for_some_photos(folder):
    job = read_job(folder)
    assert job.forced_lens(folder / "photos" / "check-1" / "a.png") == folder / "webcam.lens.toml"
    assert job.forced_lens(folder / "photos" / "check-1" / "a.jpg") is None
    assert job.forced_lens(folder / "photos" / "rest" / "a.png") is None


def test_the_last_fitting_prescription_counts(folder):
    rewrite(folder, '[photos."check-1/*.png"]', '[photos."*.png"]\nlens = "phone.lens.toml"\n\n[photos."check-1/*.png"]')
    job = read_job(folder)
    assert job.forced_lens(folder / "photos" / "check-1" / "a.png") == folder / "webcam.lens.toml"
    assert job.forced_lens(folder / "photos" / "rest" / "a.png") == folder / "phone.lens.toml"


def test_overrides_replace_files(folder, tmp_path):
    other = tmp_path / "other"
    other.mkdir()
    for name in FILES:
        (other / name).touch()
    job = read_job(folder, boards=other / "boards.toml", lens=[other / "phone.lens.toml"], sheet=other / "sheet.toml")
    assert (job.boards, job.sheet, job.stand) == (other / "boards.toml", other / "sheet.toml", folder / "stand.toml")
    assert job.lens == (other / "phone.lens.toml",)
    assert job.forced_lens(folder / "photos" / "check-1" / "a.png") is None
    with pytest.raises(FileError, match=r"none\.toml: no such file"):
        with_overrides(job, stand=tmp_path / "none.toml")


def test_an_override_stands_in_for_a_missing_file(folder):
    (folder / "sheet.toml").unlink()
    assert read_job(folder, sheet=folder / "stand.toml").sheet == folder / "stand.toml"


def test_a_job_without_sheet_serves_until_one_is_needed(folder):
    rewrite(folder, 'sheet = "sheet.toml"\n', "")
    job = read_job(folder)
    with pytest.raises(FileError, match=r"job\.toml: sheet: this key is missing"):
        job.need_sheet()


WRONG = [
    ('lens = ["phone.lens.toml"]', 'lens = ["none.lens.toml"]', r":2: lens: no such file: .*none\.lens\.toml"),
    ('lens = ["phone.lens.toml"]', "lens = []", r":2: lens: is a list of 0, at least 1 needed$"),
    ('lens = "webcam', 'lens = "gone', r":10: photos\.check-1/\*\.png\.lens: no such file: .*gone\.lens\.toml"),
    ('"boards.toml"', '"b.toml"', r":3: boards: no such file: .*b\.toml"),
    ('"sheet.toml"', '"s.toml"', r":4: sheet: no such file"),
    ('"floor-2", "floor-3", ', "", r":6: floor: 2 floor boards, a plane needs at least 3"),
    ('"floor-2", "floor-3"', '"floor-2", "floor-2"', r":6: floor: board floor-2 is already used under floor"),
    ('"wheel-rear-right"', '"floor-3"', r":18: wheels\.rear_right\.board: board floor-3 is already used under floor"),
    (
        '"wheel-front-left"',
        '"wheel-rear-left"',
        r":22: wheels\.front_left\.board: board wheel-rear-left is already used under wheels\.rear_left\.board",
    ),
    ("[wheels.front_left]", "[wheels.front_middle]", r":21: wheels\.front_middle: unknown key"),
    ("[wheels.rear_right]", "[wheels.front_right]", r": wheels\.rear_right: this key is missing"),
    ("standoff_mm = 84", "standoff_mm = -84", r":19: wheels\.rear_right\.standoff_mm: input should be greater than 0"),
    ("standoff_mm = 84", "standoff_pm_mm = 1", r":17: wheels\.rear_right: standoff_pm_mm without standoff_mm"),
    ("standoff_mm = 84", "standof_mm = 84", r":19: wheels\.rear_right\.standof_mm: unknown key"),
    ("[[distance]]", "floor_pm_mm = 3.0\n[[distance]]", r":24: wheels\.front_left\.floor_pm_mm: unknown key"),
    ("standoff_common_pm_mm = 0.3", "floor_pm_mm = -1", r":7: floor_pm_mm: input should be greater than 0"),
    ('b = "floor-7"', 'b = "floor-9"', r":26: distance\.0\.b: 'floor-9' is no floor board of this job"),
    ('b = "floor-7"', 'b = "floor-1"', r":24: distance\.0: a and b are the same board floor-1"),
    ("mm = 4012.0", "mm = 0", r":27: distance\.0\.mm: input should be greater than 0"),
    ("job/1", "job/2", r"'job/2', this version reads 'job/1'"),
]


@pytest.mark.parametrize(("old", "new", "complaint"), WRONG)
def test_wrong_entry_is_named(folder, old, new, complaint):
    rewrite(folder, old, new)
    with pytest.raises(FileError, match=rf"(?s)job\.toml.*{complaint}"):
        read_job(folder)


def test_no_job_folder_and_no_job_file(tmp_path):
    with pytest.raises(FileError, match="no such job folder"):
        read_job(tmp_path / "none")
    with pytest.raises(FileError, match=r"no job\.toml in this folder") as caught:
        read_job(tmp_path)
    assert "bayfix job new" in caught.value.hint


def test_boards_of_the_job_are_in_the_set(folder):
    stand = Stand((StandBoard("stand-1", 0.0, 0.0, 3.0),))
    check_job(read_job(folder), board_set(), stand)


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ('"floor-2"', '"floor-22"', r"job\.toml:6: floor: there is no board 'floor-22' in the board set"),
        ('"wheel-rear-left"', '"wheel-x"', r"job\.toml:13: wheels\.rear_left\.board: there is no board 'wheel-x'"),
        ('"floor-2"', '"plain"', r"job\.toml:6: floor: board plain is a plain chessboard"),
    ],
)
def test_boards_that_are_not_in_the_set(folder, old, new, complaint):
    rewrite(folder, old, new)
    with pytest.raises(FileError, match=complaint):
        check_job(read_job(folder), board_set())


@pytest.mark.parametrize(
    ("board", "complaint"),
    [
        ("floor-3", r"stand\.toml:3: board\.0\.name: board floor-3 is on the stand and in job\.toml under floor"),
        ("stand-9", r"stand\.toml:3: board\.0\.name: there is no board 'stand-9' in the board set"),
    ],
)
def test_stand_boards_are_in_the_set_and_nowhere_else(folder, board, complaint):
    (folder / "stand.toml").write_text(f'schema = "stand/1"\n[[board]]\nname = "{board}"\n', encoding="utf-8")
    with pytest.raises(FileError, match=complaint):
        check_job(read_job(folder), board_set(), Stand((StandBoard(board, 0.0, 0.0, 3.0),)))


def test_results_are_written_whole(folder, monkeypatch):
    job = read_job(folder)
    path = write_result(job, "survey.json", "{}")
    assert path == folder / "results" / "survey.json"

    def stopped(*_):
        raise KeyboardInterrupt("by hand")

    monkeypatch.setattr("pathlib.Path.replace", stopped)
    with pytest.raises(KeyboardInterrupt, match="by hand"):
        write_result(job, "survey.json", "half")
    assert path.read_text(encoding="utf-8") == "{}"
    assert [entry.name for entry in path.parent.iterdir()] == ["survey.json"]


def test_common_stand_off_half_width_may_stand_under_wheels(folder):
    rewrite(folder, "standoff_common_pm_mm = 0.3\n", "[wheels]\nstandoff_common_pm_mm = 0.4\n")
    assert read_job(folder).standoff_common_pm_mm == 0.4


def test_common_stand_off_half_width_twice_is_refused(folder):
    rewrite(folder, "[wheels.rear_left]", "[wheels]\nstandoff_common_pm_mm = 0.4\n\n[wheels.rear_left]")
    with pytest.raises(FileError, match="write it once"):
        read_job(folder)


def test_the_blocks_of_a_new_job_for_a_car_that_cannot_roll_can_be_switched_on(tmp_path):
    from calib.paper.templates import new_job

    new_job(tmp_path / "job", 'schema = "boards/1"\n')
    path = tmp_path / "job" / "job.toml"
    (tmp_path / "job" / "phone.lens.toml").touch()
    text = path.read_text(encoding="utf-8")
    start, end = text.index("# [wheels]"), text.index("# --- tape distances")
    switched = "\n".join(line.removeprefix("# ") for line in text[start:end].splitlines())
    path.write_text(text[:start] + switched.replace('"spin"', '"static"') + "\n" + text[end:], encoding="utf-8")
    job = read_job(tmp_path / "job")
    assert job.turning.mode is Mode.STATIC
    assert {wheel.centring_pm_mm for wheel in job.wheels} == {1.0}
    assert job.body.boards == ("body-1", "body-2")


def test_a_stand_file_that_is_not_there_is_asked_for_by_what_needs_it(folder):
    rewrite(folder, 'stand = "stand.toml"', 'stand = "s.toml"')
    job = read_job(folder)
    with pytest.raises(FileError, match=r"job\.toml:5: stand: no such file: .*s\.toml") as refusal:
        job.need_stand()
    assert f"bayfix stand teach {folder} --out {folder / 's.toml'}" in refusal.value.hint


def test_a_placement_may_have_a_stand_of_its_own(folder):
    rewrite(folder, 'stand = "stand.toml"', 'stand = "stand.toml"\nstands = { rear-left = "reflector.toml" }')
    job = read_job(folder)
    with pytest.raises(FileError, match=r"job\.toml:6: stands\.rear-left: no such file: .*reflector\.toml"):
        job.stand_of("rear-left")
    (folder / "reflector.toml").touch()
    assert job.stand_of("rear-left") == folder / "reflector.toml"
    assert job.stand_of("front") is None
