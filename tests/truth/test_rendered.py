"""From rendered JPEG files to the verdict through the real commands, against the bay's truth."""

from __future__ import annotations

import numpy as np
import pytest

import vision.parallel
from cli.base import Exit
from cli.demo_bay import CHECK, invent, true_figures, write_job, write_photos
from tests.support.commands import bayfix
from tests.support.figures import true_by_name
from tests.support.simulated import LENS_SIGMA, true_lens
from vision.camera import LensProfile
from vision.camera_io import write_profile

FEW = {
    "roll-1": ("01", "03", "05", "07"),
    "roll-3": ("01", "03", "05", "07"),
    "rest": ("01", "03", "05", "07", "09", "10"),
    CHECK: ("03", "04"),
}
"""One photo a wheel and round, two that tie left and right at the front, two of the check."""
FIGURES = ("thrust_angle_deg", "rear_total_toe_deg", "rear_toe_left_deg", "distance_mm", "lateral_mm", "height_mm", "yaw_deg")
SEED = 3


@pytest.fixture(scope="module")
def few_photos():
    demo = invent(SEED)
    shots = tuple(shot for shot in demo.shots if shot.name in FEW.get(shot.epoch, ()))
    return type(demo)(demo.bay, demo.camera, shots, demo.variant)


def typed_lens(folder, camera) -> None:
    """A lens profile that errs within its covariance, in place of `bayfix lens`."""
    true = true_lens(camera)
    believed = true.with_parameters(true.parameters + np.random.default_rng(SEED).normal(size=12) * LENS_SIGMA)
    profile = LensProfile("shop", believed, np.diag(LENS_SIGMA**2), make=camera.make, model=camera.model)
    write_profile(folder / "shop.lens.toml", profile, None)


def measured(folder, *commands):
    """Rows by name of the commands' figures, and the last status."""
    rows, status = {}, 0
    for command in commands:
        outcome = bayfix(command, folder, "--json")
        status = outcome.status
        assert status != Exit.BAD_INPUT, outcome.err
        rows |= {row["name"]: row for row in outcome.document.get("figures", []) if "measured" in row}
    return rows, status


def test_a_small_bay_from_jpeg_files(few_photos, tmp_path, monkeypatch):
    monkeypatch.setattr(vision.parallel, "LEAST_FOR_POOL", 1000)
    write_job(few_photos, tmp_path, SEED)
    typed_lens(tmp_path, few_photos.camera)
    assert len(list(write_photos(few_photos, tmp_path, SEED, cores=1))) == 16
    rows, _ = measured(tmp_path, "survey", "wheels", "check")
    truth = true_by_name(true_figures(few_photos))
    for name in FIGURES:
        error, u = rows[name]["measured"] - truth[name], rows[name]["U"] / 2
        assert abs(error) < 3 * u, f"{name}: {error:+.3f} is {error / u:+.1f} u"
    # Sixteen photos instead of forty-two: still useful numbers.
    assert rows["thrust_angle_deg"]["U"] < 0.15
    assert rows["distance_mm"]["U"] < 10.0
    assert rows["yaw_deg"]["U"] < 0.25


@pytest.mark.slow
@pytest.mark.parametrize("seed", [11, 12])
def test_the_demo_from_jpeg_files(tmp_path, seed):
    """`bayfix demo`, its lens photos and worker processes included (many of them: tests/benchmarks/demo_bays.py)."""
    outcome = bayfix("demo", "--out", tmp_path / "demo", "--seed", seed, "--json")
    assert outcome.status == 0
    rows = {row["name"]: row for row in outcome.document["figures"]}
    for name, limit in {"thrust_angle_deg": 0.05, "distance_mm": 2.5, "lateral_mm": 4.0, "yaw_deg": 0.08}.items():
        error = rows[name]["measured"] - rows[name]["truth"]
        assert abs(error) <= max(limit, 1.5 * rows[name]["U"]), f"{name}: {error:+.3f}, U {rows[name]['U']:.3f}"
    assert sum(row["inside"] for row in rows.values()) >= 0.8 * len(rows)
