"""Plain aligned tables for the terminal: readable on any width, in any log, copied into any message."""

from __future__ import annotations

from collections.abc import Sequence


def table(head: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[int] = ()) -> str:
    """Lines of a table; columns whose index is in `right` are right-aligned."""
    widths = [max(len(cell) for cell in column) for column in zip(head, *rows, strict=True)]

    def line(cells: Sequence[str]) -> str:
        padded = [c.rjust(w) if i in right else c.ljust(w) for i, (c, w) in enumerate(zip(cells, widths, strict=True))]
        return "  ".join(padded).rstrip()

    return "\n".join([line(head), line(["-" * w for w in widths]), *(line(row) for row in rows)])


def number(value: float, digits: int, *, sign: bool = False) -> str:
    """A number with fixed digits; a negative zero loses its sign."""
    text = f"{value:{'+' if sign else ''}.{digits}f}"
    return text.replace("-", "+" if sign else "", 1) if float(text) == 0.0 else text
