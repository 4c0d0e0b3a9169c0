"""The commands on a car that is said not to roll, and on a job whose holders or mode are not as it says."""

from __future__ import annotations

import pytest
import tomlkit

from cli.base import DONE, Exit
from tests.support.commands import bayfix, refused

pytestmark = pytest.mark.usefixtures("in_this_process")

LIMIT = """\
schema = "vehicle/1"
name = "mid-size car"

[limits.rolling_diameter_difference_rear]
unit = "mm"
least = -3.0
most = 3.0

[limits.rear_total_toe]
unit = "deg"
value = 0.10
tolerance = 0.50

[provenance]
document = "invented"
typed_by = "A. B."
"""


def with_wheels(job, **keys):
    path = job / "job.toml"
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    document["wheels"].update(keys)
    path.write_text(tomlkit.dumps(document), encoding="utf-8")


@pytest.fixture
def standing(job):
    """Boards strapped on by eye: up to 5° crooked and some 25 mm beside the middle."""
    with_wheels(job, mode="static", centring_pm_mm=30.0, mounting_pm_deg=5.0)
    return job


def test_wheels_of_a_standing_car_are_told_with_a_large_u(standing):
    outcome = bayfix("wheels", standing)
    assert outcome.status == DONE
    assert "\nnot rolled\n" in outcome.out
    assert "note: not rolled: the spin axes are where the holders of the wheel boards are said to put them" in outcome.out
    document = bayfix("wheels", standing, "--json").document
    u = {row["name"]: row["U"] for row in document["figures"] if "U" in row}
    assert u["camber_rear_left_deg"] == pytest.approx(5.0, rel=0.05)
    assert u["rear_total_toe_deg"] == pytest.approx(7.07, rel=0.05)


def test_limits_of_a_standing_car_cannot_be_shown_to_be_kept(standing):
    (standing / "limits.toml").write_text(LIMIT, encoding="utf-8")
    outcome = bayfix("vehicle", standing, "--vehicle", standing / "limits.toml")
    assert outcome.status == Exit.UNDECIDED
    assert 'rolling diameter difference rear: not measured: not rolled (mode = "static")' in outcome.out
    assert 'travel to thrust: not measured: not rolled (mode = "static")' in outcome.out


def test_a_check_on_a_standing_car_does_not_conform_by_luck_and_says_why(standing):
    outcome = bayfix("check", standing)
    assert outcome.status in (Exit.UNDECIDED, Exit.DOES_NOT_CONFORM)
    assert "lateral: cannot be decided with this U" in outcome.out
    assert "note: not rolled: the spin axes are where the holders" in outcome.out


def test_a_rolled_car_is_not_one_on_a_lift(job):
    with_wheels(job, mode="spin")
    words = refused("wheels", job)
    assert "mm between the epochs, but job.toml says that it stays and its wheels are turned by hand" in words
    assert "strike mode out under [wheels] if the car was rolled" in words


def test_a_static_job_without_its_holders_is_refused_with_the_line(job):
    with_wheels(job, mode="static", centring_pm_mm=1.0)
    words = refused("wheels", job)
    assert "mounting_pm_deg is missing for the rear left, rear right, front left, front right wheels" in words
    assert "job.toml:" in words


def test_holders_that_sit_otherwise_than_typed_are_named(job):
    with_wheels(job, centring_pm_mm=0.5)
    outcome = bayfix("wheels", job)
    assert outcome.status == DONE
    assert "note: the spin axis of the rear left wheel passes " in outcome.out
    assert "which centring_pm_mm = 0.5 excludes: it does not count" in outcome.out


def test_a_rolled_car_tells_how_far_and_which_way(job):
    outcome = bayfix("wheels", job)
    line = next(line for line in outcome.out.splitlines() if line.startswith("  rear left wheel"))
    assert line.rstrip().endswith(" m)")
    assert " of a turn, " in line
    assert "meanwhile the rear axle's middle went 0." in outcome.out
    assert "no figure rests on it, as toe and thrust line come from the wheels' axes" in outcome.out
    document = bayfix("vehicle", job, "--json").document
    assert document["caution"].startswith("A measurement of the car as it stands")
    row = next(row for row in document["figures"] if row["name"] == "travel_to_thrust_deg")
    assert row["group"] == "lines"
    assert row["note"].startswith("way of the rear axle's middle while rolling")
