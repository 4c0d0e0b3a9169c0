"""Checks as documents, and where they are kept: the newest of a round in `results/`, each of them in `results/history/`."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from calib.paper.before import before_remarks
from calib.paper.check_inputs import CheckInput
from calib.paper.history import note
from calib.paper.job import Job, write_result
from calib.paper.job_state import CHECK
from calib.paper.placements import PlacementSheet
from cli.check import CheckRun
from cli.check_inputs import inputs_used
from cli.check_words import check_document
from cli.kept_survey import Survey
from cli.targets import Target


def documents_of(
    targets: Sequence[Target],
    runs: Sequence[CheckRun],
    sheets: PlacementSheet,
    survey: Survey,
    car_not_seen: str | None,
    accepted: Sequence[str],
    made_from: Sequence[Sequence[CheckInput]],
) -> list[dict[str, Any]]:
    """A `check/1` for each target, in the order given; `made_from` as the files said when the check began."""
    out = []
    for target, run, inputs in zip(targets, runs, made_from, strict=True):
        told = (*run.remarks, *_left_alone(target, targets, sheets), *before_remarks(target.desk.job))
        run = replace(run, remarks=told)
        used = inputs_used(inputs, survey, run.network.state.names)
        out.append(check_document(run, target.sheet, survey, target.desk, car_not_seen, accepted, used))
    return out


def keep(job: Job, document: dict[str, Any], sheets: PlacementSheet) -> None:
    """Write the result of a check, and note it in the history.

    A target that was checked without those that stand at the same time has a result of its own, beside theirs.
    """
    name = document["epoch"]
    if document["schema"] == CHECK and len(sheets.together(document["placement"])) > 1:
        name = f"{name}-{document['placement']}"
    write_result(job, f"{name}.json", json.dumps(document, indent=1, ensure_ascii=False))
    note(job, document["epoch"], document)


def _left_alone(target: Target, targets: Sequence[Target], sheets: PlacementSheet) -> list[str]:
    """What has to stand at the same time and was not measured with this target."""
    here = {one.sheet.name for one in targets}
    others = [other.name for other in sheets.together(target.sheet.name) if other.name not in here]
    return [
        f"checked alone, by the stand file given: {' and '.join(others)} must stand at the same time; name their stand files "
        "under [stands] in job.toml and leave --stand away to check all of them together"
    ] * bool(others)
