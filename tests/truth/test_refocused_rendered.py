"""Rendered photos whose focus is not that of the lens photos and whose principal point jitters, through the real commands."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cli.base import Exit
from cli.demo_bay import CHECK, invent, true_figures, write_job, write_photos
from tests.support.commands import bayfix
from tests.support.figures import true_by_name
from tests.support.refocused import shot_cameras
from tests.support.simulated import LENS_SIGMA, true_lens
from vision.camera import LensProfile, Wobble
from vision.camera_io import write_profile
from vision.lens_wobble import AUTO_DEFAULT

SEED, FOCAL, JITTER_PX = 3, 1.01, 5.0
FEW = {
    "roll-1": ("01", "03", "05", "07"),
    "roll-2": ("02", "04", "06", "08"),
    "roll-3": ("01", "03", "05", "07"),
    "rest": ("01", "03", "05", "07", "09", "10", "11", "12"),
    CHECK: ("03", "04"),
}


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    folder = tmp_path_factory.mktemp("refocused")
    demo = invent(SEED)
    demo = replace(demo, shots=tuple(shot for shot in demo.shots if shot.name in FEW.get(shot.epoch, ())))
    write_job(demo, folder, SEED)
    cameras = shot_cameras(demo.camera, len(demo.shots), SEED, focal=FOCAL, jitter_px=JITTER_PX)
    for i, (shot, camera) in enumerate(zip(demo.shots, cameras, strict=True)):
        list(write_photos(replace(demo, camera=camera, shots=(shot,)), folder, SEED + i, cores=1))
    return demo, folder


def typed_lens(folder, camera, focus: str, wobble: Wobble) -> None:
    """A profile of the camera as it was in the lens photos, erring within its covariance."""
    true = true_lens(camera)
    believed = true.with_parameters(true.parameters + np.random.default_rng(SEED).normal(size=12) * LENS_SIGMA)
    profile = LensProfile("shop", believed, np.diag(LENS_SIGMA**2), focus, wobble, make=camera.make, model=camera.model)
    write_profile(folder / "shop.lens.toml", profile, None)


@pytest.mark.slow
def test_with_focus_locked_nothing_is_measured(job):
    """Which contradiction is named first hangs on the photos; test_self_calibration.py holds the words for a whole bay."""
    demo, folder = job
    typed_lens(folder, demo.camera, "locked", Wobble())
    outcome = bayfix("survey", folder)
    assert outcome.status == Exit.BAD_INPUT
    assert outcome.err.startswith("not measured: ")
    assert not (folder / "results" / "survey.json").exists()


@pytest.mark.slow
def test_with_focus_auto_the_figures_stay_inside_their_u(job):
    demo, folder = job
    typed_lens(folder, demo.camera, "auto", AUTO_DEFAULT)
    survey = bayfix("survey", folder, "--json")
    assert survey.status == 0, survey.err
    (lens,) = survey.document["lenses"]
    focal = next(row for row in lens["parameters"] if row["name"] == "fx_px")
    assert focal["survey"] == pytest.approx(FOCAL * demo.camera.fx_px, abs=1.5 * focal["U_survey"])
    assert focal["U_survey"] < 0.5 * focal["U_profile"]
    assert lens["compatible"]
    rows = {}
    for command in ("wheels", "check"):
        rows |= {row["name"]: row for row in bayfix(command, folder, "--json").document["figures"] if "measured" in row}
    truth = true_by_name(true_figures(demo))
    ratios = {name: (row["measured"] - truth[name]) / row["U"] for name, row in rows.items() if name in truth}
    assert len(ratios) > 15
    # k = 2: 5 of 100 are beyond U; figures of one bay hang together
    assert np.mean([abs(ratio) < 1.0 for ratio in ratios.values()]) > 0.85, ratios
    assert max(map(abs, ratios.values())) < 1.9, ratios
