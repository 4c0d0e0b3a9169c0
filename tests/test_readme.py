"""What README.md and DEVELOPERS.md say is so: commands and options exist, files can be read, outputs are those of the demo."""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from calib.paper.bay import read_bay
from calib.paper.before import read_questions
from calib.paper.job import read_job
from calib.paper.mat import read_mat
from calib.paper.room import read_room
from calib.paper.sheet import read_sheet, read_sheets
from calib.paper.stand import read_stand
from calib.paper.stylus import read_stylus
from calib.paper.target_face import read_face
from calib.paper.vehicle import read_vehicle
from cli.base import Exit
from cli.demo import FIGURES
from cli.main import IN_BRIEF, app
from tests import refresh_readme
from tests.support.commands import bayfix
from tests.support.documents import ROOT, blocks, inline_code, marked, rows_of, table_keys, text_of
from tests.test_layers import PLAIN_VISION
from vision.boards_io import read_boards
from vision.camera_io import read_profile

DOCUMENTS = ("README.md", "DEVELOPERS.md")
HEAD = ROOT / "pyproject.toml"
SOURCES = {
    "corners",
    "lens",
    "wobble",
    "scale",
    "flatness",
    "print",
    "centring",
    "board mounting",
    "springs",
    "tape",
    "thickness",
    "floor",
    "car motion",
    "stand-off",
    "stand file",
    "stylus",
    "mat file",
    "mat shape",
}
USAGE_ERROR = typer.BadParameter.__mro__[1]
OTHERS_OPTIONS = {"--check", "--no-binary"}
"""Options of pip and ruff in the documents."""


def command_of(words: list[str]):
    """The command that the words name, its name, and the rest of the words."""
    command, name, rest = typer.main.get_command(app), "bayfix", list(words)
    while hasattr(command, "commands"):
        assert rest, f"{name}: a command is missing"
        assert rest[0] in command.commands, f"{name}: no command {rest[0]!r}"
        name, command = f"{name} {rest[0]}", command.commands[rest.pop(0)]
    return command, name, rest


def options_of(command) -> set[str]:
    return {option for parameter in command.params for option in (*parameter.opts, *parameter.secondary_opts)}


def all_options() -> set[str]:
    top = typer.main.get_command(app)
    leaves = [each for command in top.commands.values() for each in getattr(command, "commands", {"": command}).values()]
    return {"--help", *options_of(top)}.union(*map(options_of, leaves))


def bayfix_lines():
    for document in DOCUMENTS:
        for block in blocks(document, "sh"):
            for i, line in enumerate(block.text.splitlines()):
                if line.startswith("bayfix "):
                    yield pytest.param(line, id=f"{document}:{block.line + 1 + i}")


@pytest.mark.parametrize("line", list(bayfix_lines()))
def test_every_command_in_a_block_is_understood(line):
    command, name, rest = command_of(shlex.split(line)[1:])
    command.make_context(name, rest)  # parses and checks every argument and option, runs nothing


@pytest.mark.parametrize("line", ["bayfix chek job", "bayfix boards measured floor-1 140", "bayfix check job --guard"])
def test_a_command_that_does_not_exist_would_be_noticed(line):
    with pytest.raises((AssertionError, USAGE_ERROR), match="(?i)no command|missing|no such option"):
        test_every_command_in_a_block_is_understood(line)


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_command_and_option_named_in_a_sentence_exists(document):
    known = all_options() | OTHERS_OPTIONS
    for code in inline_code(document):
        if code.startswith("python -m "):
            continue
        for option in re.findall(r"(?<!\S)--[a-z][a-z-]*", code):
            assert option in known, f"{document}: {code}"
        named = re.match(r"bayfix ((?:[a-z][a-z-]* ?)+)", code)
        if named:
            first, *more = named[1].split()
            assert first in IN_BRIEF, f"{document}: {code}"
            if first in ("boards", "job", "stylus") and more:
                command_of([first, more[0]])


def test_every_command_is_in_the_readme():
    said = text_of("README.md")
    for name in IN_BRIEF:
        assert f"bayfix {name}" in said, name


@pytest.mark.parametrize("words", [["--help"], *([name, "--help"] for name in IN_BRIEF)], ids=" ".join)
def test_help_is_there_for_every_command(words):
    assert CliRunner().invoke(app, words).exit_code == 0


@pytest.mark.parametrize("mark", ["command: demo", "command: tests"])
def test_the_two_commands_name_what_is_there_and_are_alike_on_windows(mark):
    """Nothing but the environment's folder, the quotes and the name of Python differs."""
    block = marked("README.md", mark)
    assert block.text.count("\n") == 0
    extras = tomllib.loads(HEAD.read_text(encoding="utf-8"))["project"]["optional-dependencies"]
    for extra in re.findall(r"\.\[(\w+)\]", block.text):
        assert extra in extras
    assert (ROOT / re.search(r"-c (\S+)", block.text)[1]).is_file()
    windows = blocks("README.md")[blocks("README.md").index(block) + 1]
    assert windows.language == "bat"
    expected = block.text.replace("python3 -m venv", "py -m venv").replace(".venv/bin/", ".venv\\Scripts\\").replace("'", "")
    assert windows.text == f'cmd /c "{expected}"'


def test_exit_statuses_are_those_of_the_program():
    for document in DOCUMENTS:
        rows = re.findall(r"^\| (\d+) \| (.*)", text_of(document), flags=re.MULTILINE)
        assert {int(status) for status, _ in rows} - {130} == {int(status) for status in Exit}, document


def test_pinned_versions_cover_what_is_installed_and_name_no_address():
    project = tomllib.loads(HEAD.read_text(encoding="utf-8"))["project"]
    wanted = [*project["dependencies"], *(w for extra in project["optional-dependencies"].values() for w in extra)]
    names = {re.match(r"[\w.-]+", requirement)[0].lower().replace("_", "-") for requirement in wanted} - {"bayfix"}
    lines = [line for line in text_of("constraints.txt").splitlines() if line and not line.startswith("#")]
    pinned = {line.split("==")[0].lower().replace("_", "-") for line in lines}
    assert names <= pinned
    assert all(re.fullmatch(r"[\w.-]+==[\w.]+", line) for line in lines)


def test_the_changelog_knows_this_version():
    version = tomllib.loads(HEAD.read_text(encoding="utf-8"))["project"]["version"]
    assert re.search(rf"^## {re.escape(version)}\b", text_of("CHANGELOG.md"), flags=re.MULTILINE)


@pytest.mark.parametrize("document", DOCUMENTS)
def test_links_and_pictures_lead_somewhere(document):
    for target in re.findall(r"\]\(([^)\s]+)\)", text_of(document)):
        name, _, anchor = target.partition("#")
        path = ROOT / (name or document)
        assert path.is_file(), target
        if path.suffix in (".jpg", ".png"):
            assert path.stat().st_size < 200_000, target
        if anchor:
            assert anchor in anchors(path), target


def anchors(path: Path) -> set[str]:
    heads = re.findall(r"^#+ (.+)$", path.read_text(encoding="utf-8"), flags=re.MULTILINE)
    return {re.sub(r"[^\w -]", "", head.lower()).strip().replace(" ", "-") for head in heads}


@pytest.mark.parametrize("mention", sorted({
    (path.relative_to(ROOT).as_posix(), title)
    for package in ("vision", "calib", "cli", "synthetic_images", "tests")
    for path in (ROOT / package).rglob("*.py")
    for title in re.findall(r'DEVELOPERS\.md, "([^"]+)"', path.read_text(encoding="utf-8"))
}))  # fmt: skip
def test_sections_that_the_code_refers_to_exist(mention):
    assert mention[1].lower().replace(" ", "-") in anchors(ROOT / "DEVELOPERS.md")


def files_in_developers():
    return [pytest.param(block.text, id=str(block)) for block in blocks("DEVELOPERS.md", "toml")]


@pytest.mark.parametrize("text", files_in_developers())
def test_every_file_shown_can_be_read_as_it_stands(tmp_path, text):
    schema = tomllib.loads(text)["schema"]
    path = tmp_path / {"job/1": "job.toml", "lens/1": "shown.lens.toml"}.get(schema, "shown.toml")
    path.write_text(text, encoding="utf-8")
    if schema == "job/1":
        for name in ("phone.lens.toml", "webcam.lens.toml", "boards.toml", "sheet.toml", "stand.toml"):
            (tmp_path / name).touch()
        assert len(read_job(tmp_path).floor) == 4
    else:
        readers = {
            "placement-sheet/1": read_sheet,
            "placement-sheet/2": read_sheets,
            "room/1": read_room,
            "stand/1": read_stand,
            "mat/1": read_mat,
            "vehicle/1": read_vehicle,
            "stylus/1": read_stylus,
            "bay/1": read_bay,
            "before/1": read_questions,
            "target-marks/1": read_face,
            "boards/1": read_boards,
            "lens/1": read_profile,
        }
        readers[schema](path)


def test_every_kind_of_file_is_shown():
    shown = {tomllib.loads(block.text)["schema"] for block in blocks("DEVELOPERS.md", "toml")}
    assert shown == {
        "job/1",
        "placement-sheet/1",
        "placement-sheet/2",
        "room/1",
        "stand/1",
        "mat/1",
        "vehicle/1",
        "stylus/1",
        "bay/1",
        "before/1",
        "target-marks/1",
        "boards/1",
        "lens/1",
    }


def test_every_key_of_a_file_is_explained():
    """The readers know no key that the tables keep silent about."""
    from calib.paper.adjusters import AdjusterEntry
    from calib.paper.bay import _BayFile, _ByHand, _Car, _Floor, _Photo, _Point
    from calib.paper.before import _BeforeFile, _Item
    from calib.paper.entries import LeastLength, LengthEntry, MostAngle, ProvenanceEntry
    from calib.paper.job_model import DistanceEntry, JobFile
    from calib.paper.job_wheels import BodyEntry, WheelEntry, WheelsEntry
    from calib.paper.mat import _MatBoardEntry, _MatFile, _MatMarkEntry
    from calib.paper.room import _Car as _RoomCar
    from calib.paper.room import _LengthFrom, _Obstacle, _RoomFile
    from calib.paper.sheet_model import (
        BetweenEntry,
        ClearanceEntry,
        ConfirmedEntry,
        FloorEntry,
        MarkEntry,
        SheetFile,
        SizeEntry,
    )
    from calib.paper.stand import PivotEntry, TaughtFile, TypedBoard, _TaughtEntry
    from calib.paper.stylus import _StylusFile, _TaughtScale, _Tip, _TipCorrelation, _TipSigma
    from calib.paper.target_face import _FaceBoardEntry, _FaceFile, _MarkEntry
    from calib.paper.vehicle import OverruledEntry, _Limit, _VehicleFile
    from vision.boards_io import _Charuco, _Chessboard, _Measured
    from vision.camera_io import _Camera, _Correlation, _Fit, _LensModel, _Wobble

    models = {
        "job/1": (JobFile, WheelsEntry, WheelEntry, BodyEntry, DistanceEntry),
        "placement-sheet/1": (
            *(SheetFile, LengthEntry, ProvenanceEntry, SizeEntry, FloorEntry, MostAngle),
            *(ClearanceEntry, LeastLength, BetweenEntry, ConfirmedEntry),
        ),
        "placement-sheet/2": (MarkEntry,),
        "mat/1": (_MatFile, _MatBoardEntry, _MatMarkEntry),
        "room/1": (_RoomFile, _RoomCar, _Obstacle, _LengthFrom),
        "stand/1": (TaughtFile, _TaughtEntry, TypedBoard, PivotEntry, AdjusterEntry),
        "vehicle/1": (_VehicleFile, _Limit, OverruledEntry),
        "stylus/1": (_StylusFile, _Tip, _TipSigma, _TipCorrelation, _TaughtScale),
        "before/1": (_BeforeFile, _Item),
        "target-marks/1": (_FaceFile, _FaceBoardEntry, _MarkEntry),
        "bay/1": (_BayFile, _Car, _ByHand, _Floor, _Photo, _Point),
        "boards/1": (_Charuco, _Chessboard, _Measured),
        "lens/1": (_LensModel, _Camera, _Correlation, _Fit, _Wobble),
    }
    for schema, classes in models.items():
        section = text_of("DEVELOPERS.md").split(f"\n### {schema}\n", 1)[1].split("\n### ", 1)[0]
        for model in classes:
            for name in model.model_fields:
                assert re.search(rf"\b{name.removesuffix('_name').rstrip('_')}\b", section), f"{schema}: {name}"


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_source_of_uncertainty_is_explained(document):
    said = set(inline_code(document))
    assert said >= SOURCES


def test_what_calib_may_import_is_what_the_map_of_the_house_says():
    names = sorted(name.removeprefix("vision.") for name in PLAIN_VISION)
    assert f"`calib/` imports from `vision/` only `{' '.join(names)}`" in text_of("DEVELOPERS.md")


def test_the_demos_table_in_the_readme_is_consistent_with_itself():
    rows = rows_of(marked("README.md", "output: demo").text)
    assert [row[0] for row in rows] == [name.rsplit("_", 1)[0].replace("_", " ") for name in FIGURES]
    for figure, truth, measured, error, u, _, inside in rows:
        digits = len(error.split(".")[1])
        assert float(measured) - float(truth) == pytest.approx(float(error), abs=1.6 * 10**-digits), figure
        assert (abs(float(error)) <= float(u)) == (inside == "yes"), figure


@pytest.fixture(scope="module")
def demo(tmp_path_factory) -> Path:
    """The demo as README runs it; BAYFIX_DEMO names the folder of one that has just run."""
    if "BAYFIX_DEMO" in os.environ:
        return Path(os.environ["BAYFIX_DEMO"])
    folder = tmp_path_factory.mktemp("demo") / "bayfix-demo"
    code = "import sys; from cli.main import main; sys.argv = ['bayfix', 'demo', '--out', sys.argv[1]]; main()"
    subprocess.run([sys.executable, "-c", code, str(folder)], check=True, cwd=ROOT, timeout=1200, capture_output=True)
    return folder


@pytest.mark.slow
def test_readme_shows_the_truth_of_its_demo_and_a_measurement_like_the_one_made_here(demo):
    """When this fails after a change that moves numbers: bayfix demo && python -m tests.refresh_readme bayfix-demo"""
    document = json.loads((demo / "demo.json").read_text(encoding="utf-8"))
    assert document["seed"] == 1
    shown = {row[0]: row for row in rows_of(marked("README.md", "output: demo").text)}
    for figure in document["figures"]:
        row = shown[figure["name"].rsplit("_", 1)[0].replace("_", " ")]
        digits = len(row[1].split(".")[1])
        assert float(row[1]) == pytest.approx(figure["truth"], abs=0.6 * 10**-digits), row[0]
        # Another processor rounds otherwise and another version sees other corners; both stay well inside U.
        assert float(row[2]) == pytest.approx(figure["measured"], abs=0.5 * figure["U"]), row[0]
        assert float(row[4]) == pytest.approx(figure["U"], rel=0.2, abs=0.6 * 10**-digits), row[0]


@pytest.mark.slow
def test_readme_shows_the_check_and_the_wheels_of_its_demo(demo):
    check = json.loads((demo / "results" / "check-1.json").read_text(encoding="utf-8"))
    text = marked("README.md", "output: check").text
    assert text.splitlines()[0] == check["verdict"].upper()
    # The demo's focus is locked, its origin an axle, no touched point, no mat; nothing is typed of holders or springs.
    absent = {"wobble", "stylus", "centring", "board mounting", "springs", "mat file", "mat shape"}
    assert all(set(shares) == SOURCES - absent for shares in check["sources"].values())
    table = text[text.index("figure ") : text.index("car: ")]
    for row in rows_of(table):
        figure = next(f for f in check["figures"] if f["name"].startswith(f"{row[0]}_"))
        assert row[-1] == figure["verdict"], row
        assert float(row[1]) == pytest.approx(figure["measured"], abs=0.5 * figure["U"] + 0.06), row
    wheels = json.loads((demo / "results" / "wheels.json").read_text(encoding="utf-8"))
    for row in rows_of(marked("README.md", "output: wheels").text):
        figure = next(f for f in wheels["figures"] if f["name"] == f"{row[0].replace(' ', '_')}_{row[3]}")
        assert float(row[1]) == pytest.approx(figure["measured"], abs=0.5 * figure["U"]), row
        assert row[4] == figure["note"], row


@pytest.mark.slow
def test_outputs_are_refreshed_to_blocks_of_the_same_rows(demo):
    documents = {"demo": demo / "demo.json", "check": demo / "results/check-1.json", "wheels": demo / "results/wheels.json"}
    make = {"demo": refresh_readme.demo_block, "check": refresh_readme.check_block, "wheels": refresh_readme.wheels_block}
    for mark, path in documents.items():
        fresh = make[mark](json.loads(path.read_text(encoding="utf-8")))
        shown = marked("README.md", f"output: {mark}").text
        assert [line.split("  ")[0] for line in fresh.splitlines() if not line.startswith(("  ", "car: "))] == [
            line.split("  ")[0] for line in shown.splitlines() if not line.startswith(("  ", "car: "))
        ]


def test_only_a_marked_block_is_refreshed():
    text = "a\n<!-- output: demo -->\n```text\nold\n\nold\n```\nb\n```text\nkept\n```\n"
    fresh = refresh_readme.refreshed(text, {"demo": "new \\1"})
    assert fresh == text.replace("old\n\nold", "new \\1")
    with pytest.raises(ValueError, match="one block marked output: check"):
        refresh_readme.refreshed(text, {"check": "new"})


@pytest.mark.slow
@pytest.mark.parametrize(
    "name", ["survey.json", "wheels.json", "check-1.json", "demo.json", "budget-distance_mm.json", "vehicle.json"]
)
def test_every_key_of_a_result_is_explained_and_no_other(demo, name):
    if name.startswith("budget-"):
        bayfix("budget", demo, "distance_mm")
    if name == "vehicle.json":
        bayfix("vehicle", demo)
    path = demo / name if name == "demo.json" else demo / "results" / name
    assert set(json.loads(path.read_text(encoding="utf-8"))) == table_keys("DEVELOPERS.md", f"keys: {name}")
