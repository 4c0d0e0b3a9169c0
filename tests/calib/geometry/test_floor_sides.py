"""Floor boards on one side of the car only are told, with the side."""

import pytest

from calib.geometry.floor_sides import one_sided
from tests.support.car import as_set, car, moved
from vision.frames import Pose

CARRY = Pose.from_rt("survey", "survey", [0.3, -0.2, 2.1], [900.0, -400.0, 300.0])


def bay(*places):
    boards = {
        f"floor-{i}": Pose.from_rt("survey", f"floor-{i}", [3.1, 0.0, 0.2], [x, y, 0.0]) for i, (x, y) in enumerate(places)
    }
    return as_set(moved(car() | boards, CARRY)), list(boards)


@pytest.mark.parametrize(("y_mm", "side", "other"), [(1300.0, "left", "right"), (-1250.0, "right", "left")])
def test_all_on_one_side_is_told(y_mm, side, other):
    poses, names = bay((-500.0, y_mm), (800.0, y_mm), (2000.0, y_mm), (2600.0, 0.7 * y_mm))
    (told,) = one_sided(poses, names)
    assert told.startswith(f"all 4 floor boards lie on the car's {side}: the floor under its {other} wheels is drawn on")


def test_boards_on_both_sides_are_not():
    assert one_sided(*bay((-500.0, 1300.0), (800.0, 1250.0), (2000.0, -1200.0))) == []
