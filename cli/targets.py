"""The targets of one check: the chosen placement and those that stand at the same time, each with its own stand file."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from calib.doubts import MAT
from calib.paper.job import JOB_FILE, Job, check_carried, check_job
from calib.paper.mat import Mat, read_mat
from calib.paper.placements import PlacementSheet, Sheet
from calib.paper.stand import read_stand
from calib.paper.target_identity import lacking, need_right_target, wrong_target
from cli.stations import Desk
from vision.errors import FileError
from vision.toml_io import line_of, read_text

STAND = "the stand"
ALIKE = 0.8
"""Names more alike than this are one, misspelt (`difflib`'s ratio)."""


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
    mat : Mat or None
        Boards and marks of a mat, where it has a mat file; every mark of another mat is touched.
    file : Path or None
        Its stand file or mat file.
    """

    sheet: Sheet
    desk: Desk
    one_of_several: bool = False
    mat: Mat | None = None
    file: Path | None = None

    @property
    def boards(self) -> tuple[str, ...]:
        """Names of the boards it is measured by."""
        if self.mat is not None:
            return self.mat.board_names
        return self.desk.stand.names if self.desk.stand else ()

    @property
    def carrier(self) -> str:
        """What carries its boards, in words."""
        if self.sheet.kind == "mat":
            return f"{MAT} {self.sheet.name}".rstrip()
        return f"{STAND} of {self.sheet.name}" if self.one_of_several else STAND

    @property
    def alone(self) -> str:
        """The command that checks this target alone; a mat has no stand file to give."""
        file = self.file.as_posix() if self.file else "FILE"
        return f"bayfix check {self.desk.job.folder} --placement {self.sheet.name} --stand {file}"


def target_of(desk: Desk, sheet: Sheet) -> Target:
    """A target that stands by itself: its stand is the job's."""
    return Target(sheet, desk, file=desk.job.need_stand())


def targets_of(desk: Desk, sheets: PlacementSheet, wanted: Sheet, *, stand_given: bool) -> tuple[Target, ...]:
    """The wanted placement and those that stand with it, in the sheet's order; a stand file that was given describes it alone.

    Raises
    ------
    FileError
        A stand file that cannot be read or is of another target, one file or one board for two targets.
    """
    if stand_given and wanted.kind == "mat":
        raise FileError(
            f"{desk.job.need_sheet()}: {wanted.name or wanted.target} is a mat: no stand file says where it lies",
            hint=f'leave --stand away; a mat file is named in job.toml: [stands] {wanted.name or "NAME"} = "mat.toml"',
        )
    if stand_given:
        return (_target(desk, wanted, desk.job.need_stand(), several=False),)
    _need_known_names(desk.job, sheets)
    group = sheets.together(wanted.name)
    files = {sheet.name: file for sheet in group if (file := _file_of(desk, sheet)) is not None}
    _need_own_files(desk, files)
    targets = tuple(_target(desk, sheet, files.get(sheet.name), several=len(group) > 1) for sheet in group)
    _need_own_boards(targets)
    return targets


def desk_of(targets: Sequence[Target]) -> Desk:
    """A desk that looks for the boards of all targets."""
    first = next((target for target in targets if target.desk.stand), targets[0])
    return replace(first.desk, beside=tuple(board for target in targets for board in target.boards))


def _file_of(desk: Desk, sheet: Sheet) -> Path | None:
    """The stand file of a target; of a mat its mat file, none where its marks are touched."""
    own = desk.job.stand_of(sheet.name)
    return own if sheet.kind == "mat" else own or desk.job.need_stand()


def _target(desk: Desk, sheet: Sheet, file: Path | None, *, several: bool) -> Target:
    if sheet.kind == "mat":
        return _mat(desk, sheet, file, several=several)
    if file is None:
        raise ValueError(f"{sheet.name} stands on something")
    stand = read_stand(file)
    job = replace(desk.job, stand=file)
    check_job(job, desk.boards, stand)
    need_right_target(sheet, job, stand, file)
    return Target(sheet, replace(desk, job=job, stand=stand), several, file=file)


def _mat(desk: Desk, sheet: Sheet, file: Path | None, *, several: bool) -> Target:
    desk = replace(desk, stand=None)
    if file is None:
        return Target(sheet, desk, several)
    mat = read_mat(file)
    check_carried(desk.job, desk.boards, file, mat.board_names, "the mat")
    called, path = sheet.name or sheet.target, desk.job.need_sheet()
    if lacking(sheet, mat.board_names):
        raise wrong_target(sheet, mat.board_names, file, path, "lay out the right mat and name its mat file")
    marks = [mark.name for mark in sheet.marks]
    if not set(marks) & set(mat.mark_names):
        raise FileError(
            f"{file}: it has the marks {', '.join(mat.mark_names)}, and the sheet's {called} is placed by {', '.join(marks)}: "
            "none of them is the same",
            hint=f"name the marks in the mat file as they are named in {path.name}",
        )
    return Target(sheet, desk, several, mat, file)


def _need_known_names(job: Job, sheets: PlacementSheet) -> None:
    """Refuse a stand file named for a misspelt placement: the placement that is meant would go by the job's other one."""
    named = [name for name, _ in job.stands]
    without = [name for name in sheets.names if name and name not in named]
    for name in named:
        meant = difflib.get_close_matches(name, without, n=1, cutoff=ALIKE)
        if name not in sheets.names and meant:
            path = job.folder / JOB_FILE
            line = line_of(read_text(path), ("stands", name))
            raise FileError(
                f"{path}:{line}: stands.{name}: there is no placement of that name on the sheet: is it {meant[0]}?",
                hint=f"placements: {', '.join(filter(None, sheets.names))}",
            )


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
        for i, board in enumerate(target.boards):
            other = owner.setdefault(board, target)
            if other is not target:
                file, taken = target.file or Path(), other.file.name if other.file else ""
                where = f"{file}:{line_of(read_text(file), ('board', i, 'name'))}: board.{i}.name"
                raise FileError(
                    f"{where}: {board} is on the target of {other.sheet.name} already ({taken}), and "
                    f"{target.sheet.name} stands at the same time",
                    hint="a board can be in one place only: correct one of the stand files",
                )
