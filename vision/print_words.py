"""The words on a printed board page, and where there is room for them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from reportlab.lib.utils import simpleSplit

from vision.boards import Board
from vision.print_layout import Box, Page, centre_is_corner, squares

POINTS_PER_MM = 72.0 / 25.4
PLAIN, BOLD = "Helvetica", "Helvetica-Bold"
TITLE_PT = 18.0
LEADING = 1.25
"""Line pitch over font size."""
NOTE_SIZES_PT = (9.0, 8.5, 8.0, 7.5, 7.0, 6.5, 6.0, 5.5, 5.0)
ARROW_MM = 20.0
"""Room kept for the orientation arrow at the upper end of the strip beside the pattern."""


@dataclass(frozen=True, slots=True)
class Words:
    """One way to place the title and the notes; a `size_pt` of 0 means that the notes do not fit."""

    title: Box
    title_turned: bool
    box: Box
    turned: bool
    size_pt: float
    lines: tuple[str, ...]


def place_words(board: Board, page: Page) -> Words:
    """The most legible way to put name and notes on the page; brief notes where the full ones do not fit."""
    words = max(_arrangements(page, notes(board)), key=_legible)
    return words if words.size_pt else max(_arrangements(page, brief_notes(board)), key=_legible)


def notes(board: Board) -> list[str]:
    """What the page says about printing, measuring and mounting, one paragraph each."""
    nx, ny = squares(board)
    if board.is_charuco:
        what = f"{nx} x {ny} squares of {board.square_mm:g} mm, markers {board.marker_mm:g} mm"
    else:
        what = f"{nx} x {ny} squares of {board.square_mm:g} mm ({board.columns} x {board.rows} inner corners)"
    centre = (
        "the corner in the middle, where the four thin lines point"
        if centre_is_corner(board)
        else "the small dot in the middle, where the four thin lines point"
    )
    return [
        f'{what}. Print at 100 % ("actual size"), never "fit to page".',
        f"Measure both bars from tick middle to tick middle, then type: bayfix boards measured {board.name} X Y --pm 0.1",
        "Glue the whole sheet to something stiff and flat (aluminium composite 3-4 mm, glass, MDF 6 mm). Keep it matt: do not "
        "laminate. Cut nothing off but bare paper: bars, thin lines and 5 mm of white around the squares stay.",
        f"Centre mark for the tape: {centre}.",
    ]


def brief_notes(board: Board) -> list[str]:
    """The notes of a page with hardly any room beside its pattern."""
    centre = "corner" if centre_is_corner(board) else "dot"
    return [
        f"Print at 100 %. Measure both bars. Mount stiff, flat, matt; cut no white off. Tape: from the {centre} in the middle."
    ]


def title_pt(box: Box, turned: bool) -> float:
    return min(TITLE_PT, (box.width if turned else box.height) * POINTS_PER_MM / LEADING)


def _legible(words: Words) -> float:
    return min(title_pt(words.title, words.title_turned), 2.0 * words.size_pt)


def _arrangements(page: Page, paragraphs: Sequence[str]) -> list[Words]:
    below = page.below
    strip = Box(page.beside.left, page.beside.top + ARROW_MM, page.beside.width, page.beside.height - ARROW_MM)
    title_mm = TITLE_PT * LEADING / POINTS_PER_MM
    low, side = min(title_mm, below.height), min(title_mm, strip.width)
    upper = Box(below.left, below.top, below.width, low)
    lower = Box(below.left, below.top + low, below.width, below.height - low)
    outer = Box(strip.right - side, strip.top, side, strip.height)
    inner = Box(strip.left, strip.top, strip.width - side, strip.height)
    out = []
    for title, title_turned, box, turned in (
        (page.over_bar, False, below, False),
        (page.over_bar, False, strip, True),
        (upper, False, lower, False),
        (upper, False, strip, True),
        (outer, True, below, False),
        (outer, True, inner, True),
    ):
        size, lines = _fit(paragraphs, *((box.height, box.width) if turned else (box.width, box.height)))
        out.append(Words(title, title_turned, box, turned, size, lines))
    return out


def _fit(paragraphs: Sequence[str], width_mm: float, height_mm: float) -> tuple[float, tuple[str, ...]]:
    """Largest font size at which the paragraphs fit a box, and their lines; size 0 if none does."""
    for size in NOTE_SIZES_PT:
        lines = [line for text in paragraphs for line in simpleSplit(text, PLAIN, size, width_mm * POINTS_PER_MM)]
        if len(lines) * size * LEADING <= height_mm * POINTS_PER_MM:
            return size, tuple(lines)
    return 0.0, ()
