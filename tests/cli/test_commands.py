"""The tests' own command runner and comparisons can fail."""

from __future__ import annotations

import pytest

from cli.main import IN_BRIEF, WITHIN
from tests.support.commands import bayfix, nothing_written, refused
from tests.support.figures import Measured, assert_close_in_u, assert_same
from vision.errors import FileError

SHIFTED = {"distance_mm": Measured(1501.0, 1.0)}
STRAIGHT = {"distance_mm": Measured(1500.0, 1.0)}


def test_status_and_both_channels():
    outcome = bayfix("--version")
    assert (outcome.status, outcome.err) == (0, "")
    assert outcome.out.startswith("bayfix")


def test_bad_usage_has_status_2(tmp_path):
    assert bayfix("survey").status == 2
    assert refused("survey", tmp_path / "nowhere").startswith("not measured: ")


def test_a_command_that_works_is_not_refused():
    with pytest.raises(AssertionError, match="status 0"):
        refused("--version")


def test_a_crash_is_raised_and_not_a_status(monkeypatch, tmp_path):
    def crash(*_arguments, **_more):
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr("cli.stations.open_desk", crash)
    with pytest.raises(ZeroDivisionError, match="a bug"):
        bayfix("survey", tmp_path)


def test_a_complaint_without_anything_to_try_is_noticed(monkeypatch, tmp_path):
    def complain(*_arguments, **_more):
        raise FileError("sheet.toml: broken")

    monkeypatch.setattr("cli.stations.open_desk", complain)
    with pytest.raises(AssertionError, match="sheet.toml: broken"):
        refused("survey", tmp_path)


@pytest.mark.parametrize("change", ["new", "changed", "gone"])
def test_a_folder_that_was_written_to_is_noticed(tmp_path, change):
    (tmp_path / "kept").write_text("1", encoding="utf-8")

    def write():
        if change == "gone":
            (tmp_path / "kept").unlink()
        else:
            (tmp_path / ("kept" if change == "changed" else ".hidden")).write_text("2", encoding="utf-8")

    with pytest.raises(AssertionError, match=r"new, changed or gone: (kept|\.hidden)"), nothing_written(tmp_path):
        write()


def test_figures_that_differ_are_noticed():
    with pytest.raises(AssertionError, match=r"differ by 1\.00e\+00 \(allowed 0.5\)"):
        assert_same(STRAIGHT, SHIFTED, mm=0.5, deg=1.0, u_share=1.0)
    with pytest.raises(AssertionError, match=r"differ by 1\.0000 u \(allowed 0.5\)"):
        assert_close_in_u(STRAIGHT, SHIFTED, parts=0.5, u_share=1.0)
    with pytest.raises(AssertionError, match="allowed 1.0%"):
        assert_same(STRAIGHT, {"distance_mm": Measured(1500.0, 1.1)}, mm=0.5, deg=1.0, u_share=0.01)
    with pytest.raises(AssertionError, match="yaw_deg"):
        assert_same(STRAIGHT, STRAIGHT | {"yaw_deg": Measured(0.0, 1.0)}, mm=0.5, deg=1.0, u_share=1.0)


@pytest.mark.parametrize("group", [(), *((name,) for name in WITHIN)], ids=lambda words: " ".join(words) or "bayfix")
def test_every_line_of_a_list_of_commands_is_whole(group):
    """A line without words of its own is cut from the command's help and ends in dots."""
    listed = bayfix(*group, "--help").out.partition("Commands:\n")[2].splitlines()
    assert len(listed) == len(WITHIN[group[0]] if group else IN_BRIEF)
    assert [line for line in listed if line.rstrip().endswith("...")] == []
    assert all(len(line.split(maxsplit=1)) == 2 for line in listed)


def test_a_new_jobs_help_names_every_file_it_writes(tmp_path):
    made = bayfix("job", "new", tmp_path / "job", "--json").document
    written = {path.rpartition("/")[2].removesuffix(".toml") for path in made["written"]}
    assert len(written) == 6
    words = " ".join(bayfix("job", "new", "--help").out.split())
    assert [name for name in written if name not in words.partition(".toml")[0]] == []
