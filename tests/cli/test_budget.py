"""`bayfix budget`: the same U as wheels and check say, its shares, what could hide, the picture; bad names refused."""

from __future__ import annotations

import io
import json
import math
import re
import shutil

import pytest
from PIL import Image

from calib.decision.budget import budget
from calib.decision.monte_carlo import Drawn
from cli.base import Exit
from cli.budget import BudgetRun
from cli.budget_run import typed_name
from cli.budget_words import budget_document, in_words
from cli.kept_survey import Survey
from tests.support.commands import bayfix, nothing_written, refused
from tests.support.sheets import sheet
from vision.frames import Estimate

pytestmark = pytest.mark.usefixtures("in_this_process")


def row_of(document, name):
    return next(row for row in document["figures"] if row["name"] == name)


@pytest.fixture(scope="module")
def copied(surveyed_job, tmp_path_factory):
    """A copy of the surveyed job that the budgets of this file may write into."""
    folder = tmp_path_factory.mktemp("budget") / "job"
    shutil.copytree(surveyed_job.desk.job.folder, folder)
    return folder


def test_a_figure_of_the_car(copied):
    told = bayfix("wheels", copied, "--json").document
    outcome = bayfix("budget", copied, "thrust_angle_deg", "--draws", "500", "--json")
    assert outcome.status == Exit.CONFORMS
    document = outcome.document
    assert document["U"] == pytest.approx(row_of(told, "thrust_angle_deg")["U"], rel=1e-6)
    shares = {row["source"]: row["U"] for row in document["sources"]}
    assert shares == pytest.approx(told["sources"]["thrust_angle_deg"], rel=1e-6, abs=1e-12)
    assert math.sqrt(sum(u**2 for u in shares.values())) == pytest.approx(document["U"], rel=1e-6)
    assert document["draws"]["U"] == pytest.approx(document["U"], rel=0.12)  # 500 draws know U to 6 % at one sigma
    effects = [row["moves_figure_by"] for row in document["unnoticed"]]
    assert effects == sorted(effects, reverse=True)
    assert effects[0] > 0.1 * shares["corners"]
    assert {"sighting", "moved", "flatness", "tape"} <= {row["kind"] for row in document["unnoticed"]}
    picture = Image.open(io.BytesIO((copied / "results" / "budget-thrust_angle_deg.png").read_bytes()))
    assert picture.width > 1000


def test_a_figure_of_the_check_in_words(copied):
    row = row_of(bayfix("check", copied, "--json").document, "distance_mm")
    outcome = bayfix("budget", copied, "distance_mm")
    assert f"distance: {row['measured']:.2f} mm ahead, U {row['U']:.2f} mm (k = 2)" in outcome.out
    assert "To make it smaller:" in outcome.out
    # The stand's own sightings are among what could be wrong, and so are the survey's.
    document = json.loads((copied / "results" / "budget-distance_mm.json").read_text(encoding="utf-8"))
    errors = [r["error"] for r in document["unnoticed"]]
    assert any(error.startswith("stand-1@check-1 in check-1/") for error in errors)
    assert any(error.startswith("wheel-rear-left@rest in rest/") for error in errors)


def test_a_placement_with_a_stand_file_of_its_own(copied, tmp_path):
    folder = tmp_path / "job"
    shutil.copytree(copied, folder)
    stand = (folder / "stand.toml").read_text(encoding="utf-8")
    deeper = re.sub(r"behind_mm = ([0-9.]+)", lambda found: f"behind_mm = {float(found[1]) + 50.0}", stand)
    (folder / "other.toml").write_text(deeper, encoding="utf-8")
    text_ = (folder / "sheet.toml").read_text(encoding="utf-8")
    whole, _, provenance = text_.replace("sheet/1", "sheet/2").partition("[provenance]")
    head, _, figures = whole.partition("\n\n")
    head, _, placement = head.partition("\n")
    figures = re.sub(r"^\[(\w+)\]", r"[placement.\1]", figures, flags=re.MULTILINE)
    text = f'{head}\n[[placement]]\nname = "low"\n{placement}\n\n{figures}\n[provenance]{provenance}'
    (folder / "sheet.toml").write_text(text, encoding="utf-8")
    job = (folder / "job.toml").read_text(encoding="utf-8")
    named = re.sub(r"^(stand = .*)$", r'\1\nstands = { "low" = "other.toml" }', job, count=1, flags=re.MULTILINE)
    (folder / "job.toml").write_text(named, encoding="utf-8")
    shared = bayfix("budget", copied, "distance_mm", "--json").document
    own = bayfix("budget", folder, "distance_mm", "--placement", "low", "--json").document
    assert own["measured"] - shared["measured"] == pytest.approx(50.0, abs=0.5)  # the target leans by a degree at most
    assert (own["placement"], shared["placement"]) == ("low", "")
    assert (folder / "results" / "budget-low-distance_mm.json").is_file()
    assert (folder / "results" / "budget-low-distance_mm.png").is_file()


def test_an_unknown_figure(copied):
    with nothing_written(copied):
        words = refused("budget", copied, "x y")
    assert "there is no measured figure 'x_y'" in words
    assert re.search(r"thrust_angle_deg +from the centreline, \+ to the car's left", words)
    assert "distance_mm" in words
    assert "of a check: from the sheet's origin" in words
    assert not [inner for inner in ("@roll-1", "radius:", "midpoint") if inner in words]


def test_a_distance_behind_the_car_is_positive_and_says_so():
    found = budget(Estimate.from_source("tape", ("distance_mm",), [-1400.0], [[0.16]]), "distance_mm", ["tape"])
    drawn = Drawn(100, -1400.0, 0.8, -1400.9, -1399.2, 0.05, True)
    run = BudgetRun(found, (), (), drawn, sheet(side="behind", distance=-1400.0))
    document = budget_document(run, Survey("id", "date", None, (), {}))
    assert (document["measured"], document["side"]) == (1400.0, "behind")
    assert (document["draws"]["low"], document["draws"]["high"]) == (1399.2, 1400.9)
    assert in_words(document).startswith("distance: 1400.00 mm behind, U 0.80 mm")


@pytest.mark.parametrize(
    ("typed", "name"),
    [("distance", "distance_mm"), ("yaw", "yaw_deg"), ("thrust angle", "thrust_angle"), ("yaw_deg", "yaw_deg")],
)
def test_a_figure_may_be_typed_as_it_is_printed(typed, name):
    assert typed_name(typed) == name


def test_before_the_survey(new_job):
    assert "there is no survey yet" in refused("budget", new_job, "thrust_angle_deg")
