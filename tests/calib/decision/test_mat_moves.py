"""The move of a mat in words, and its marks' misfit."""

from __future__ import annotations

import numpy as np
import pytest

from calib.decision.mat_moves import mat_expected, mat_moves, misfit_words
from calib.decision.verdict import Verdict
from calib.geometry.mats import MOVE, MatMove, mat_move
from calib.geometry.placement import Placement
from tests.support.mat_paper import paper
from vision.frames import Estimate


def found(error, sigma=(0.5, 0.5, 2e-4), misfit=0.0):
    names = paper().names
    rest = np.zeros(len(names))
    rest[3] = misfit
    return MatMove(
        Estimate.from_source("corners", MOVE, error, np.diag(np.square(sigma))),
        Estimate.from_source("corners", names, rest, np.eye(len(names)) * 0.3**2),
    )


def test_the_turn_comes_first_and_each_move_undoes_the_error():
    asked = mat_moves(found((4.0, -6.0, 0.002)))
    assert [move.words for move in asked] == [
        "turn the mat 0.11° clockwise seen from above, about the middle of its marks",
        "move the mat 4.0 mm backward along the line (forward is the car's)",
        "move the mat 6.0 mm towards the car's left (driver looking forward)",
    ]
    assert [move.amount for move in asked] == [-0.002, -4.0, 6.0]


def test_after_the_moves_the_marks_lie_where_they_should():
    """The mat 4 mm too far ahead, 6 mm too far right, turned by 2 mrad: what is left is second order."""
    turn, shift = 0.002, np.array([4.0, -6.0])
    places = np.array([one.value for one in paper().required]).reshape(-1, 2)
    arm = places - places.mean(axis=0)
    error = (shift + turn * np.column_stack([-arm[:, 1], arm[:, 0]])).ravel()
    estimate = Estimate.from_source("corners", paper().names, error, np.eye(len(error)) * 0.25)
    placed = Placement(estimate, estimate)
    asked = mat_moves(mat_move(placed, paper()))
    after = mat_expected(placed, paper(), asked)
    assert [one.error for one in after] == pytest.approx([0.0] * len(error), abs=1e-9)
    assert all(one.verdict is Verdict.CONFORMS for one in after)
    left = mat_expected(placed, paper(), asked[:1])
    assert [one.error for one in left] == pytest.approx([4.0, -6.0] * 3, abs=1e-9)


def test_no_move_is_smaller_than_its_uncertainty():
    assert mat_moves(found((0.9, -0.9, 3e-4))) == ()
    assert [move.figure for move in mat_moves(found((1.1, -0.9, 3e-4)))] == ["mat_ahead_mm"]


def test_marks_that_do_not_fit_one_another_are_said():
    assert misfit_words(found((0.0, 0.0, 0.0), misfit=1.9), paper()) == ""
    words = misfit_words(found((0.0, 0.0, 0.0), misfit=-4.0), paper())
    assert "mark b would still be 4.0 mm off" in words
