"""`bayfix check` says which castor, slide or spindle to move: the demo's stand file lists them."""

from __future__ import annotations

import re

import pytest

from cli.base import Exit
from tests.support.commands import bayfix, refused

pytestmark = pytest.mark.usefixtures("in_this_process")


def test_a_check_says_which_castor_and_how_many_turns(job):
    document = bayfix("check", job, "--json").document
    moves = {move["name"]: move for move in document["moves"]}
    left, right = moves["yaw_deg"]["adjusters"]
    # The demo's target is turned 0.47° counter-clockwise: clockwise, its side on the car's left goes away from the car.
    assert (left["adjuster"], left["way"], right["way"]) == ("left castor", "away from the car", "towards the car")
    assert left["mm"] == pytest.approx(427.2 * abs(moves["yaw_deg"]["amount"]) * 0.017453, rel=1e-3)  # √(400² + 150²)
    (spindle,) = moves["height_mm"]["adjusters"]
    assert spindle["turns"] == pytest.approx(abs(moves["height_mm"]["amount"]) / 4.0)
    assert re.search(r"lower the target \d+\.\d mm \[height spindle: \d\.\d turns counter-clockwise\]", str(moves))
    assert moves["height_mm"]["words"] in document["moves_in_words"]


def test_a_wrong_adjuster_is_one_message(job):
    path = job / "stand.toml"
    path.write_text(path.read_text(encoding="utf-8").replace('makes = ["height"]', 'makes = ["lift"]'), encoding="utf-8")
    told = refused("check", job)
    assert re.search(r"stand\.toml:\d+: adjuster\.4\.makes\.0: .*'height'.*, not 'lift'", told), told
    assert bayfix("check", job).status == Exit.BAD_INPUT
