"""What a plan promises of a mat, and what a random bay then has (`tests.benchmarks.plan_of_groups` counts over many)."""

from __future__ import annotations

import pytest

from tests.benchmarks.plan_against_survey import WITHIN
from tests.benchmarks.plan_of_groups import Row, measure, planned

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("case", ["a mat beside the car", "a mat before the car, touched"])
def test_u_of_a_mats_marks_is_as_planned_and_holds(case, tmp_path):
    row = Row(3)
    measure(row, case, "1080p", tmp_path)
    promised = planned("1080p", case)
    assert len(promised) == 4
    for name, plan in promised.items():
        u = row.u[f"{case}: {name}"]
        assert WITHIN[0] <= plan / (2.0 * u) <= WITHIN[1], name
        assert abs(row.error[f"{case}: {name}"]) <= 3.5 * u, name
