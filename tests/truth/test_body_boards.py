"""Boards on the car's body through the whole chain: they count, tighten, and show whether the car stayed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from calib.pipeline import car_stayed
from cli.car_stayed import refuse_moved_car
from synthetic_images.bay import BodyBoard
from tests.support import figures as fg
from tests.support.simulated import (
    car,
    check_alone,
    checked,
    scene,
    scene_of,
    simulate,
    surveyed,
    with_body_boards,
)
from vision.errors import MeasurementError

ON_BODY = {"body-1", "body-2"}


@pytest.fixture(scope="module")
def bay():
    return with_body_boards(scene(3))


@pytest.fixture(scope="module")
def sim(bay, tmp_path_factory):
    return simulate(tmp_path_factory.mktemp("body"), 3, of=bay)


@pytest.fixture(scope="module")
def survey(sim):
    return surveyed(sim)


@pytest.fixture(scope="module")
def measured(sim, survey):
    return car(sim, survey)


def without_body(sim):
    return replace(sim, desk=replace(sim.desk, job=replace(sim.desk.job, body=type(sim.desk.job.body)())))


def test_the_photos_show_the_body_in_every_round(survey):
    seen = {body for body in survey.poses.bodies if body.startswith("body-")}
    assert {f"{board}@{epoch}" for board in ON_BODY for epoch in ("roll-1", "roll-2", "roll-3", "rest")} <= seen


def test_figures_agree_with_the_truth_and_are_surer(sim, survey, measured):
    without = car(without_body(sim), survey)
    with_body, alone = fg.of_car(measured), fg.of_car(without)
    off = fg.normalised(with_body, sim.truth)
    # Some ten independent figures: beyond 3.5 by chance once in 200
    assert max(abs(value) for value in off.values()) < 3.5
    # Each fit multiplies its u by its own misfit: what the boards on the body bring is told without it.
    misfit = max(1.0, measured.fit.sigma0) / max(1.0, without.fit.sigma0)
    gain = {name: with_body[name].u / alone[name].u / misfit for name in with_body}
    for name in ("rear_total_toe_deg", "camber_rear_left_deg", "wheelbase_left_mm", "thrust_direction_deg"):
        assert gain[name] < 1.001, name
    assert min(gain.values()) < 0.99


def later(bay, sim, change=None, body=None):
    """The check's photos of the same job after something moved; `body` changes one board on it."""
    of = bay
    if body:
        moved = tuple(body(board) for board in bay.demo.bay.body_boards)
        of = scene_of(replace(bay.demo, bay=replace(bay.demo.bay, body_boards=moved)))
    of = check_alone(of, change or {})
    return simulate(sim.desk.job.folder.parent / "later", 3, of=of)


def test_a_check_shows_that_the_body_stayed(sim, survey):
    stayed = {row.board: row for row in checked(sim, survey).stayed}
    assert stayed.keys() >= {"body-1"}
    assert not any(row.moved for row in stayed.values())
    assert stayed["body-1"].on_body


def test_the_body_alone_shows_that_the_car_stayed(sim, survey):
    views = [replace(v, seen=tuple(s for s in v.seen if not s.board.startswith("wheel-"))) for v in sim.check_views]
    run = checked(sim, survey, views=views)
    assert run.stayed
    assert all(row.on_body for row in run.stayed)
    assert "car not seen" not in " ".join(run.remarks)


def test_a_car_pushed_before_the_check_is_seen_by_the_body_alone(bay, sim, survey):
    after = later(bay, sim, {"travel_mm": 8.0})
    views = [replace(v, seen=tuple(s for s in v.seen if not s.board.startswith("wheel-"))) for v in after.check_views]
    with pytest.raises(
        MeasurementError, match=r"the car's body \(or the board on it\) moved since epoch rest: body-\d by \d\.\d mm"
    ) as e:
        checked(sim, survey, views=views)
    assert "photograph epoch rest again" in e.value.hint


def dipped(board: BodyBoard) -> BodyBoard:
    matrix = board.car_from_board.copy()
    matrix[2, 3] -= 4.0
    return BodyBoard(board.name, matrix)


def test_a_body_that_dipped_while_the_wheels_stayed_is_told(bay, sim, survey):
    after = later(bay, sim, body=dipped)
    run = checked(sim, survey, views=after.check_views)
    told = [remark for remark in run.remarks if "on the car's body moved by 4" in remark or "moved by 3." in remark]
    assert told
    assert "while the wheels stayed" in told[0]
    with pytest.raises(MeasurementError, match=r"the car's body"):
        refuse_moved_car(run.stayed, sim.desk, with_body=True)
    soft = replace(sim.desk.job, body=replace(sim.desk.job.body, settle_pm_mm=6.0))
    assert not any(row.moved for row in car_stayed(run.network.poses, soft, sim.desk.boards, run.epoch))
