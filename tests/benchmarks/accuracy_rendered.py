"""One bay of the accuracy campaign from JPEG files: `bayfix lens`, then the stations of `survey` and `check`."""

from __future__ import annotations

import contextlib
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from calib.bodies import epoch_of_body
from calib.paper.sheet import read_sheet
from calib.pipeline import car_of
from cli.check_run import run_check
from cli.kept_survey import Survey
from cli.stations import Overrides, open_desk, silent
from cli.stations import survey as run_survey
from synthetic_images.imaging import exif_of, write_jpeg
from synthetic_images.render import render_photo
from synthetic_images.shot import Shot
from tests.benchmarks.accuracy_bay import Clock, Row, Trial, bay_of, bound, bumped, fill, measurement, new_row
from tests.benchmarks.noise_law import LAW
from tests.benchmarks.reference_bay import CHECK, TrueBay
from tests.benchmarks.typed_job import write_typed
from vision.parallel import in_parallel


def run_rendered(trial: Trial, folder: Path, cores: int = 1) -> Row:
    """One bay from JPEG files, lens calibration included; the bound is that of simulated corners of the same photos.

    Raises
    ------
    MeasurementError
        A command could not measure.
    """
    one, rng = bay_of(trial), np.random.default_rng([trial.seed, 1])
    row = new_row(trial, one)
    after, kicked = bumped(one, rng) if trial.bump else (one, "")
    late = {"": set(), "check": {CHECK}, "survey": {"roll-3", "rest", CHECK}}[trial.bump]
    job, clock = folder / "typed", Clock()
    write_typed(one, job, rng)
    work = [
        (after if shot.epoch in late else one, shot, job, [trial.seed, 2, i])
        for i, shot in enumerate((*one.shots, *one.lens_shots))
    ]
    for _ in in_parallel(_render, work, cores=cores):
        pass
    clock("render")
    _lens(job)
    clock("lens")
    _measure(one, job, row, clock)
    if kicked:
        row.remarks.append(f"{kicked} was kicked")
    bound(row, one, folder, LAW)
    clock("bound")
    row.seconds = clock.seconds
    return row


def _render(work: tuple[TrueBay, Shot, Path, list[int]]) -> None:
    import cv2

    one, shot, folder, seed = work
    cv2.setNumThreads(1)
    path = (folder if shot.epoch == "lens" else folder / "photos") / shot.file_name
    if path.is_file():  # an earlier run was stopped
        return
    imaging = replace(one.imaging, exposure=1.0) if shot.epoch == "lens" else one.imaging
    picture = render_photo(one.bay, one.camera, shot, np.random.default_rng(seed), imaging)
    write_jpeg(path, picture, exif_of(one.camera), quality=imaging.quality)


def _lens(job: Path) -> None:
    from cli.main import app

    words = ["lens", str(job / "lens"), "--boards", str(job / "boards.toml"), "--out", str(job / "shop.lens.toml")]
    with contextlib.redirect_stdout(sys.stderr):
        app(words, standalone_mode=False)


def _measure(one: TrueBay, job: Path, row: Row, clock: Clock) -> None:
    desk = open_desk(job, Overrides())
    sighted = run_survey(desk)
    clock("survey")
    network = sighted.network
    epochs = tuple(dict.fromkeys(epoch_of_body(body) for body in network.poses.bodies if "@" in body))
    order = tuple(epoch for epoch in one.reference["roll"] if epoch in epochs)
    survey = Survey("rendered", "today", network.state, order, {"rejected": []})
    car = car_of(network.poses, desk.job, desk.boards, order)
    clock("car")
    run = run_check(desk, read_sheet(desk.job.need_sheet()), survey, (), silent)
    clock("check")
    fill(row, one, measurement(one, car, run.outcome.placement.measured))
    row.sigma0 = (network.sigma0, car.fit.sigma0, run.network.sigma0)
    row.remarks = [*sighted.remarks, *run.remarks, *(f"{m.body} moved by {m.shift_mm:.1f} mm" for m in run.moved)]
