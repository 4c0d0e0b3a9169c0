"""Bays whose floor nobody typed: the boards measure it, and every U still holds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support import figures as fg
from tests.support.on_floor import standing_on_its_floor
from tests.support.simulated import car, checked, scene, scene_of, simulate, surveyed

BAYS = range(40, 46)


@pytest.mark.slow
def test_u_from_the_measured_floor_is_true_and_smaller_than_from_the_supposed_one(tmp_path):
    scores: list[float] = []
    ratios: dict[str, list[float]] = {}
    for seed in BAYS:
        sim = simulate(tmp_path / str(seed), seed, of=scene_of(standing_on_its_floor(scene(seed).demo)))
        network = surveyed(sim)
        figures = {}
        for typed in (True, False):
            job = replace(sim.desk.job, floor_typed=typed)
            asked = replace(sim, desk=replace(sim.desk, job=job))
            placed = car(asked, network)
            assert placed.uneven.source == ("typed" if typed else "measured")
            figures[typed] = fg.of_car(placed) | fg.of_check(checked(asked, network).outcome)
        scores += fg.normalised(figures[False], sim.truth).values()
        for name in ("height_mm", "distance_mm", "camber_rear_left_deg"):
            ratios.setdefault(name, []).append(figures[False][name].u / figures[True][name].u)
    # Some 10 independent figures a bay: the mean square scatters by 0.2, the share inside by 3 of 100.
    assert 0.5 < fg.mean_square(scores) < 1.6
    assert np.mean(np.abs(scores) <= 2.0) > 0.88
    assert np.mean(ratios["height_mm"]) < 0.95
    assert np.mean(ratios["distance_mm"]) < 0.95
    assert np.mean(ratios["camber_rear_left_deg"]) < 1.0
