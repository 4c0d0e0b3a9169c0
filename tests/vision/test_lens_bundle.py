"""The parts of the lens adjustment: derivatives, elimination, robust noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support.lens_world import BOARD, BOARDS, photos
from vision.lens_bundle import cost_of, normal_equations, stepped
from vision.lens_choice import Model
from vision.lens_solve import robust_noise, solve
from vision.lens_start import first_state
from vision.lens_state import Freedom
from vision.lens_views import board_sigmas, gather, warp_shapes

EVERYTHING = Freedom(
    Model(("k1", "k2", "p1", "p2", "k3")).basis(),
    boards=True,
    wobble_sigma=np.array([0.01, 5.0, 5.0]),
    warp_sigma_px=0.2,
    print_sigma_mm=0.05,
)


def a_problem():
    views = gather(photos(41, 6), BOARDS).views
    state = solve(views, first_state(views, 1920, 1080), EVERYTHING)
    rng = np.random.default_rng(1)
    moved = replace(
        state,
        board=state.board + np.array([1e-3, 0.2, -0.1, 0.1]),
        print_mm=state.print_mm + 0.05 * rng.normal(size=state.print_mm.shape),
        wobble=state.wobble + rng.normal(size=state.wobble.shape) * [0.003, 2.0, 2.0],
        warp_px=state.warp_px + 0.1 * rng.normal(size=state.warp_px.shape),
    )
    return views, moved


def test_gradient_is_the_slope_of_the_cost():
    """Along any global direction (the views following) the cost changes as the reduced gradient says."""
    views, state = a_problem()
    normal = normal_equations(views, state, EVERYTHING)
    rng = np.random.default_rng(2)
    # own steps taken off: directions in which only the global unknowns drive the views
    still = replace(normal, own_step=np.zeros_like(normal.own_step))
    scale = 1.0 / np.sqrt(np.diag(normal.matrix))
    for _ in range(5):
        direction = 1e-3 * scale * rng.normal(size=len(scale))
        moved = [stepped(state, EVERYTHING, still, sign * direction) for sign in (1.0, -1.0)]
        ahead, behind = (cost_of(views, there, EVERYTHING, 1.0) for there in moved)
        assert np.isclose((ahead - behind) / 2.0, -2.0 * direction @ normal.gradient, rtol=1e-4, atol=1e-9)


def test_one_newton_step_gains_what_the_quadratic_says():
    views, state = a_problem()
    normal = normal_equations(views, state, EVERYTHING)
    step = np.linalg.solve(normal.matrix, normal.gradient)
    predicted = normal.cost - normal.own_gain - float(normal.gradient @ step)
    reached = cost_of(views, stepped(state, EVERYTHING, normal, step), EVERYTHING, 1.0)
    assert np.isclose(reached, predicted, rtol=0.02)


def test_half_of_all_corners_may_be_wrong():
    views, _ = a_problem()
    freedom = Freedom(Model(("k1", "k2", "p1", "p2")).basis(), boards=False)
    state = solve(views, first_state(views, 1920, 1080), freedom)
    wrong = np.arange(len(views.px)) % 3 == 0
    px = views.px + np.where(wrong[:, None], 40.0, 0.0)
    assert robust_noise(replace(views, px=px), state, freedom) < 2.0 * robust_noise(views, state, freedom)


def test_warp_shapes_span_one_pixel_each_way():
    modes = warp_shapes(BOARD)
    assert np.isclose(np.abs(modes).max(), 1.0)
    assert modes.shape == (BOARD.corner_count, 3)
    # bent along x only: no change along y
    grid = modes[:, 0].reshape(BOARD.corner_rows, BOARD.corner_columns)
    assert np.allclose(grid, grid[0])


def test_board_sigmas_are_half_the_stated_half_widths():
    aspect, *bend = board_sigmas(replace(BOARD, flatness_pm_mm=0.4))
    assert np.linalg.norm(bend) == pytest.approx(0.2)  # all three are at their largest in the pattern's corner
    assert len(set(bend)) == 1
    assert np.isclose(aspect, np.sqrt(2) * np.hypot(1e-4, 1e-4))
