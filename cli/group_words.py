"""The check of targets that stand at the same time, as JSON and as words: one verdict for all, then target after target."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from calib.decision.verdict import Verdict, overall
from calib.paper.job_state import GROUP
from cli.check_words import measured_words, seen_words, why
from cli.floor_words import first_words

MATS = "mats"
"""Epoch of mats that were touched one after another: no photo shows them together."""


def group_document(targets: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """The result of a check of several targets (`check-group/1`): the documents of all of them under one verdict."""
    first = targets[0]
    verdict = overall(Verdict(target["verdict"]) for target in targets)
    return {
        "schema": GROUP,
        "epoch": first["epoch"] if len({target["epoch"] for target in targets}) == 1 else MATS,
        "date": first["date"],
        "program": first["program"],
        "verdict": verdict.value,
        "placements": [target["placement"] for target in targets],
        "targets": list(targets),
    }


def group_in_words(document: dict[str, Any]) -> str:
    """The verdict of all, a line for each target, then each as a check of one; what is to be said of all stands at the end."""
    targets: list[dict[str, Any]] = document["targets"]
    good = sum(target["verdict"] == Verdict.CONFORMS.value for target in targets)
    width = max(len(target["placement"]) for target in targets)
    floors = list(dict.fromkeys(line for target in targets for line in first_words(target["floor"])))
    lines = [
        *floors,
        document["verdict"].upper(),
        f"{good} of {len(targets)} targets that stand at the same time conform"
        + ("" if good < len(targets) else ": all of them"),
        *(f"  {t['placement']:<{width}}  {t['verdict'].upper()}: {why(t)}" for t in targets),
    ]
    common = [remark for remark in targets[0]["remarks"] if all(remark in target["remarks"] for target in targets)]
    for target in targets:
        lines += ["", f"--- {target['placement']} ---", *measured_words(target)]
        lines += [f"note: {remark}" for remark in target["remarks"] if remark not in common]
    return "\n".join([*lines, *seen_words(targets[0] | {"remarks": common})])
