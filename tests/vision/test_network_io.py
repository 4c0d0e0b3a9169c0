"""The joint estimate on disk: comes back as it was, and what is not it is refused."""

from __future__ import annotations

import io
import json

import numpy as np
import pytest

from tests.support.network_world import lens_profile, misprinted, ring_world, small_boards, views_of
from vision.errors import FileError
from vision.network import adjust_network
from vision.network_io import read_state, state_bytes, write_state


@pytest.fixture(scope="module")
def state():
    world = misprinted(ring_world(51, photos=8, board_set=small_boards(4, print_mm=0.1)), 0.05, 1)
    return adjust_network(views_of(world, noise_px=0.05), world.boards, {"cam": lens_profile(sigma=1.0)}).state


def test_a_state_comes_back(state, tmp_path) -> None:
    write_state(tmp_path / "state.npz", state)
    back = read_state(tmp_path / "state.npz")
    assert back.names == state.names
    assert any(name.startswith("print:") for name in back.names)
    assert (back.datum, back.boards, back.redundancy) == (state.datum, state.boards, state.redundancy)
    np.testing.assert_array_equal(back.value, state.value)
    # Only one triangle is kept: rounding made the other one differ by some last digits.
    np.testing.assert_allclose(back.cov, state.cov, rtol=0, atol=1e-12 * np.abs(state.cov).max())
    assert list(back.parts) == list(state.parts)
    for source, part in state.parts.items():
        np.testing.assert_allclose(back.parts[source], part, rtol=0, atol=1e-12 * np.abs(part).max(), err_msg=source)


def test_a_state_that_knows_no_printed_places_is_refused(state, tmp_path) -> None:
    with np.load(io.BytesIO(state_bytes(state))) as archive:
        arrays = dict(archive)
    arrays["head"] = np.array(json.dumps({**json.loads(str(arrays["head"])), "schema": "network-state/1"}))
    np.savez(tmp_path / "old.npz", **arrays)
    with pytest.raises(
        FileError, match=r"old\.npz has schema 'network-state/1', this version reads 'network-state/2'"
    ) as caught:
        read_state(tmp_path / "old.npz")
    assert caught.value.hint == "run bayfix survey again"


@pytest.mark.parametrize("content", [b"", b"PK nothing", b"\x93NUMPY"])
def test_a_damaged_state_is_refused(content, tmp_path) -> None:
    (tmp_path / "torn.npz").write_bytes(content)
    with pytest.raises(FileError, match=r"torn\.npz: damaged"):
        read_state(tmp_path / "torn.npz")


def test_a_missing_state_is_refused(tmp_path) -> None:
    with pytest.raises(FileError, match=r"none\.npz: no such file"):
        read_state(tmp_path / "none.npz")
