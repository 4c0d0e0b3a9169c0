"""The targets of a plan: the placement and those that stand with it, each with its stand file or mat file, or a usual stand."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from calib.decision.verdict import need_tolerance
from calib.geometry.intended_targets import Intended, need_same_mat
from calib.paper.mat import Mat, read_mat
from calib.paper.placements import PlacementSheet, Sheet
from calib.paper.stand import Stand, StandBoard, read_stand
from calib.paper.target_identity import lacking, wrong_target
from vision.boards import BoardSet
from vision.errors import FileError

USUAL_STAND = Stand((StandBoard("stand-1", -260.0, -70.0, 4.0), StandBoard("stand-2", 260.0, 60.0, 4.0)))
STAND_BOARD, BEHIND_MM = "stand-", 4.0
ONE_PLACE = "a board can be in one place only"


@dataclass(frozen=True, slots=True)
class Given:
    """Stand files and mat files by placement, or the one file that was given without a name."""

    named: Mapping[str, Path]
    alone: Path | None = None


def targets_of(
    sheets: PlacementSheet, wanted: Sheet, path: Path, files: Given, boards: BoardSet, boards_words: str
) -> tuple[Intended, ...]:
    """The wanted placement and those that stand with it, in the sheet's order; a file given without a name describes it alone.

    Parameters
    ----------
    files : Given
    boards_words : str
        Where the boards come from.

    Raises
    ------
    FileError, MeasurementError
    """
    group = (wanted,) if files.alone else sheets.together(wanted.name)
    named = {wanted.name: files.alone} if files.alone else files.named
    strangers = [name for name in named if name not in [sheet.name for sheet in group]]
    if strangers:
        raise FileError(
            f"--stand {strangers[0]}={named[strangers[0]]}: {strangers[0]} does not stand at the same time as {wanted.name}",
            hint=f"stand files are asked for: {', '.join(sheet.name for sheet in group)}; plan {strangers[0]} by itself: "
            f"--placement {strangers[0]}",
        )
    for sheet in group:
        need_tolerance(sheet)
    targets = {sheet.name: _read(sheet, named[sheet.name], path) for sheet in group if sheet.name in named}
    usual = [sheet for sheet in group if sheet.name not in targets]
    targets |= _usual(usual, targets, boards, path, of_several=len(group) > 1)
    for name, target in targets.items():
        for board in target.boards:
            need_known(board, named.get(name, "the usual stand"), boards, boards_words)
    _need_own_boards([targets[sheet.name] for sheet in group], named)
    return tuple(targets[sheet.name] for sheet in group)


def need_known(board: str, where: Path | str, boards: BoardSet, boards_words: str) -> None:
    """Refuse a board that is not in the set, or is a plain chessboard.

    Raises
    ------
    FileError
    """
    if board not in boards or not boards[board].is_charuco:
        raise FileError(
            f"{where}: there is no board {board!r} in {boards_words}",
            hint=f"known boards: {', '.join(one.name for one in boards if one.is_charuco)}",
        )


def need_free(targets: Sequence[Intended], used: Mapping[str, str]) -> None:
    """Refuse a board of a target that lies on the floor or is on a wheel: `used` says where, in words.

    Raises
    ------
    FileError
    """
    for target in targets:
        for board in target.boards:
            if board in used:
                raise FileError(f"{board} is on {target.name} and {used[board]}", hint=f"{ONE_PLACE}: correct one of the files")


def files_of(sheets: PlacementSheet, path: Path, given: Sequence[str]) -> Given:
    """Which file is which target's: "FILE", or "NAME=FILE" for each of several.

    Raises
    ------
    FileError
        No such placement, or one with two files.
    """
    named: dict[str, Path] = {}
    alone: list[Path] = []
    for text in given:
        name, equals, file = text.partition("=")
        if not equals or (name not in sheets.names and Path(text).is_file()):
            alone.append(Path(text))
            continue
        if name not in sheets.names:
            names = ", ".join(filter(None, sheets.names)) or "it has one, without a name: --stand FILE"
            raise FileError(f"--stand {text}: there is no placement {name!r} on {path}", hint=f"placements: {names}")
        if name in named:
            raise FileError(f"--stand: {name} is given two files, {named[name]} and {file}", hint="give it one")
        named[name] = Path(file)
    if len(alone) + bool(named) > 1 and alone:
        raise FileError(
            f"--stand {alone[0]}: several files, and of this one nobody knows which target's it is",
            hint=f"name the target of each: --stand NAME={alone[0]}",
        )
    return Given(named, alone[0] if alone else None)


def _read(sheet: Sheet, file: Path, path: Path) -> Intended:
    carrier = read_mat(file) if sheet.kind == "mat" else read_stand(file)
    target = Intended(sheet, carrier)
    if lacking(sheet, target.boards):
        raise wrong_target(sheet, target.boards, file, path, "give the right file")
    if isinstance(carrier, Mat):
        need_same_mat(sheet, carrier, file)
    return target


def _usual(
    sheets: Sequence[Sheet], given: Mapping[str, Intended], boards: BoardSet, path: Path, *, of_several: bool
) -> dict[str, Intended]:
    """Without a file marks of a mat are touched, a target by itself has two boards, each of several one in the middle."""
    out: dict[str, Intended] = {}
    for sheet in sheets:
        called = sheet.name or sheet.target
        if sheet.kind == "mat":
            out[sheet.name] = Intended(sheet, None)
            continue
        if not of_several:
            out[sheet.name] = Intended(sheet, USUAL_STAND)
            continue
        taken = [board for target in (*given.values(), *out.values()) for board in target.boards]
        others = [board for other in sheets if other is not sheet for board in other.target_boards]
        board = _free_board(sheet, boards, {*taken, *others})
        if not board:
            raise FileError(
                f"{path}: {called} has no stand file, and the board set has no further {STAND_BOARD}… for it",
                hint=f"say which boards are on it: --stand {sheet.name}=FILE",
            )
        out[sheet.name] = Intended(sheet, Stand((StandBoard(board, 0.0, 0.0, BEHIND_MM),)))
    return out


def _free_board(sheet: Sheet, boards: BoardSet, taken: Collection[str]) -> str:
    wanted = [name for name in sheet.target_boards if name in boards]
    free = [one.name for one in boards if one.name.startswith(STAND_BOARD) and one.is_charuco and one.name not in taken]
    return next(iter(wanted or free), "")


def _need_own_boards(targets: Sequence[Intended], files: Mapping[str, Path]) -> None:
    owner: dict[str, Intended] = {}
    for target in targets:
        for board in target.boards:
            other = owner.setdefault(board, target)
            if other is not target:
                words = f"{board} is on the target of {other.name} already, and {target.name} stands at the same time"
                where = files.get(target.sheet.name)
                raise FileError(f"{where}: {words}" if where else words, hint=f"{ONE_PLACE}: correct one of the stand files")
