"""Board files (TOML, ``schema = "boards/1"``): read, written, and edited in place when check bars have been measured."""

from __future__ import annotations

import datetime
import re
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal, Self

import tomlkit
from pydantic import AfterValidator, Field, model_validator

from vision.boards import NOMINAL_BAR_MM, SCALE_OWN_PM, Board, BoardSet, PrintScale, predefined_dictionary
from vision.errors import BoardError, FileError
from vision.toml_io import FileModel, line_of, read_text, read_toml, write_file

SCHEMA = "boards/1"
Variant = Literal["a4", "a3"]
IMPLAUSIBLE_SCALE = 0.03
"""A print further off than this was scaled to fit the page or measured at another place: print anew, measure anew."""
MOST_PRINT_PM_MM = 1.0
"""A print whose corners lie farther off is none to measure with: the width of a line is a tenth of that."""


def _board_name(name: str) -> str:
    if not re.fullmatch(r"[^\W_][\w.-]*", name):
        raise ValueError(f"{name!r} is no board name: letters, digits, hyphens and dots only")
    return name


_Name = Annotated[str, AfterValidator(_board_name)]
_Positive = Annotated[float, Field(gt=0)]
_HalfWidth = Annotated[float, Field(ge=0)]
_PrintError = Annotated[float, Field(ge=0, le=MOST_PRINT_PM_MM)]


class _Measured(FileModel):
    """The check bars as measured on the print, mm; `pm_mm` is the half-width (k = 2) of the measuring."""

    x_mm: _Positive
    y_mm: _Positive
    pm_mm: _Positive
    own_pm_mm: _HalfWidth | None = None
    bar_x_mm: _Positive = NOMINAL_BAR_MM
    bar_y_mm: _Positive = NOMINAL_BAR_MM
    date: datetime.date | None = None

    @model_validator(mode="after")
    def _plausible(self) -> Self:
        for axis, got, nominal in (("x", self.x_mm, self.bar_x_mm), ("y", self.y_mm, self.bar_y_mm)):
            if abs(got / nominal - 1) > IMPLAUSIBLE_SCALE:
                raise ValueError(
                    f"the {axis} bar of {nominal:g} mm cannot measure {got:g} mm: more than {IMPLAUSIBLE_SCALE:.0%} off"
                )
        return self

    def scale(self) -> PrintScale:
        shorter = min(self.bar_x_mm, self.bar_y_mm)
        own = SCALE_OWN_PM if self.own_pm_mm is None else self.own_pm_mm / shorter
        return PrintScale(self.x_mm / self.bar_x_mm, self.y_mm / self.bar_y_mm, self.pm_mm / shorter, own)


class _Shared(FileModel):
    """Keys that every board may carry and `[all]` may set for all of them."""

    dictionary: str | None = None
    thickness_mm: _HalfWidth | None = None
    thickness_pm_mm: _HalfWidth | None = None
    flatness_pm_mm: _HalfWidth | None = None
    print_pm_mm: _PrintError | None = None
    print_run: str | None = None


class _Charuco(_Shared):
    name: _Name
    columns: int
    rows: int
    square_mm: _Positive
    marker_mm: _Positive
    first_id: Annotated[int, Field(ge=0)]
    legacy: bool = False
    measured: _Measured | None = None


class _Chessboard(FileModel):
    name: _Name
    inner_columns: int
    inner_rows: int
    square_mm: _Positive
    flatness_pm_mm: _HalfWidth | None = None
    print_pm_mm: _PrintError | None = None
    print_run: str | None = None
    measured: _Measured | None = None


class _BoardsFile(FileModel):
    schema_: Literal["boards/1"] = Field(alias="schema")
    all: _Shared = Field(default_factory=_Shared)
    charuco: list[_Charuco] = Field(default_factory=list)
    chessboard: list[_Chessboard] = Field(default_factory=list)


def read_boards(path: Path) -> BoardSet:
    """All boards of a file.

    Boards of one print run of which some are measured and some are not (or not alike) come out as runs of their own,
    because the common part of their scales is not known alike.

    Raises
    ------
    FileError
        Missing file, broken TOML, unknown or missing key, wrong type, implausible check bar; names file, line and key.
    BoardError
        Boards that cannot be, two of one name, overlapping marker ids; names the file.
    """
    file = read_toml(path, _BoardsFile, SCHEMA)
    text = read_text(path)
    boards = []
    rows: list[tuple[str, int, _Charuco | _Chessboard]] = [("charuco", i, row) for i, row in enumerate(file.charuco)]
    rows += [("chessboard", i, row) for i, row in enumerate(file.chessboard)]
    for kind, i, row in rows:
        where = f"{path}:{line_of(text, (kind, i)) or 1}"
        try:
            boards.append(_charuco(row, file.all, where) if isinstance(row, _Charuco) else _chessboard(row, file.all))
        except BoardError as err:
            raise BoardError(f"{where}: {err.what}", hint=err.hint) from err
    if not boards:
        raise BoardError(f"{path}: no boards in this file", hint="write a starter set with: bayfix boards new")
    try:
        return BoardSet(tuple(_split_runs(boards)))
    except BoardError as err:
        raise BoardError(f"{path}: {err.what}", hint=err.hint) from err


def _given(row: FileModel, shared: _Shared, keys: tuple[str, ...]) -> dict[str, Any]:
    values = {key: getattr(row, key) if getattr(row, key) is not None else getattr(shared, key) for key in keys}
    return {key: value for key, value in values.items() if value is not None}


def _charuco(row: _Charuco, shared: _Shared, where: str) -> Board:
    keys = ("dictionary", "thickness_mm", "thickness_pm_mm", "flatness_pm_mm", "print_pm_mm", "print_run")
    values = _given(row, shared, keys)
    for key, meaning in (("dictionary", "marker dictionary"), ("thickness_mm", "thickness of paper and sheet together")):
        if key not in values:
            raise FileError(
                f"{where}: board {row.name}: {key} is missing ({meaning})", hint=f"add {key} to the board or to [all]"
            )
    predefined_dictionary(values["dictionary"])
    scale = row.measured.scale() if row.measured else PrintScale()
    return Board(
        row.name, row.columns, row.rows, row.square_mm, row.marker_mm,
        first_id=row.first_id, legacy=row.legacy, scale=scale, **values,
    )  # fmt: skip


def _chessboard(row: _Chessboard, shared: _Shared) -> Board:
    scale = row.measured.scale() if row.measured else PrintScale()
    values = _given(row, shared, ("flatness_pm_mm", "print_pm_mm", "print_run"))
    return Board(row.name, row.inner_columns, row.inner_rows, row.square_mm, scale=scale, **values)


def _split_runs(boards: list[Board]) -> list[Board]:
    known: dict[str, set[float]] = {}
    for board in boards:
        known.setdefault(board.print_run, set()).add(board.scale.common_pm)
    return [
        replace(board, print_run=f"{board.print_run} (±{board.scale.common_pm:.3%})")
        if len(known[board.print_run]) > 1
        else board
        for board in boards
    ]


def starter_text(variant: Variant) -> str:
    """The commented starter file for one bay: everything on A4 ("a4"), or wheel, stand and lens boards on A3 ("a3")."""
    return (resources.files("vision") / "starter_boards" / f"{variant}.toml").read_text(encoding="utf-8")


def starter_boards(variant: Variant = "a4") -> BoardSet:
    """The starter set for one bay, not measured yet."""
    with resources.as_file(resources.files("vision") / "starter_boards" / f"{variant}.toml") as path:
        return read_boards(path)


def write_boards(path: Path, boards: BoardSet) -> None:
    """A board file without comments from boards in memory; `read_boards` gives the same boards back."""
    doc = tomlkit.document()
    doc["schema"] = SCHEMA
    for kind in ("charuco", "chessboard"):
        rows = tomlkit.aot()
        for board in boards:
            if board.is_charuco == (kind == "charuco"):
                rows.append(_table(board))
        if rows:
            doc[kind] = rows
    write_file(path, tomlkit.dumps(doc))


def _table(board: Board) -> tomlkit.items.Table:
    table = tomlkit.table()
    table["name"] = board.name
    if board.is_charuco:
        sizes = (
            "columns",
            "rows",
            "square_mm",
            "marker_mm",
            "dictionary",
            "first_id",
            "legacy",
            "thickness_mm",
            "thickness_pm_mm",
        )
        for key in sizes:
            table[key] = getattr(board, key)
    else:
        table["inner_columns"], table["inner_rows"], table["square_mm"] = board.columns, board.rows, board.square_mm
    table["flatness_pm_mm"], table["print_pm_mm"], table["print_run"] = board.flatness_pm_mm, board.print_pm_mm, board.print_run
    if board.scale != PrintScale():
        scale = board.scale
        table["measured"] = _inline(
            x_mm=scale.x * NOMINAL_BAR_MM,
            y_mm=scale.y * NOMINAL_BAR_MM,
            pm_mm=scale.common_pm * NOMINAL_BAR_MM,
            own_pm_mm=scale.own_pm * NOMINAL_BAR_MM,
        )
    return table


def _inline(**values: Any) -> tomlkit.items.InlineTable:
    table = tomlkit.inline_table()
    table.update(values)
    return table


def record_bars(
    path: Path,
    name: str,
    x_mm: float,
    y_mm: float,
    pm_mm: float,
    *,
    all_like: str | None = None,
    date: datetime.date | None = None,
) -> list[str]:
    """Write the measured check bars into a board file, keeping its comments.

    Parameters
    ----------
    name : str
        The board that was measured.
    x_mm, y_mm : float
        Measured lengths of the bars of nominally 140 mm along the board's x (columns) and y (rows).
    pm_mm : float
        Half-width (k = 2) of the measuring, each bar.
    all_like : str, optional
        Record the same values for every board of this board's print run as well.

    Returns
    -------
    list of str
        Names of the boards that now carry these values.

    Raises
    ------
    FileError, BoardError
        As `read_boards`; unknown name; a value more than 3 % off. The file is then left as it was.
    """
    read_boards(path)
    _refuse_implausible(name, x_mm, y_mm, pm_mm)
    text = read_text(path)
    runs = _print_runs(tomlkit.parse(text))
    for wanted in (name, all_like or name):
        if wanted not in runs:
            raise BoardError(f"{path}: there is no board {wanted!r}", hint=f"boards of this file: {', '.join(runs)}")
    chosen = [board for board in runs if board == name or (all_like is not None and runs[board] == runs[all_like])]
    values: dict[str, Any] = {"x_mm": float(x_mm), "y_mm": float(y_mm), "pm_mm": float(pm_mm)}
    if date is not None:
        values["date"] = date
    for board in chosen:
        text = _with_measured(text, board, _inline(**values))
    write_file(path, text)
    return chosen


def _print_runs(doc: tomlkit.TOMLDocument) -> dict[str, str]:
    general = doc.get("all", {}).get("print_run", Board.__dataclass_fields__["print_run"].default)
    return {row["name"]: row.get("print_run", general) for kind in ("charuco", "chessboard") for row in doc.get(kind, [])}


def _with_measured(text: str, name: str, measured: tomlkit.items.InlineTable) -> str:
    doc = tomlkit.parse(text)
    kind, i = next((k, i) for k in ("charuco", "chessboard") for i, row in enumerate(doc.get(k, [])) if row["name"] == name)
    row: Any = doc[kind][i]
    if "measured" in row:
        row["measured"] = measured
        return tomlkit.dumps(doc)
    # Below the name: tomlkit would append it after the comment that introduces the next board.
    lines = text.splitlines(keepends=True)
    line = line_of(text, (kind, i, "name"))
    if line is None or not lines[line - 1].lstrip().startswith("name"):
        raise FileError(f"board {name} is not written as a table of its own", hint=f"write it below a line [[{kind}]]")
    lines.insert(line, f"measured = {measured.as_string()}\n")
    return "".join(lines)


def _refuse_implausible(name: str, x_mm: float, y_mm: float, pm_mm: float) -> None:
    for axis, got in (("x", x_mm), ("y", y_mm)):
        if not abs(got / NOMINAL_BAR_MM - 1) <= IMPLAUSIBLE_SCALE:
            raise BoardError(
                f"board {name}: the {axis} bar of {NOMINAL_BAR_MM:g} mm cannot measure {got:g} mm, "
                f"more than {IMPLAUSIBLE_SCALE:.0%} off",
                hint='measure from tick middle to tick middle; print with "actual size", never "fit to page"',
            )
    if not 0 < pm_mm <= NOMINAL_BAR_MM * IMPLAUSIBLE_SCALE:
        raise BoardError(
            f"board {name}: ±{pm_mm:g} mm is no reading accuracy", hint="a calliper reads to 0.1 mm, a steel rule to 0.3 mm"
        )
