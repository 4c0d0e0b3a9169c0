"""The check of one target, or of all that stand at the same time, by what each of them is: a stand, or a mat on the floor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from calib.pipeline import Car
from cli.check import CheckRun, How
from cli.check_run import Looked, looked_at, outcome_of
from cli.kept_survey import Survey
from cli.mat_run import mat_in_photos, points_of, run_mat
from cli.stations import Tick, car_from
from cli.targets import Target, desk_of
from cli.touching import with_points


def run_together(
    targets: Sequence[Target], survey: Survey, given: Sequence[Path], tick: Tick, how: How
) -> tuple[CheckRun, ...]:
    """A run for each target, all from one set of photos in one adjustment.

    Raises
    ------
    MeasurementError
        As `run_check` and `run_mat`, of any of them: nothing is judged by halves.
    """
    if not any(target.boards for target in targets):
        return tuple(run_mat(target.desk, target.sheet, survey, given, **how) for target in targets)
    desk = desk_of(targets)
    names = dict.fromkeys(name for target in targets for name in points_of(target, survey))
    survey = with_points(desk, survey, tuple(names))
    looked = looked_at(desk, targets, survey, given, tick)
    car = car_from(desk, survey, looked.adjusted[0].poses)
    return tuple(_outcome(target, survey, looked, car, how) for target in targets)


def _outcome(target: Target, survey: Survey, looked: Looked, car: Car, how: How) -> CheckRun:
    if target.sheet.kind == "mat":
        run = mat_in_photos(target, looked, car, **how)
    else:
        run = outcome_of(target.desk, target.sheet, survey, looked.epoch, looked.views, looked.adjusted, car=car, **how)
    return replace(run, remarks=(*looked.told_of(target), *run.remarks))
