"""Boards as PDF at true scale: vector squares, check bars, centre mark, and the words a technician needs at the printer.

One page a board. Where things go is decided in `vision.print_layout`; this module draws them.
"""

from __future__ import annotations

import io
from collections.abc import Iterable
from pathlib import Path

import numpy as np
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from vision.boards import NOMINAL_BAR_MM, Board
from vision.print_layout import TICK_MM, Box, Line, Page, centre_is_corner, page_layout, squares
from vision.print_words import BOLD, LEADING, PLAIN, POINTS_PER_MM, Words, place_words, title_pt
from vision.toml_io import write_file

LINE_MM = 0.2

Loop = list[tuple[float, float]]


def print_boards(boards: Iterable[Board], paper: str, path: Path) -> None:
    """Write a PDF with one page a board.

    Parameters
    ----------
    paper : str
        A key of `vision.print_layout.PAPERS_MM`.

    Raises
    ------
    BoardError
        Unknown paper, or a board too large for it; nothing is written then.
    """
    pages = [(board, page_layout(board, paper)) for board in boards]
    buffer = io.BytesIO()
    canvas = Canvas(buffer, pageCompression=1, invariant=1)
    canvas.setTitle("Boards: " + ", ".join(board.name for board, _ in pages))
    canvas.setViewerPreference("PrintScaling", "None")
    for board, page in pages:
        canvas.setPageSize((page.width * POINTS_PER_MM, page.height * POINTS_PER_MM))
        _Sheet(canvas, page).draw(board)
        canvas.showPage()
    canvas.save()
    write_file(path, buffer.getvalue())


def black_loops(board: Board) -> list[Loop]:
    """Outlines of everything black in the pattern, mm, pattern coordinates, nominal size; to be filled by the even-odd rule.

    Neighbouring cells are merged: separate rectangles side by side show hairlines in many viewers and printers.
    """
    if not board.is_charuco:
        nx, ny = squares(board)
        cells = [(c, r) for r in range(ny) for c in range(nx) if (c + r) % 2 == 0]
        return [_square(c * board.square_mm, r * board.square_mm, board.square_mm) for c, r in cells]
    loops = [_square(c * board.square_mm, r * board.square_mm, board.square_mm) for c, r in board.black_squares()]
    inset = (board.square_mm - board.marker_mm) / 2
    for (c, r), bits in zip(board.marker_cells(), board.marker_bits(), strict=True):
        cell_mm = board.marker_mm / len(bits)
        left, top = c * board.square_mm + inset, r * board.square_mm + inset
        for loop in _outlines(np.asarray(bits) == 0):
            loops.append([(left + x * cell_mm, top + y * cell_mm) for x, y in loop])
    return loops


def _square(left: float, top: float, side: float) -> Loop:
    return [(left, top), (left + side, top), (left + side, top + side), (left, top + side)]


def _outlines(black: np.ndarray) -> list[Loop]:
    """Closed outlines of the true cells of a grid, as corner coordinates (x, y) in cells."""
    edges: dict[tuple[int, int], list[tuple[int, int]]] = {}
    padded = np.pad(black, 1)
    for y, x in np.argwhere(black):
        for outside, start, end in (
            (padded[y, x + 1], (x, y), (x + 1, y)),
            (padded[y + 1, x + 2], (x + 1, y), (x + 1, y + 1)),
            (padded[y + 2, x + 1], (x + 1, y + 1), (x, y + 1)),
            (padded[y + 1, x], (x, y + 1), (x, y)),
        ):
            if not outside:
                edges.setdefault((int(start[0]), int(start[1])), []).append((int(end[0]), int(end[1])))
    loops: list[Loop] = []
    while edges:
        start = here = next(iter(edges))
        loop: Loop = []
        while True:
            loop.append((float(here[0]), float(here[1])))
            ends = edges[here]
            step = ends.pop()
            if not ends:
                del edges[here]
            here = step
            if here == start:
                break
        loops.append(loop)
    return loops


class _Sheet:
    """A page of the canvas, drawn in mm from the top left corner."""

    def __init__(self, canvas: Canvas, page: Page) -> None:
        self.canvas, self.page = canvas, page

    def draw(self, board: Board) -> None:
        self._pattern(board)
        if not centre_is_corner(board):
            self._centre_dot(board)
        for line in self.page.centre_lines:
            self._line(line)
        self._bar(self.page.x_bar, "X")
        self._bar(self.page.y_bar, "Y")
        self._top_mark()
        self._words(board)

    def _x(self, mm: float) -> float:
        return mm * POINTS_PER_MM

    def _y(self, mm: float) -> float:
        return (self.page.height - mm) * POINTS_PER_MM

    def _pattern(self, board: Board) -> None:
        path = self.canvas.beginPath()
        left, top = self.page.pattern.left, self.page.pattern.top
        for loop in black_loops(board):
            for i, (x, y) in enumerate(loop):
                (path.lineTo if i else path.moveTo)(self._x(left + x), self._y(top + y))
            path.close()
        self.canvas.setFillGray(0)
        self.canvas.drawPath(path, stroke=0, fill=1, fillMode=0)

    def _centre_dot(self, board: Board) -> None:
        # Kept inside a quarter of a marker cell, so that no bit of a marker in the middle changes.
        cell_mm = board.marker_mm / len(board.marker_bits()[0]) if board.is_charuco else board.square_mm / 8
        white_mm = min(1.0, 0.3 * cell_mm)
        box = self.page.pattern
        x, y = self._x(box.left + box.width / 2), self._y(box.top + box.height / 2)
        for radius_mm, gray in ((white_mm, 1), (0.4 * white_mm, 0)):
            self.canvas.setFillGray(gray)
            self.canvas.circle(x, y, radius_mm * POINTS_PER_MM, stroke=0, fill=1)
        self.canvas.setFillGray(0)

    def _line(self, line: Line) -> None:
        self.canvas.setLineWidth(LINE_MM * POINTS_PER_MM)
        self.canvas.setStrokeGray(0)
        self.canvas.line(self._x(line.x0), self._y(line.y0), self._x(line.x1), self._y(line.y1))

    def _bar(self, bar: Line, name: str) -> None:
        along_x = bar.y0 == bar.y1
        half = TICK_MM / 2
        self._line(bar)
        for x, y in ((bar.x0, bar.y0), (bar.x1, bar.y1)):
            self._line(Line(x, y - half, x, y + half) if along_x else Line(x - half, y, x + half, y))
        text = f"{name} bar: {NOMINAL_BAR_MM:g} mm. Measure me with a calliper or a steel rule."
        size, middle = 7.0, ((bar.x0 + bar.x1) / 2, (bar.y0 + bar.y1) / 2)
        width = stringWidth(text, PLAIN, size)
        self.canvas.saveState()
        self.canvas.translate(self._x(middle[0]), self._y(middle[1]))
        if not along_x:
            self.canvas.rotate(90)
        self.canvas.setFillGray(1)
        self.canvas.rect(-width / 2 - 3, -size / 2, width + 6, size, stroke=0, fill=1)
        self.canvas.setFillGray(0)
        self.canvas.setFont(PLAIN, size)
        self.canvas.drawCentredString(0, -0.34 * size, text)
        self.canvas.restoreState()

    def _top_mark(self) -> None:
        """An arrow up and the words, at the upper end of the strip beside the pattern."""
        box = self.page.beside
        x, tip, half = box.left + min(box.width, 6.0) / 2, box.top + 1.0, min(box.width, 3.4) / 2
        path = self.canvas.beginPath()
        stem = 0.3 * half
        for i, (dx, dy) in enumerate(((0, 0), (half, 5), (stem, 5), (stem, 8), (-stem, 8), (-stem, 5), (-half, 5))):
            (path.lineTo if i else path.moveTo)(self._x(x + dx), self._y(tip + dy))
        path.close()
        self.canvas.drawPath(path, stroke=0, fill=1)
        self.canvas.saveState()
        self.canvas.translate(self._x(x), self._y(tip + 9.0))
        self.canvas.rotate(-90)
        self.canvas.setFont(BOLD, 8)
        self.canvas.drawString(0, -0.36 * 8, "TOP")
        self.canvas.restoreState()

    def _words(self, board: Board) -> None:
        words = place_words(board, self.page)
        self._title(words.title, board, turned=words.title_turned)
        self._lines(words)

    def _title(self, box: Box, board: Board, *, turned: bool) -> None:
        """Name and ids on one line, as large as the box allows."""
        length_mm = box.height if turned else box.width
        ids = ""
        if board.is_charuco:
            ids = f"   {board.dictionary.removeprefix('DICT_')}, ids {board.marker_ids[0]} to {board.marker_ids[-1]}"
        size = title_pt(box, turned)
        small = min(8.0, size)
        width = stringWidth(board.name, BOLD, size) + stringWidth(ids, PLAIN, small)
        shrink = min(1.0, length_mm * POINTS_PER_MM / width)
        self.canvas.saveState()
        self._enter(box, turned)
        self.canvas.setFont(BOLD, size * shrink)
        self.canvas.drawString(0, -size, board.name)
        x = stringWidth(board.name, BOLD, size * shrink)
        self.canvas.setFont(PLAIN, small * shrink)
        self.canvas.drawString(x, -size, ids)
        self.canvas.restoreState()

    def _enter(self, box: Box, turned: bool) -> None:
        """Origin to the box's first line, turned: to be read from the right."""
        self.canvas.translate(self._x(box.right if turned else box.left), self._y(box.top))
        if turned:
            self.canvas.rotate(-90)

    def _lines(self, words: Words) -> None:
        self.canvas.saveState()
        self._enter(words.box, words.turned)
        self.canvas.setFont(PLAIN, words.size_pt)
        for i, line in enumerate(words.lines):
            self.canvas.drawString(0, -words.size_pt - i * words.size_pt * LEADING, line)
        self.canvas.restoreState()
