"""The move of a mat in words, and its marks' misfit."""

from __future__ import annotations

import numpy as np

from calib.decision.mat_moves import mat_moves, misfit_words
from calib.geometry.mats import MOVE, MatMove
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


def test_no_move_is_smaller_than_its_uncertainty():
    assert mat_moves(found((0.9, -0.9, 3e-4))) == ()
    assert [move.figure for move in mat_moves(found((1.1, -0.9, 3e-4)))] == ["mat_ahead_mm"]


def test_marks_that_do_not_fit_one_another_are_said():
    assert misfit_words(found((0.0, 0.0, 0.0), misfit=1.9), paper()) == ""
    words = misfit_words(found((0.0, 0.0, 0.0), misfit=-4.0), paper())
    assert "mark b would still be 4.0 mm off" in words
