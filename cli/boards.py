"""`bayfix boards`: write, list, print and measure the boards of a shop."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.base import DONE, Exit, Json, print_json, shop_command, talk
from cli.job import Variant
from cli.table import table

if TYPE_CHECKING:
    from vision.boards import Board, BoardSet

boards_app = typer.Typer(no_args_is_help=True, help="Printed boards: write, list, print and measure them.")
DEFAULT_FILE = Path("boards.toml")


class Paper(StrEnum):
    """Paper in the printer."""

    A4 = "a4"
    LETTER = "letter"
    A3 = "a3"
    TABLOID = "tabloid"


BoardsFile = Annotated[Path, typer.Option("--boards", help="The board file.", metavar="FILE")]
StarterVariant = Annotated[Variant, typer.Option(help="Everything on A4, or wheel, stand and lens boards on A3.")]


def register(app: typer.Typer) -> None:
    app.add_typer(boards_app, name="boards")


@boards_app.callback()
def boards_options() -> None:
    """Printed boards: write, list, print and measure them."""


@boards_app.command("new")
@shop_command
def new(
    file: Annotated[Path, typer.Argument(help="File to write.", metavar="[FILE]")] = DEFAULT_FILE,
    variant: StarterVariant = Variant.A4,
    as_json: Json = False,
) -> Exit:
    """Write the starter set of one bay as a file with notes; overwrites nothing."""
    from vision.boards_io import starter_boards, starter_text
    from vision.errors import FileError
    from vision.toml_io import write_file

    if file.exists():
        raise FileError(f"{file} is there already", hint="give another name: bayfix boards new other.toml")
    write_file(file, starter_text(variant.value))
    names = [board.name for board in starter_boards(variant.value)]
    if as_json:
        print_json({"file": file.as_posix(), "variant": variant.value, "boards": names})
        return DONE
    typer.echo(f"written  {file}  ({len(names)} boards)")
    talk("next: bayfix boards print")
    return DONE


@boards_app.command("list")
@shop_command
def list_boards(
    file: Annotated[Path, typer.Argument(help="The board file.", metavar="[FILE]")] = DEFAULT_FILE,
    as_json: Json = False,
) -> Exit:
    """Show the boards of a file: pattern, marker ids, paper, and which print scales are measured."""
    from vision.boards_io import read_boards

    rows = [_row(board) for board in read_boards(file)]
    if as_json:
        print_json({"file": file.as_posix(), "boards": rows})
        return DONE
    _print_table(rows)
    unmeasured = sum(not row["scale_measured"] for row in rows)
    if unmeasured:
        talk(f"{unmeasured} of {len(rows)} boards have no measured print scale; see: bayfix boards measured --help")
    return DONE


@boards_app.command("print")
@shop_command
def print_pdf(
    names: Annotated[
        list[str] | None, typer.Argument(metavar="NAMES", help='Boards to print ("floor-*" works); all when left out.')
    ] = None,
    boards: BoardsFile = DEFAULT_FILE,
    paper: Annotated[Paper, typer.Option(help="Paper in the printer.")] = Paper.A4,
    out: Annotated[Path, typer.Option(help="PDF to write.", metavar="FILE")] = Path("boards.pdf"),
    variant: Annotated[Variant, typer.Option(help="Starter set to use where there is no board file.")] = Variant.A4,
    as_json: Json = False,
) -> Exit:
    """Write boards as a PDF at true scale, one page a board; from the starter set where there is no board file."""
    from vision.boards_io import read_boards, starter_boards
    from vision.printing import print_boards

    from_starter = boards == DEFAULT_FILE and not boards.exists()
    chosen = _named(starter_boards(variant.value) if from_starter else read_boards(boards), names or [])
    print_boards(chosen, paper.value, out)
    if as_json:
        source = f"starter set {variant.value}" if from_starter else boards.as_posix()
        document = {"file": out.as_posix(), "paper": paper.value, "source": source, "boards": [board.name for board in chosen]}
        print_json(document)
        return DONE
    typer.echo(f"written  {out}  ({len(chosen)} pages on {paper.value})")
    if from_starter:
        talk(f"no {DEFAULT_FILE} here: printed the starter set ({variant.value}); write its file with: bayfix boards new")
    talk('print at 100 % ("actual size"), never "fit to page"; then measure both bars and record them: bayfix boards measured')
    return DONE


@boards_app.command("measured")
@shop_command
def measured(
    name: Annotated[str, typer.Argument(help="The board whose bars were measured.", metavar="NAME")],
    x_mm: Annotated[float, typer.Argument(help="Length of the X bar, mm.", metavar="X")],
    y_mm: Annotated[float, typer.Argument(help="Length of the Y bar, mm.", metavar="Y")],
    pm_mm: Annotated[
        float, typer.Option("--pm", help="How sure, plus or minus mm: calliper 0.1, steel rule 0.3.", metavar="MM")
    ],
    all_like: Annotated[
        str | None,
        typer.Option(help="Also for every board of this board's print run (same printer, same paper).", metavar="NAME"),
    ] = None,
    boards: BoardsFile = DEFAULT_FILE,
    as_json: Json = False,
) -> Exit:
    """Record the two check bars of a print, each of nominally 140 mm, measured from tick middle to tick middle."""
    import datetime

    from vision.boards_io import read_boards, record_bars

    changed = record_bars(boards, name, x_mm, y_mm, pm_mm, all_like=all_like, date=datetime.date.today())
    scale = read_boards(boards)[name].scale
    if as_json:
        print_json(
            {"file": boards.as_posix(), "boards": changed, "scale_x": scale.x, "scale_y": scale.y, "pm": scale.common_pm}
        )
        return DONE
    typer.echo(f"recorded for {', '.join(changed)}: {_scale_words(scale.x, scale.y, scale.common_pm)}")
    return DONE


def _named(boards: BoardSet, names: list[str]) -> list[Board]:
    """The named boards in the order of the names; a name may hold * and ?."""
    from fnmatch import fnmatchcase

    chosen: dict[str, Board] = {}
    for name in names or ["*"]:
        matching = [board for board in boards if fnmatchcase(board.name, name)] or [boards[name]]
        chosen.update((board.name, board) for board in matching)
    return list(chosen.values())


def _row(board: Board) -> dict[str, Any]:
    from vision.boards import PrintScale
    from vision.print_layout import fitting_papers

    ids = board.marker_ids
    return {
        "name": board.name,
        "kind": "charuco" if board.is_charuco else "chessboard",
        "columns": board.columns,
        "rows": board.rows,
        "square_mm": board.square_mm,
        "marker_mm": board.marker_mm,
        "dictionary": board.dictionary,
        "ids": [ids[0], ids[-1]] if board.is_charuco else [],
        "thickness_mm": board.thickness_mm,
        "print_run": board.print_run,
        "scale_measured": board.scale != PrintScale(),
        "scale_x": board.scale.x,
        "scale_y": board.scale.y,
        "scale_pm": board.scale.common_pm,
        "papers": fitting_papers(board),
    }


def _print_table(rows: list[dict[str, Any]]) -> None:
    cells = []
    for row in rows:
        corners = "" if row["kind"] == "charuco" else " inner corners"
        pattern = f"{row['columns']} x {row['rows']}{corners}, {row['square_mm']:g} mm"
        ids = f"{row['ids'][0]}-{row['ids'][1]}" if row["ids"] else "none"
        words = _scale_words(row["scale_x"], row["scale_y"], row["scale_pm"]) if row["scale_measured"] else "not measured"
        cells.append((row["name"], pattern, ids, row["papers"][0] if row["papers"] else "too large", words))
    typer.echo(table(("board", "pattern", "ids", "paper", "print scale"), cells))


def _scale_words(x: float, y: float, pm: float) -> str:
    return f"x {100 * x:.2f} %, y {100 * y:.2f} %, each ±{100 * pm:.2f} %"
