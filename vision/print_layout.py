"""Where things go on a printed board page: pattern, check bars, centre lines, room for words. Pure geometry, mm.

Page coordinates: origin at the page's top left corner, x to the right, y down, the way the board's own x and y run. Sizes
are nominal: what the printer makes of them is what the check bars are for.
"""

from __future__ import annotations

from dataclasses import dataclass

from vision.boards import NOMINAL_BAR_MM, Board
from vision.errors import BoardError

PAPERS_MM: dict[str, tuple[float, float]] = {
    "a4": (297.0, 210.0),
    "letter": (279.4, 215.9),
    "a3": (420.0, 297.0),
    "tabloid": (431.8, 279.4),
}
"""Longer and shorter side of the papers, mm."""
UNPRINTABLE_MM = 5.0
"""Border that office printers leave white: common practice, no source."""
QUIET_MM = 5.0
"""White border around the pattern, so that the outer squares keep their edges."""
TICK_MM = 3.0
"""Length of the end ticks of the check bars, and the least height of the strip a bar runs in."""
TOP_MM = 6.0
"""Least white border above the pattern: nothing is printed there but the end of a centre line."""
CENTRE_LINE_MM = 4.0
CENTRE_LINE_GAP_MM = 1.0


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle on the page, mm; `left`, `top` is its upper left corner."""

    left: float
    top: float
    width: float
    height: float

    @property
    def right(self) -> float:
        return self.left + self.width

    @property
    def bottom(self) -> float:
        return self.top + self.height


@dataclass(frozen=True, slots=True)
class Line:
    x0: float
    y0: float
    x1: float
    y1: float


@dataclass(frozen=True, slots=True)
class Page:
    """One page, mm.

    Attributes
    ----------
    width, height : float
    pattern : Box
        The whole pattern with its outer squares.
    x_bar, y_bar : Line
        Check bars of 140 mm along the board's x and y, between the middles of their end ticks.
    centre_lines : tuple of Line
        Four thin lines outside the pattern that point at its centre.
    over_bar : Box
        Room for the board's name between the pattern and the x bar; may be flat.
    below : Box
        Room for words right of the x bar.
    beside : Box
        Room for words right of the pattern, to be read from the right (turned by a quarter).
    """

    width: float
    height: float
    pattern: Box
    x_bar: Line
    y_bar: Line
    centre_lines: tuple[Line, ...]
    over_bar: Box
    below: Box
    beside: Box


def squares(board: Board) -> tuple[int, int]:
    """Squares of the printed pattern along x and y; a plain chessboard has one more than inner corners."""
    return (board.columns, board.rows) if board.is_charuco else (board.columns + 1, board.rows + 1)


def pattern_size_mm(board: Board) -> tuple[float, float]:
    """Nominal width and height of the printed pattern."""
    nx, ny = squares(board)
    return nx * board.square_mm, ny * board.square_mm


def centre_is_corner(board: Board) -> bool:
    """Whether the pattern's centre is a chessboard corner, which then is the centre mark."""
    nx, ny = squares(board)
    return nx % 2 == 0 and ny % 2 == 0


def fitting_papers(board: Board) -> list[str]:
    """Papers with room for the pattern, its white border and the check bars; smallest first."""
    return [paper for paper in PAPERS_MM if _fits(board, *_page_size(board, paper))]


def page_layout(board: Board, paper: str) -> Page:
    """Lay one board out on one paper.

    Raises
    ------
    BoardError
        Unknown paper; board too large for it (names the papers that fit).
    """
    if paper not in PAPERS_MM:
        raise BoardError(f"unknown paper {paper!r}", hint=f"one of {', '.join(PAPERS_MM)}")
    width, height = _page_size(board, paper)
    if not _fits(board, width, height):
        raise BoardError(_too_large(board, paper), hint=_other_paper(fitting_papers(board)))
    w, h = pattern_size_mm(board)
    side = (width - w) / 2
    spare = height - h - TOP_MM - _below_least()
    above = TOP_MM + 0.25 * spare
    pattern = Box(side, above, w, h)
    bar_y = height - UNPRINTABLE_MM - TICK_MM / 2
    bar_x = UNPRINTABLE_MM + TICK_MM / 2
    x_bar = Line(UNPRINTABLE_MM + 1.0, bar_y, UNPRINTABLE_MM + 1.0 + NOMINAL_BAR_MM, bar_y)
    y0 = min(pattern.top + (h - NOMINAL_BAR_MM) / 2, bar_y - TICK_MM - 2.0 - NOMINAL_BAR_MM)
    y_bar = Line(bar_x, max(y0, UNPRINTABLE_MM), bar_x, max(y0, UNPRINTABLE_MM) + NOMINAL_BAR_MM)
    words_top = pattern.bottom + QUIET_MM
    words_left = x_bar.x1 + 6.0
    over_left = bar_x + TICK_MM + 2.0
    over_bar = Box(over_left, words_top, x_bar.x1 - over_left, max(0.0, bar_y - TICK_MM / 2 - 1.0 - words_top))
    below = Box(words_left, words_top, width - UNPRINTABLE_MM - words_left, height - UNPRINTABLE_MM - words_top)
    beside_left = pattern.right + QUIET_MM
    beside = Box(beside_left, UNPRINTABLE_MM, width - UNPRINTABLE_MM - beside_left, words_top - 2.0 - UNPRINTABLE_MM)
    return Page(width, height, pattern, x_bar, y_bar, _centre_lines(pattern), over_bar, below, beside)


def _page_size(board: Board, paper: str) -> tuple[float, float]:
    longer, shorter = PAPERS_MM[paper]
    w, h = pattern_size_mm(board)
    return (longer, shorter) if w >= h else (shorter, longer)


def _below_least() -> float:
    return QUIET_MM + TICK_MM + UNPRINTABLE_MM


def _fits(board: Board, width: float, height: float) -> bool:
    w, h = pattern_size_mm(board)
    return w + 2 * _below_least() <= width + 1e-9 and h + TOP_MM + _below_least() <= height + 1e-9


def _too_large(board: Board, paper: str) -> str:
    w, h = pattern_size_mm(board)
    return f"board {board.name} ({w:g} x {h:g} mm) with its white border and check bars does not fit on {paper} paper"


def _other_paper(fitting: list[str]) -> str:
    return f"print it on {' or '.join(fitting)}: --paper {fitting[0]}" if fitting else "choose fewer or smaller squares"


def _centre_lines(pattern: Box) -> tuple[Line, ...]:
    x, y = pattern.left + pattern.width / 2, pattern.top + pattern.height / 2
    near, far = CENTRE_LINE_GAP_MM, CENTRE_LINE_GAP_MM + CENTRE_LINE_MM
    return (
        Line(x, pattern.top - far, x, pattern.top - near),
        Line(x, pattern.bottom + near, x, pattern.bottom + far),
        Line(pattern.left - far, y, pattern.left - near, y),
        Line(pattern.right + near, y, pattern.right + far, y),
    )
