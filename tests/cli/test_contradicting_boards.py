"""Two boards on a target, one of which slipped since the stand file was written: nobody knows which."""

import re

import pytest
import tomlkit

from cli.base import Exit
from tests.support.commands import bayfix

pytestmark = pytest.mark.usefixtures("in_this_process")


def edit(path, change) -> None:
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    change(document)
    path.write_text(tomlkit.dumps(document), encoding="utf-8")


def wide(sheet) -> None:
    """Tolerances that the bay's target keeps."""
    for name in ("distance", "lateral", "height"):
        sheet[name]["tolerance"] = 40.0
    for name in ("yaw", "pitch", "roll"):
        sheet[name]["tolerance"] = 3.0


def slipped(stand) -> None:
    stand["board"][1]["right_mm"] += 6.0


def test_no_target_conforms_while_its_two_boards_contradict_each_other(job):
    edit(job / "sheet.toml", wide)
    edit(job / "stand.toml", slipped)
    outcome = bayfix("check", job)
    assert outcome.status is Exit.UNDECIDED
    assert outcome.out.splitlines()[1].endswith("inside its tolerance, but the boards on the target contradict each other")
    assert re.search(
        r"note: stand board stand-2 is \d\.\d mm \(U \d\.\d mm\) farther left than the stand file says", outcome.out
    )
