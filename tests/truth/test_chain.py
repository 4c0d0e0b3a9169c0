"""The whole chain, from corners to verdict, against the truth of simulated bays: errors, stated U, symmetries, refusals."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import tomlkit

from calib.bodies import tape_distances
from calib.decision.verdict import Verdict
from calib.paper.sheet import read_sheet
from calib.pipeline import check_of
from cli.check import NOT_SHOWN
from cli.demo_bay import true_figures
from cli.stations import Overrides, open_desk
from synthetic_images.bay import Stand
from tests.benchmarks.monte_carlo import against_first_order
from tests.support import figures as fg
from tests.support.other_bays import carried, in_the_mirror, mirrored, sides_turned
from tests.support.simulated import (
    Simulated,
    car,
    check_alone,
    check_of_stand,
    checked,
    judged_again,
    kicked,
    scene,
    scene_of,
    simulate,
    surveyed,
    with_epochs,
)
from vision.errors import MeasurementError
from vision.network import adjust_network
from vision.odd_photos import restored

LIMITS = {
    "thrust_angle_deg": 0.05,
    "rear_toe_left_deg": 0.08,
    "rear_toe_right_deg": 0.08,
    "rear_total_toe_deg": 0.10,
    "distance_mm": 3.3,
    "lateral_mm": 5.0,
    "height_mm": 2.5,
    "yaw_deg": 0.10,
    "pitch_deg": 0.18,
    "roll_deg": 0.12,
}
"""About 2.5 u of the demo bay at 1080p with 0.1 px: what the bay must give, whatever U says."""


STEER_DEG = {"roll-1": 0.7, "roll-2": -0.6, "roll-3": 0.5}


@pytest.fixture(scope="module")
def bay():
    return scene(1)


@pytest.fixture(scope="module")
def sim(bay, tmp_path_factory):
    return simulate(tmp_path_factory.mktemp("job"), 1, of=bay)


@pytest.fixture(scope="module")
def survey(sim):
    return surveyed(sim)


@pytest.fixture(scope="module")
def check(sim, survey):
    return checked(sim, survey)


@pytest.fixture(scope="module")
def figures(sim, survey, check):
    return all_figures(sim, survey, check)


@pytest.fixture(scope="module")
def steered(tmp_path_factory):
    """Another bay, its front wheels steered while the car rolled: simulated job and survey."""
    steer = {epoch: {"steer_rad": math.radians(angle)} for epoch, angle in STEER_DEG.items()}
    other = simulate(tmp_path_factory.mktemp("steered"), 3, of=scene_of(with_epochs(scene(4).demo, steer)))
    return other, surveyed(other)


def all_figures(sim, survey, check):
    return fg.of_car(car(sim, survey)) | fg.of_check(check.outcome)


def assert_true(figures, truth, limits=LIMITS) -> None:
    """Within three sigmas of what the chain itself predicts, and within what the bay must give."""
    errors, z = fg.errors(figures, truth, limits), fg.normalised(figures, truth, limits)
    far = {n: f"{errors[n]:+.4f} ({z[n]:+.1f} u)" for n in limits if abs(z[n]) > 3 or abs(errors[n]) > limits[n]}
    assert not far, far


def sheet_with(sim: Simulated, folder, change):
    """The job's sheet as a person changed it."""
    document = tomlkit.parse(sim.desk.job.need_sheet().read_text(encoding="utf-8"))
    change(document)
    path = folder / "other-sheet.toml"
    path.write_text(tomlkit.dumps(document), encoding="utf-8")
    return read_sheet(path)


def with_job(sim: Simulated, folder, change) -> Simulated:
    """The same sightings for a job whose `job.toml` a person changed."""
    for path in sim.desk.job.folder.glob("*.toml"):
        (folder / path.name).write_bytes(path.read_bytes())
    document = tomlkit.parse((folder / "job.toml").read_text(encoding="utf-8"))
    change(document)
    (folder / "job.toml").write_text(tomlkit.dumps(document), encoding="utf-8")
    return replace(sim, desk=open_desk(folder, Overrides()))


def test_the_figures_are_those_of_the_bay(sim, figures):
    assert_true(figures, sim.truth)


def test_nothing_moved_and_the_car_stayed(check):
    assert check.moved == ()
    assert {wheel.board for wheel in check.stayed} == {"wheel-front-left", "wheel-front-right"}
    assert not any(wheel.moved for wheel in check.stayed)
    assert NOT_SHOWN not in check.remarks


def test_stated_uncertainty_is_true(figures, sim, steered):
    other, survey = steered
    measured = all_figures(other, survey, checked(other, survey))
    assert_true(measured, other.truth)
    scores = [*fg.normalised(figures, sim.truth).values(), *fg.normalised(measured, other.truth).values()]
    # 54 figures, strongly correlated within a bay: some 20 independent ones, so the mean square scatters by 0.3.
    assert len(scores) == 54
    assert 0.2 < fg.mean_square(scores) < 1.9
    assert np.mean(np.abs(scores) <= 2.0) >= 0.9


@pytest.mark.slow
def test_stated_uncertainty_is_the_scatter_over_many_bays(tmp_path):
    scores: dict[str, list[float]] = {}
    for seed in range(20, 44):
        other = simulate(tmp_path / str(seed), seed, of=scene(seed))
        network = surveyed(other)
        for name, z in fg.normalised(all_figures(other, network, checked(other, network)), other.truth).items():
            scores.setdefault(name, []).append(z)
    pooled = [z for column in scores.values() for z in column]
    # 24 bays: the root mean square of one figure scatters by 1/sqrt(48) = 0.14.
    assert 0.7 < fg.mean_square(pooled) < 1.3
    far = {
        name: fg.mean_square(column) ** 0.5
        for name, column in scores.items()
        if not 0.45 < fg.mean_square(column) ** 0.5 < 1.45
    }
    assert not far, far


def test_steered_front_wheels_leave_the_figures_at_rest_alone(steered):
    other, survey = steered
    measured = car(other, survey)
    names = [*fg.REAR_AND_THRUST, "front_toe_left_deg", "front_toe_right_deg", "front_total_toe_deg"]
    assert_true(fg.of_car(measured), other.truth, dict.fromkeys(names, 0.2))
    rolling = measured.fit.rolling
    for epoch, angle in STEER_DEG.items():
        i = rolling.names.index(f"steer@{epoch}_rad")
        assert abs(rolling.value[i] - math.radians(angle)) < 3 * math.sqrt(rolling.cov[i, i]), epoch


def test_another_datum_changes_no_figure(sim, survey):
    views = [view for view in sim.survey_views if view.seen]
    datum = "floor-3" if survey.state.datum != "floor-3" else "floor-2"
    other = adjust_network(views, sim.desk.boards, sim.desk.lenses, distances=tape_distances(sim.desk.job), datum=datum)
    assert other.state.datum != survey.state.datum
    # The network does not care (1e-7 mm); the wheel fit linearises turns of some 0.05° about the datum, metres away.
    fg.assert_close_in_u(fg.of_car(car(sim, survey)), fg.of_car(car(sim, other)), parts=0.02, u_share=0.005)


def test_a_bay_carried_elsewhere_has_the_same_truth_in_the_same_pictures(bay, sim):
    there = carried(bay, (3210.0, -1750.0, 420.0), math.radians(123.0))
    for photo, boards in bay.corners.items():
        for one, two in zip(boards, there.corners[photo], strict=True):
            assert one.board == two.board
            np.testing.assert_allclose(one.px, two.px, atol=1e-6)
    for name, value in true_figures(there.demo).items():
        assert sim.truth[name] == pytest.approx(value, abs=1e-7), name


def marks_mm(sim: Simulated, network):
    """Centre marks of all boards, by body."""
    poses = network.poses
    return {body: poses[body].apply(sim.desk.boards[network.state.boards[body]].centre_mm) for body in sorted(poses.bodies)}


def between_mm(marks):
    places = np.array(list(marks.values()))
    return np.linalg.norm(places[:, None] - places[None], axis=2)


def test_a_mirror_turns_the_signs_and_nothing_else(sim, survey, figures, tmp_path):
    other = mirrored(sim, tmp_path / "mirror")
    network = surveyed(other)
    # Print scale is refined about the mark: from the mirrored corner it would carry the mark the other way, 0.05 mm here.
    np.testing.assert_allclose(between_mm(marks_mm(other, network)), between_mm(marks_mm(sim, survey)), atol=1e-6)
    theirs = in_the_mirror(all_figures(other, network, checked(other, network)))
    ours = {name: figure for name, figure in figures.items() if name in theirs}
    assert len(ours) == 30
    # A mirrored board has its first corner at the other end: the datum lies elsewhere, and heave and pitch are told of another
    # point of the car.
    fg.assert_close_in_u(ours, theirs, parts=0.05, u_share=0.005, sign=sides_turned())


def survey_then_check_and_joint(sim: Simulated):
    """All figures both ways, from the same corners: one on the border of what is left out may go one way or the other."""
    survey = surveyed(sim)
    run = checked(sim, survey)
    views = [*restored(survey, sim.survey_views, ()), *restored(run.network, sim.check_views, ())]
    joint = adjust_network(views, sim.desk.boards, sim.desk.lenses, distances=tape_distances(sim.desk.job), robust=False)
    sheet, after = read_sheet(sim.desk.job.need_sheet()), car(sim, joint)
    outcome = check_of(after, sim.desk.job, sheet, sim.desk.stand, sim.desk.boards, run.epoch)
    one = fg.of_car(car(sim, run.network)) | fg.of_check(run.outcome)
    return one, fg.of_car(after) | fg.of_check(outcome)


def test_survey_then_check_equals_one_joint_adjustment(bay, tmp_path):
    # Corners found in photos scatter by 0.01 to 0.07 px. What differs is of higher order in their errors: a prior with the
    # full second derivatives in place of Gauss-Newton's does not come nearer. It grows with the square of the print errors too
    # (tests/vision/test_network.py): up to 0.002 mm of 0.85 mm with 0.038 mm of them.
    both = survey_then_check_and_joint(simulate(tmp_path, 1, of=bay, noise_px=0.05))
    fg.assert_close_in_u(*both, parts=0.005, u_share=0.01)


@pytest.mark.slow
def test_survey_then_check_equals_one_joint_adjustment_at_1080p(sim):
    # 0.1 px moves weakly tied boards by millimetres: the higher orders reach 2 µm in four bays, a thousandth of u.
    fg.assert_same(*survey_then_check_and_joint(sim), mm=0.004, deg=2e-4, u_share=0.01)


def test_a_target_behind_the_car(bay, survey, tmp_path):
    stand = Stand(-1650.0, 30.0, 1000.0, 0.008, -0.004, 0.006, origin="rear_axle", line="thrust")
    behind = simulate(tmp_path, 1, of=check_of_stand(bay, stand))

    def change(document):
        document["origin"], document["side"] = "rear-axle", "behind"
        for name, value in (("distance", 1650.0), ("lateral", 30.0), ("height", 1000.0)):
            document[name]["value"] = value

    survey_sim = replace(behind, views={**dict.fromkeys(("roll-1", "roll-2", "roll-3", "rest"), []), **behind.views})
    run = checked(survey_sim, survey, sheet=sheet_with(behind, tmp_path, change))
    assert_true(fg.of_check(run.outcome), behind.truth, dict.fromkeys(fg.PLACEMENT, math.inf))
    assert run.outcome.placement.measured.value[0] < -1600.0
    assert abs(run.outcome.placement.error.value[0]) < 5.0


def test_along_the_centreline_the_target_lies_off_by_the_thrust_angle(sim, survey, check, tmp_path):
    run = judged_again(sim, survey, check, sheet=sheet_with(sim, tmp_path, lambda doc: doc.update({"line": "centreline"})))
    thrust, centre = fg.of_check(check.outcome), fg.of_check(run.outcome)
    angle_rad = math.radians(fg.of_car(car(sim, check.network))["thrust_angle_deg"].value)
    # By trade arithmetic: the target is one wheelbase and the distance ahead of R, where the two lines part.
    ahead_mm = sim.truth["wheelbase_mm"] + thrust["distance_mm"].value
    assert centre["lateral_mm"].value - thrust["lateral_mm"].value == pytest.approx(ahead_mm * math.tan(angle_rad), abs=0.02)
    assert centre["yaw_deg"].value - thrust["yaw_deg"].value == pytest.approx(math.degrees(angle_rad), abs=1e-4)
    assert centre["height_mm"].value == pytest.approx(thrust["height_mm"].value, abs=1e-6)
    assert centre["lateral_mm"].u != pytest.approx(thrust["lateral_mm"].u, rel=0.05)


def without_standoffs(document) -> None:
    for wheel in document["wheels"].values():
        del wheel["standoff_mm"], wheel["standoff_pm_mm"]


def test_without_stand_offs_directions_remain_and_places_are_not_measured(sim, survey, check, tmp_path):
    bare = with_job(sim, tmp_path, without_standoffs)
    run = judged_again(bare, survey, check)
    measured = car(bare, check.network)
    ours, theirs = fg.of_car(measured), fg.of_check(run.outcome)
    assert {"rear_total_toe_deg", "thrust_direction_deg", "front_total_toe_deg", "camber_rear_left_deg"} <= set(ours)
    missing = {figure.name: figure.reason for figure in measured.figures.missing}
    assert missing["thrust_angle"].startswith("not measured: stand-off missing (rear left")
    assert {"thrust_angle", "centreline_direction", "rear_midpoint_x", "track_front"} <= set(missing)
    reasons = run.outcome.judgement.not_measured
    assert set(reasons) == {"distance_mm", "lateral_mm"}
    assert "stand-off" in reasons["distance_mm"]
    assert set(theirs) == {"height_mm", "yaw_deg", "pitch_deg", "roll_deg"}
    known = fg.of_check(check.outcome) | fg.of_car(car(sim, check.network))
    same = ["rear_total_toe_deg", "camber_rear_left_deg", *theirs]
    # Stand-offs also tell the fit about where the front wheels steer: that moves the rest by some hundredths of their u.
    fg.assert_same({n: known[n] for n in same}, {n: (ours | theirs)[n] for n in same}, mm=0.1, deg=0.003, u_share=0.1)


def test_each_source_left_out_makes_u_smaller_by_its_share(sim, survey, check):
    all_of_it = check.outcome.placement.measured
    typed = {"scale", "flatness", "print", "thickness", "floor", "stand-off", "stand file", "tape", "lens"}
    assert set(all_of_it.parts) == typed | {"corners", "car motion"}
    part = judged_again(sim, survey, check, without=["stand-off", "floor"]).outcome.placement.measured
    np.testing.assert_allclose(part.value, all_of_it.value, atol=1e-12)
    left = all_of_it.cov - all_of_it.parts["stand-off"] - all_of_it.parts["floor"]
    np.testing.assert_allclose(part.cov, left, atol=1e-12)
    # Two stand-offs of ±0.6 mm, opposite in sign: half their difference moves R, and with it the thrust line, sideways.
    lateral = all_of_it.names.index("lateral_mm")
    assert all_of_it.parts["stand-off"][lateral, lateral] == pytest.approx(2 * (0.3 / 2) ** 2, rel=0.2)


def test_a_source_that_is_none_is_named_with_those_there_are(sim, survey, check):
    with pytest.raises(MeasurementError, match="no source of uncertainty 'weather'") as caught:
        judged_again(sim, survey, check, without=["weather"])
    assert "corners" in caught.value.hint


def test_a_figure_without_tolerance_is_measured_and_not_judged(sim, survey, check, tmp_path):
    sheet = sheet_with(sim, tmp_path, lambda doc: doc["height"].remove("tolerance"))
    judgement, before = judged_again(sim, survey, check, sheet=sheet).outcome.judgement, check.outcome.judgement
    assert judgement.figure("height_mm").verdict is Verdict.NOT_JUDGED
    assert judgement.figure("height_mm").error == pytest.approx(before.figure("height_mm").error)
    assert judgement.figure("yaw_rad").verdict is before.figure("yaw_rad").verdict


def test_one_photo_is_enough_and_asks_for_a_second(sim, survey, check):
    views = [view for view in sim.check_views if any(s.board.startswith("stand") for s in view.seen)][:1]
    run = checked(sim, survey, views=views)
    assert_true(fg.of_check(run.outcome), sim.truth, dict.fromkeys(fg.PLACEMENT, math.inf))
    assert any(remark.startswith("one photo: stand 30° to 45° beside") for remark in run.remarks)
    assert fg.of_check(run.outcome)["yaw_deg"].u > fg.of_check(check.outcome)["yaw_deg"].u


def test_a_check_that_sees_no_wheel_board_cannot_conform(sim, survey, check):
    sheet = read_sheet(sim.desk.job.need_sheet())
    generous = replace(sheet, required=tuple(replace(r, lower=100 * r.lower, upper=100 * r.upper) for r in sheet.required))
    assert judged_again(sim, survey, check, sheet=generous).outcome.judgement.verdict is Verdict.CONFORMS
    views = [replace(v, seen=tuple(s for s in v.seen if not s.board.startswith("wheel"))) for v in sim.check_views]
    views = [view for view in views if any(s.board.startswith("stand") for s in view.seen)][:2]
    unseen = checked(sim, survey, sheet=generous, views=views)
    assert unseen.stayed == ()
    assert unseen.outcome.judgement.verdict is Verdict.UNDECIDED
    assert NOT_SHOWN in unseen.remarks
    accepted = checked(sim, survey, sheet=generous, views=views, car_not_seen="the stand hides the car")
    assert accepted.outcome.judgement.verdict is Verdict.CONFORMS
    assert NOT_SHOWN not in accepted.remarks


@pytest.mark.slow
@pytest.mark.parametrize("pair", [("floor-11", "floor-14"), ("floor-13", "floor-12"), ("floor-10", "floor-13")])
def test_two_kicked_boards_do_not_accuse_a_third(tmp_path, pair):
    """In this bay floor-5 looks worst at first when floor-11 and floor-14 moved."""
    before = simulate(tmp_path / "before", 2, of=scene(2))
    after = simulate(tmp_path / "after", 102, of=kicked(scene(2), *pair))
    run = checked(before, surveyed(before), views=after.check_views)
    assert {moved.body for moved in run.moved} == set(pair)
    assert all(3.0 < moved.shift_mm < 9.0 for moved in run.moved)


def test_a_car_that_rolled_since_rest_is_refused(bay, survey, tmp_path):
    rolled = simulate(tmp_path, 1, of=check_alone(bay, {"travel_mm": 6.0}))
    with pytest.raises(
        MeasurementError, match=r"the car \(or a wheel board\) moved since epoch rest: wheel-front-\w+ by \d"
    ) as caught:
        checked(rolled, survey)
    assert "bayfix survey" in caught.value.hint


@pytest.mark.slow
def test_first_order_u_agrees_with_draws_through_the_whole_geometry(bay, tmp_path):
    """JCGM 101:2008, clause 8: propagation of distributions as the check of the first-order U."""
    count = 150
    rows = against_first_order(simulate(tmp_path, 1, of=bay, errors=False), count, seed=1)
    ratios = np.array([row["ratio"] for row in rows])
    assert len(rows) >= 30
    # A standard deviation from n draws scatters by 1/sqrt(2 n); four of that for the worst of thirty figures.
    np.testing.assert_allclose(ratios, 1.0, atol=4.0 / np.sqrt(2 * count))
    # All figures hang on the same draws: some five independent ones among them.
    assert np.mean(ratios) == pytest.approx(1.0, abs=4.0 / np.sqrt(2 * count * 5))
