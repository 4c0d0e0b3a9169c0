"""The arrows of the house hold: who imports whom, read from the files themselves (DEVELOPERS.md, "Map of the house")."""

from __future__ import annotations

import ast
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
HOUSE = ("vision", "calib", "cli", "synthetic_images")
PLAIN_VISION = {
    "vision.boards": "what a printed board is",
    "vision.errors": "the failure road",
    "vision.frames": "poses and estimates",
    "vision.observations": "what the network is given",
    "vision.poses": "what the network gives back",
    "vision.sightings": "what was seen in a photo",
    "vision.suppositions": "what the network is asked to doubt, and its answer",
    "vision.toml_io": "files people edit",
}
"""Plain types that pass from pixels to geometry. `calib` gets no photo, no detector, no lens and no adjustment."""
MATHEMATICS = {"numpy", "scipy", "cv2"}
CLI_EXCEPTIONS = {
    "cli/demo_bay.py": {"numpy", "cv2"},  # draws what the demo's shop mistypes, and renders in parallel
    "cli/demo_course_bay.py": {"numpy"},  # draws how the course's targets stood
    "cli/demo_more_targets.py": {"numpy"},  # the same of targets at once and of mats
    "cli/viewfinder.py": {"cv2"},  # opens a window
}


def imports_of(text: str) -> set[str]:
    """Modules that a source text imports, inside functions and under TYPE_CHECKING too; `from a import b` gives a and a.b."""
    found = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"a relative import hides an arrow: line {node.lineno}"
            found |= {str(node.module)} | {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def modules_of(package: str) -> list[Path]:
    return sorted(path for path in (ROOT / package).rglob("*.py"))


def house_imports(path: Path) -> set[str]:
    """Modules of the house that a file imports, as dotted names of files."""
    names = {name for name in imports_of(path.read_text(encoding="utf-8")) if name.split(".")[0] in HOUSE}
    return {name for name in names if is_module(name)}


def is_module(name: str) -> bool:
    path = ROOT.joinpath(*name.split("."))
    return path.with_suffix(".py").is_file() or path.is_dir()


def offenders(package: str, allowed: set[str]) -> list[str]:
    """Imports of the house, from outside the package itself, that are not allowed."""
    out = []
    for path in modules_of(package):
        strange = {name for name in house_imports(path) if name.split(".")[0] != package} - allowed
        # `from vision import boards` names the package as well: harmless when the module itself is allowed.
        strange -= {name for name in strange if name in HOUSE and any(a.startswith(f"{name}.") for a in allowed)}
        out += [f"{path.relative_to(ROOT).as_posix()} imports {name}" for name in sorted(strange)]
    return out


def test_vision_imports_nobody_else_in_the_house():
    assert offenders("vision", set()) == []


def test_calib_takes_only_plain_result_types_from_vision():
    assert offenders("calib", set(PLAIN_VISION)) == []


def test_no_more_of_vision_is_open_to_calib_than_it_uses():
    used = {name for path in modules_of("calib") for name in house_imports(path)}
    assert set(PLAIN_VISION) <= used


def test_synthetic_images_share_only_the_board_definition_with_the_measuring_side():
    assert offenders("synthetic_images", {"vision.boards"}) == []


def test_only_the_demo_sees_the_synthetic_bay():
    seers = {path.name for path in modules_of("cli") if any(n.startswith("synthetic_images") for n in house_imports(path))}
    assert seers == {"demo_bay.py", "demo_course_bay.py", "demo_more_targets.py"}


def test_the_command_line_holds_no_mathematics():
    for path in modules_of("cli"):
        name = path.relative_to(ROOT).as_posix()
        found = {module.split(".")[0] for module in imports_of(path.read_text(encoding="utf-8"))} & MATHEMATICS
        assert found == CLI_EXCEPTIONS.get(name, set()), f"{name}: {sorted(found)}"


def test_heavy_libraries_are_imported_inside_commands_only():
    """`bayfix --help` loads every module of cli/ that registers a command."""
    light = {"typer", "cli", "vision"}
    stdlib = {"__future__", "collections", "contextlib", "dataclasses", "enum", "functools", "io", "json", "math", "os"}
    stdlib |= {"pathlib", "re", "sys", "time", "typing"}
    for path in modules_of("cli"):
        text = path.read_text(encoding="utf-8")
        if "def register(" not in text and path.name not in ("base.py", "main.py"):
            continue
        top = ast.Module([node for node in ast.parse(text).body if isinstance(node, ast.Import | ast.ImportFrom)], [])
        found = {module for module in imports_of(ast.unparse(top))}
        assert {module.split(".")[0] for module in found} <= light | stdlib, path.name
        assert {module for module in found if module.startswith("vision.") and is_module(module)} <= {"vision.errors"}, (
            path.name
        )


def test_the_wheel_holds_every_package_and_every_data_file():
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]
    folders = {path.parent for package in HOUSE for path in (ROOT / package).rglob("__init__.py")}
    assert set(settings["packages"]) == {".".join(folder.relative_to(ROOT).parts) for folder in folders}
    for package, patterns in settings["package-data"].items():
        for pattern in patterns:
            assert list(ROOT.joinpath(*package.split(".")).glob(pattern)), f"{package}: nothing matches {pattern}"
    packed = {
        path for package, patterns in settings["package-data"].items() for p in patterns for path in (ROOT / package).glob(p)
    }
    data = {path for package in ("vision", "calib", "cli") for path in (ROOT / package).rglob("*") if path.is_file()}
    missing = {path for path in data if path.suffix not in (".py", ".pyc")} - packed
    assert missing == set(), "not in the wheel: name them under [tool.setuptools.package-data]"


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("import vision.network", {"vision.network"}),
        ("from vision import network", {"vision", "vision.network"}),
        ("def f():\n    from calib.pipeline import check_of", {"calib.pipeline", "calib.pipeline.check_of"}),
        (
            "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    import cli.base",
            {"typing", "typing.TYPE_CHECKING", "cli.base"},
        ),
    ],
)
def test_no_kind_of_import_is_overlooked(text, found):
    assert imports_of(text) == found


def test_a_relative_import_is_refused():
    with pytest.raises(AssertionError, match="hides an arrow"):
        imports_of("from ..vision import network")
