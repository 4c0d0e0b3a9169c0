"""The next round of photos, by how the job's wheels come to turn."""

import pytest

from calib.geometry.wheels import Mode
from calib.paper.next_step import Facts, steps


def photo_step(mode: Mode, *epochs: str):
    before = {"questions": [], "open": 0}
    photos = dict.fromkeys(epochs, 8)
    facts = Facts("job", before, "", True, "sheet.toml", photos, "no survey", "", "none", (), mode)
    return next(step for step in steps(facts) if step.what == "photos")


@pytest.mark.parametrize(
    ("mode", "epochs", "words"),
    [
        (Mode.ROLLED, (), "job/photos/roll-1, then roll on by a quarter turn of the wheels (some 0.5 m)"),
        (Mode.ROLLED, ("roll-1", "roll-2"), "roll on once more, chocks and brake: photograph where the car stays"),
        (Mode.SPIN, ("roll-1",), "job/photos/roll-2, then turn every wheel by hand by a quarter turn"),
        (Mode.SPIN, ("roll-1", "roll-2"), "turn every wheel once more: photograph where they stay into job/photos/rest"),
        (Mode.STATIC, (), "chocks and brake: photograph the car where it stands into job/photos/rest"),
    ],
)
def test_the_next_round_is_asked_for(mode, epochs, words):
    step = photo_step(mode, *epochs)
    assert words in step.step
    assert step.state == "open"


@pytest.mark.parametrize("mode", list(Mode))
def test_after_rest_no_round_is_asked_for(mode):
    assert photo_step(mode, "rest").step == ""
