"""A car that cannot roll: its holders' seat in U, what still is measured, what is not, and a check on it."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
import tomlkit

from calib.alignment import alignment
from calib.decision.verdict import Verdict
from calib.geometry.wheels import Mode
from calib.pipeline import car_of
from cli.stations import Overrides, open_desk
from cli.wheels import in_words, wheels_document
from synthetic_images.bay import WHEEL_POSITIONS, Epoch
from tests.benchmarks.accuracy_bay import Trial, bay_of, simulated_job
from tests.benchmarks.noise_law import LAW
from tests.support import figures as fg
from tests.support.simulated import car, checked, scene, scene_of, simulate, simulated, survey_of, surveyed
from vision.errors import MeasurementError

CENTRING_MM, MOUNTING_DEG = 1.0, 0.5


def held(seed: int):
    """The demo's bay with holders that sit as well as is said of them: normal errors of these half-widths, k = 2."""
    demo, rng = scene(seed).demo, np.random.default_rng([seed, 91])
    wheels = []
    for wheel in demo.bay.wheels:
        lean = np.radians(rng.normal(0, MOUNTING_DEG / 2, 2))
        mount = replace(
            wheel.mount,
            crooked_rad=float(np.hypot(*lean)),
            crooked_towards_rad=math.atan2(lean[1], lean[0]),
            off_centre_mm=tuple(rng.normal(0, CENTRING_MM / 2, 2).tolist()),
        )
        wheels.append(replace(wheel, mount=mount))
    return scene_of(replace(demo, bay=replace(demo.bay, wheels=tuple(wheels))))


def typed(sim, change) -> None:
    path = sim.desk.job.folder / "job.toml"
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    change(document)
    path.write_text(tomlkit.dumps(document), encoding="utf-8")


def standing(folder, seed: int):
    """A job whose mode is static: its roll epochs tie the floor boards together, and tell nothing of the wheels."""
    of = held(seed)
    sim = simulate(folder, seed, of=of)
    typed(sim, lambda job: job["wheels"].update(mode="static", centring_pm_mm=CENTRING_MM, mounting_pm_deg=MOUNTING_DEG))
    return simulated(of, open_desk(folder, Overrides()), sim.seen)


@pytest.fixture(scope="module")
def sim(tmp_path_factory):
    return standing(tmp_path_factory.mktemp("static"), 5)


@pytest.fixture(scope="module")
def network(sim):
    return surveyed(sim)


@pytest.fixture(scope="module")
def measured(sim, network):
    return car(sim, network)


def test_without_the_mode_the_refusal_names_it(sim, network):
    job = replace(sim.desk.job, turning=replace(sim.desk.job.turning, mode=Mode.ROLLED))
    with pytest.raises(MeasurementError, match="there is only one epoch, rest") as caught:
        car_of(network.poses, job, sim.desk.boards, ["rest"])
    assert 'mode = "static"' in caught.value.hint


def test_every_figure_of_a_standing_car_is_given_with_its_honest_u(measured, sim):
    rows = fg.of_car(measured)
    assert {"rear_total_toe_deg", "thrust_angle_deg", "camber_front_left_deg", "wheelbase_left_mm"} <= set(rows)
    assert 2 * rows["camber_rear_left_deg"].u == pytest.approx(MOUNTING_DEG, rel=0.1)
    assert 2 * rows["rear_total_toe_deg"].u == pytest.approx(MOUNTING_DEG * math.sqrt(2), rel=0.1)
    off = fg.normalised(rows, sim.truth)
    assert max(abs(value) for value in off.values()) < 4.0
    assert {"centring", "board mounting"} <= set(measured.figures.estimate.parts)


def test_words_and_documents_say_that_it_did_not_roll(measured, sim, network):
    survey = replace(survey_of(sim, network), document={"photos": [], "rejected": []})
    document = wheels_document(measured, survey)
    json.dumps(document)
    assert document["rolling"]["mode"] == "static"
    assert document["rolling"]["figures"] == []
    assert document["remarks"][0].startswith("not rolled: the spin axes are where the holders")
    words = in_words(document)
    assert "not rolled\n" in words
    assert "note: not rolled: the spin axes" in words


def test_what_rolling_alone_shows_is_not_measured_with_the_reason(measured, sim):
    missing = alignment(measured, sim.desk.job, sim.desk.boards).missing
    alone = {"travel_to_thrust", "rolling_diameter_front_left", "rolling_diameter_front_minus_rear"}
    assert {missing[name] for name in alone} == {'not measured: not rolled (mode = "static")'}


def test_a_check_on_a_standing_car_is_measured_and_what_hangs_on_the_thrust_line_undecided(sim, network):
    run = checked(sim, network)
    figures = fg.of_check(run.outcome)
    off = fg.normalised(figures, sim.truth, fg.PLACEMENT)
    assert max(abs(value) for value in off.values()) < 4.0
    verdicts = {figure.name: figure.verdict for figure in run.outcome.judgement.figures}
    # ±10 mm at 2.6 m ahead of the front axle, with a thrust line known to √½ · 0.5° (k = 2)
    assert 2 * figures["yaw_deg"].u == pytest.approx(MOUNTING_DEG / math.sqrt(2), rel=0.1)
    assert verdicts["lateral_mm"] is Verdict.UNDECIDED
    assert any(remark.startswith("not rolled: the spin axes") for remark in run.remarks)


@pytest.mark.slow
def test_errors_of_standing_cars_scatter_as_stated(tmp_path):
    ratios = []
    for seed in range(20, 32):
        one = standing(tmp_path / str(seed), seed)
        rows = fg.of_car(car(one, surveyed(one)))
        off = fg.normalised(rows, one.truth)
        names = [f"camber_{axle}_{side}_deg" for axle in ("front", "rear") for side in ("left", "right")]
        ratios += [off[name] for name in (*names, "rear_total_toe_deg", "front_total_toe_deg", "wheelbase_left_mm")]
    # Seven nearly independent figures of 12 cars: 3 / sqrt(2 * 84) = 0.23
    assert np.sqrt(np.mean(np.square(ratios))) == pytest.approx(1.0, abs=0.23)


def hanging(folder, seed: int):
    """A job on a lift: wheels turned by hand, each its own way, the car rocking by what is said (±1 mm at its wheels)."""
    one, rng = bay_of(Trial(seed, "1080p")), np.random.default_rng([seed, 92])
    rounds = [epoch.name for epoch in one.bay.epochs if epoch.name.startswith("roll-")]
    spins = {(wheel, name): float(rng.uniform(0.7, 2.6) * rng.choice([-1, 1])) for wheel in WHEEL_POSITIONS for name in rounds}

    def rocked(epoch):
        if epoch.name not in rounds:
            return epoch
        way, slip, heave = rng.normal(0, 0.5, 3)
        yaw, pitch, roll = rng.normal(0, 0.5e-3, 3)
        return Epoch(epoch.name, way, slip, heave + pitch * 1350.0, yaw, pitch, roll, epoch.steer_rad)

    bay = replace(one.bay, epochs=tuple(rocked(epoch) for epoch in one.bay.epochs), spins_rad=spins)
    resting = [shot for shot in one.shots if shot.epoch == "rest"]
    # Each round as `rest` was photographed; what was taken of the first ones besides ties the floor boards together.
    others = [replace(shot, name=f"{shot.name}-tie") if shot.epoch in rounds else shot for shot in one.shots]
    others = [shot for shot in others if shot.epoch not in ("rest", "roll-3")]
    shots = [replace(shot, epoch=name) for name in (*rounds, "rest") for shot in resting]
    one = replace(one, bay=bay, shots=(*shots, *others))
    sim = simulated_job(one, scene_of(one.demo), folder, LAW, np.random.default_rng([seed, 1]))
    typed(sim, lambda job: job["wheels"].update(mode="spin"))
    return one, simulated(scene_of(one.demo), open_desk(folder, Overrides()), sim.seen)


def test_wheels_of_a_lifted_car_turned_by_hand(tmp_path):
    one, sim = hanging(tmp_path, 4)
    found = car(sim, surveyed(sim))
    rows = fg.of_car(found)
    off = fg.normalised(rows, one.figures)
    # Some ten independent figures: beyond 3.5 by chance once in 200
    assert max(abs(value) for value in off.values()) < 3.5
    assert rows["rear_total_toe_deg"].u < 0.02
    assert rows["thrust_angle_deg"].u < 0.03
    assert found.remarks[0].startswith("not rolled: the wheels were turned by hand on a lift")
    missing = alignment(found, sim.desk.job, sim.desk.boards).missing
    assert missing["rolling_diameter_rear_left"] == 'not measured: not rolled (mode = "spin")'
