"""Units of documents into mm and degrees, by the definitions themselves."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.paper.units import amount, minutes_beside

# The international inch is exactly 25.4 mm, the minute of arc a sixtieth of a degree: NIST SP 811 (2008), B.8 and table 6.
EXACT = [
    ("mm", 2600, "mm", 2600.0),
    ("mm", 260.0, "cm", 2600.0),
    ("mm", 2.6, "m", 2600.0),
    ("mm", 1, "in", 25.4),
    ("mm", 102.5, "in", 2603.5),
    ("mm", "102 1/2 in", "", 2603.5),
    ("mm", "3/8 in", "", 9.525),
    ("mm", "-1 1/64 in", "", -25.796875),
    ("mm", " 2.6m ", "", 2600.0),
    ("mm", "-12 mm", "in", -12.0),
    ("deg", 0.3, "deg", 0.3),
    ("deg", 30, "min", 0.5),
    ("deg", "30 min", "", 0.5),
    ("deg", "0 deg 30 min", "", 0.5),
    ("deg", "-0 deg 30 min", "", -0.5),
    ("deg", "45 deg 0.5 min", "", 45 + 1 / 120),
    ("deg", "1.5deg", "", 1.5),
]


@pytest.mark.parametrize(("kind", "typed", "unit", "expected"), EXACT, ids=[f"{t} {u}".strip() for _, t, u, _ in EXACT])
def test_a_typed_amount_is_what_its_definition_says(kind, typed, unit, expected):
    assert amount(typed, kind).in_house(kind, unit) == expected


@given(st.floats(-1e4, 1e4))
def test_a_typed_decimal_is_taken_as_typed_and_rounded_once(value):
    assert amount(value, "mm").in_house("mm", "mm") == value


@pytest.mark.parametrize(
    ("kind", "typed", "unit", "complaint"),
    [
        ("mm", 5, "", 'has no unit: write unit = "mm"'),
        ("mm", 5, "deg", "unknown unit 'deg': a length is given in mm, cm, m, in"),
        ("deg", "5 mm", "", "unknown unit 'mm': an angle is given in deg, min"),
        ("mm", 5, "inch", "unknown unit 'inch'"),
        ("mm", "5", "mm", "'5' is not understood: a number, or a text with its unit"),
        ("mm", "5,2 mm", "", "not understood"),
        ("mm", "102 3/7 in", "", "not understood"),
        ("mm", "9/8 in", "", "a fraction of one inch or more"),
        ("deg", "1 deg 75 min", "", "has sixty minutes or more"),
        ("deg", "1.5 deg 30 min", "", "not understood"),
        ("mm", True, "mm", "should be a number, .* not true"),
        ("mm", [5], "mm", r"should be a number, .* not \[5\]"),
        ("mm", float("nan"), "mm", "a finite number, not nan"),
        ("mm", float("-inf"), "mm", "a finite number, not -inf"),
        ("mm", "5" * 900 + " mm", "", "not understood"),
        ("mm", 10**400, "mm", "larger than any length or angle"),
    ],
)
def test_what_cannot_be_an_amount_is_refused_in_words(kind, typed, unit, complaint):
    with pytest.raises(ValueError, match=complaint) as caught:
        amount(typed, kind).in_house(kind, unit)
    assert len(str(caught.value)) < 200


def test_minutes_stand_beside_degrees_that_decimals_cannot_say():
    assert [minutes_beside(deg) for deg in (1 / 3, 20 / 60, -1 / 60, 0.5, 0.25, 0.0, 0.3333)] == [
        " (20 min)",
        " (20 min)",
        " (-1 min)",
        "",
        "",
        "",
        "",
    ]
