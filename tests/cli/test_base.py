"""What every command shares: exit statuses, words instead of tracebacks, help, version, output that can be redirected."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from cli import base
from cli.base import Exit, missing_system_library, print_json, shop_command
from cli.main import IN_BRIEF, app
from vision.errors import PhotoError

ROOT = Path(__file__).resolve().parents[2]
LIBGL = "libGL.so.1: cannot open shared object file: No such file or directory"


def run_of(function):
    """One command around the function, run as the shell would."""
    shop = typer.Typer()
    shop.command()(shop_command(function))
    return CliRunner().invoke(shop, [])


def bayfix(*arguments, **environment):
    """The real program in a process of its own."""
    code = "import sys; from cli.main import main; sys.argv = ['bayfix', *sys.argv[1:]]; main()"
    paths = os.pathsep.join([*environment.pop("before", ()), str(ROOT)])
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)],
        capture_output=True,
        env=os.environ | {"PYTHONPATH": paths} | environment,
        check=False,
        timeout=120,
    )


def all_commands():
    """Every command with its words, e.g. ("boards", "print")."""
    group = typer.main.get_command(app)
    for name, command in group.commands.items():
        inner = getattr(command, "commands", None)
        yield from (((name, sub), each) for sub, each in inner.items()) if inner else [((name,), command)]


def test_exit_statuses_are_the_published_ones():
    assert {status.name: status.value for status in Exit} == {
        "CONFORMS": 0,
        "BAD_INPUT": 2,
        "DOES_NOT_CONFORM": 3,
        "UNDECIDED": 4,
    }


@pytest.mark.parametrize("status", list(Exit))
def test_a_commands_status_is_the_programs(status):
    assert run_of(lambda: status).exit_code == status


def test_a_measurement_that_cannot_be_made_is_two_lines_on_stderr_and_status_2():
    def command() -> Exit:
        raise PhotoError("rest/07.jpg: no image", hint="copy it again")

    result = run_of(command)
    assert result.exit_code == 2
    assert result.stderr == "not measured: rest/07.jpg: no image\ntry: copy it again\n"
    assert result.stdout == ""


def test_a_bug_keeps_its_traceback():
    def command() -> Exit:
        raise ValueError("a bug")

    result = run_of(command)
    assert result.exit_code == 1
    assert isinstance(result.exception, ValueError)


def test_stopping_by_hand_is_said_and_is_no_crash():
    def command() -> Exit:
        raise KeyboardInterrupt

    result = run_of(command)
    assert result.exit_code == 130
    assert result.stderr.startswith("not measured: stopped by hand\n")


def test_a_missing_system_library_names_the_packages():
    def command() -> Exit:
        raise ImportError(LIBGL)

    result = run_of(command)
    assert result.exit_code == 2
    assert f"OpenCV cannot start, a system library is missing: {LIBGL}" in result.stderr
    assert "libgl1" in result.stderr
    assert "libglib2.0-0" in result.stderr


def test_a_missing_system_library_of_windows_has_its_own_advice(monkeypatch):
    monkeypatch.setattr(base.sys, "platform", "win32")
    what, hint = missing_system_library("DLL load failed while importing cv2: The specified module could not be found.")
    assert "DLL load failed" in what
    assert "Visual C++ Redistributable" in hint
    assert "apt-get" not in hint


def test_a_missing_python_module_is_a_bug_and_not_a_missing_library():
    def command() -> Exit:
        raise ImportError("No module named 'somewhere'")

    assert isinstance(run_of(command).exception, ImportError)


def test_the_real_program_names_the_packages_when_opencv_cannot_start(tmp_path):
    fake = tmp_path / "cv2"
    fake.mkdir()
    (fake / "__init__.py").write_text(f"raise ImportError({LIBGL!r})\n", encoding="utf-8")
    result = bayfix("boards", "list", before=[str(tmp_path)])
    assert result.returncode == 2
    words = result.stderr.decode()
    assert "a system library is missing: libGL.so.1" in words or "DLL" in words
    assert "Traceback" not in words


def test_help_needs_no_opencv_at_all(tmp_path):
    (tmp_path / "cv2.py").write_text(f"raise ImportError({LIBGL!r})\n", encoding="utf-8")
    (tmp_path / "numpy.py").write_text("raise ImportError('libblas.so: cannot open')\n", encoding="utf-8")
    result = bayfix("--help", before=[str(tmp_path)])
    assert result.returncode == 0, result.stderr.decode()


def test_version_is_that_of_the_installed_distribution():
    result = CliRunner().invoke(app, ["--version"])
    assert (result.exit_code, result.stdout) == (0, f"bayfix {version('bayfix')}\n")


@pytest.mark.parametrize(
    "words", [["chek"], ["check"], ["boards", "measured", "floor-1", "140", "140"], ["survey", "--nonsense", "x"]]
)
def test_bad_usage_is_status_2_without_a_traceback(words):
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 2
    assert "Traceback" not in result.output


def test_every_command_has_a_line_in_the_list_that_is_not_cut_off():
    listed = CliRunner().invoke(app, ["--help"]).stdout
    commands = typer.main.get_command(app).commands
    assert list(IN_BRIEF) == typer.main.get_command(app).list_commands(None)
    assert set(IN_BRIEF) == set(commands)
    for sentence in IN_BRIEF.values():
        assert sentence in listed


@pytest.mark.parametrize("words", [words for words, _ in all_commands()], ids=" ".join)
def test_every_command_has_help_and_json(words):
    result = CliRunner().invoke(app, [*words, "--help"])
    assert result.exit_code == 0
    assert "--json" in result.stdout


@pytest.mark.parametrize(
    ("words", "command"), list(all_commands()), ids=lambda value: " ".join(value) if isinstance(value, tuple) else ""
)
def test_every_argument_and_option_says_what_it_is(words, command):
    for parameter in command.params:
        assert parameter.help, f"bayfix {' '.join(words)}: {parameter.name}"


def test_a_redirected_output_that_knows_few_letters_does_not_crash():
    result = bayfix("shoot", "--help", PYTHONIOENCODING="latin-1", PYTHONUTF8="0")
    assert result.returncode == 0, result.stderr.decode()
    assert b"roll-1, ?, rest" in result.stdout


def test_json_is_whole_whatever_the_output_can_spell(tmp_path):
    folder = tmp_path / "Prüfstand-σ"
    for encoding in ("latin-1", "cp437", "utf-8"):
        result = bayfix("job", "new", folder, "--json", PYTHONIOENCODING=encoding, PYTHONUTF8="0")
        assert result.returncode == 0, result.stderr.decode()
        assert json.loads(result.stdout.decode(encoding))["folder"] == folder.as_posix()


def test_a_number_that_is_none_never_becomes_json():
    with pytest.raises(ValueError, match="JSON compliant"):
        print_json({"measured": float("nan")})
