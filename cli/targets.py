"""The targets of one check: the chosen placement and those that stand at the same time, each with its own stand file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from calib.paper.job import check_job
from calib.paper.placements import PlacementSheet, Sheet
from calib.paper.stand import read_stand
from calib.paper.target_identity import need_right_target
from cli.stations import Desk
from vision.errors import FileError
from vision.toml_io import line_of, read_text

STAND = "the stand"


@dataclass(frozen=True, slots=True, eq=False)
class Target:
    """A placement with what carries it.

    Attributes
    ----------
    sheet : Sheet
    desk : Desk
        The job with this target's stand.
    one_of_several : bool
        Others stand at the same time and are measured from the same photos.
    """

    sheet: Sheet
    desk: Desk
    one_of_several: bool = False

    @property
    def boards(self) -> tuple[str, ...]:
        """Names of the boards it is measured by."""
        return self.desk.stand.names if self.desk.stand else ()

    @property
    def carrier(self) -> str:
        """What carries its boards, in words."""
        return f"{STAND} of {self.sheet.name}" if self.one_of_several else STAND

    @property
    def alone(self) -> str:
        """The command that checks it alone."""
        return f"bayfix check {self.desk.job.folder} --placement {self.sheet.name} --stand {self.desk.job.need_stand().name}"


def target_of(desk: Desk, sheet: Sheet) -> Target:
    """A target that stands by itself: its stand is the job's."""
    return Target(sheet, desk)


def targets_of(desk: Desk, sheets: PlacementSheet, wanted: Sheet, *, stand_given: bool) -> tuple[Target, ...]:
    """The wanted placement and those that stand with it, in the sheet's order; a stand file that was given describes it alone.

    Raises
    ------
    FileError
        A stand file that cannot be read or is of another target, one file or one board for two targets.
    """
    if stand_given:
        return (_target(desk, wanted, desk.job.need_stand(), several=False),)
    group = sheets.together(wanted.name)
    files = {sheet.name: file for sheet in group if (file := _file_of(desk, sheet)) is not None}
    _need_own_files(desk, files)
    targets = tuple(_target(desk, sheet, files.get(sheet.name), several=len(group) > 1) for sheet in group)
    _need_own_boards(targets)
    return targets


def desk_of(targets: Sequence[Target]) -> Desk:
    """A desk that looks for the boards of all targets."""
    first = next((target for target in targets if target.desk.stand), targets[0])
    return replace(first.desk, beside=tuple(board for target in targets if target is not first for board in target.boards))


def _file_of(desk: Desk, sheet: Sheet) -> Path | None:
    """The stand file of a target; none of a mat, whose marks are touched."""
    own = desk.job.stand_of(sheet.name)
    return own if sheet.kind == "mat" else own or desk.job.need_stand()


def _target(desk: Desk, sheet: Sheet, file: Path | None, *, several: bool) -> Target:
    if sheet.kind == "mat":
        return Target(sheet, replace(desk, stand=None), several)
    if file is None:
        raise ValueError(f"{sheet.name} stands on something")
    stand = read_stand(file)
    job = replace(desk.job, stand=file)
    check_job(job, desk.boards, stand)
    need_right_target(sheet, job.need_sheet(), stand, file)
    return Target(sheet, replace(desk, job=job, stand=stand), several)


def _need_own_files(desk: Desk, files: dict[str, Path]) -> None:
    first: dict[Path, str] = {}
    for name, file in files.items():
        other = first.setdefault(file.resolve(), name)
        if other != name:
            raise FileError(
                f"{desk.job.folder / 'job.toml'}: stands.{name}: {other} and {name} stand at the same time, and one stand file "
                f"({file.name}) is named for both",
                hint=f'give each target a stand file of its own: [stands] {name} = "{name}.toml"; or check one alone, with '
                f"--placement {name} --stand FILE",
            )


def _need_own_boards(targets: Sequence[Target]) -> None:
    """Refuse a board that two stand files have: it cannot be on both targets."""
    owner: dict[str, Target] = {}
    for target in targets:
        file = target.desk.job.need_stand()
        for i, board in enumerate(target.boards):
            other = owner.setdefault(board, target)
            if other is not target:
                line, taken = line_of(read_text(file), ("board", i, "name")), other.desk.job.need_stand().name
                raise FileError(
                    f"{file}:{line}: board.{i}.name: {board} is on the target of {other.sheet.name} already ({taken}), and "
                    f"{target.sheet.name} stands at the same time",
                    hint="a board can be in one place only: correct one of the stand files",
                )
