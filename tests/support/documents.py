"""README.md and DEVELOPERS.md as tests see them: code blocks, marked blocks, tables."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True, slots=True)
class Block:
    """A fenced code block: its language, text, the line it starts in, and what the comment just above it says."""

    document: str
    line: int
    language: str
    text: str
    mark: str

    def __str__(self) -> str:
        return f"{self.document}:{self.line}"


def text_of(document: str) -> str:
    return (ROOT / document).read_text(encoding="utf-8")


def blocks(document: str, language: str = "") -> list[Block]:
    """Fenced blocks of a document, of one language if given."""
    found, mark, start, kind, inside = [], "", 0, "", []
    for number, line in enumerate(text_of(document).splitlines(), start=1):
        if not start and line.startswith("```"):
            start, kind, inside = number, line[3:].strip(), []
        elif start and line == "```":
            found.append(Block(document, start, kind, "\n".join(inside), mark))
            start, mark = 0, ""
        elif start:
            inside.append(line)
        elif line.strip():
            comment = re.fullmatch(r"<!-- (.+) -->", line.strip())
            mark = comment[1] if comment else ""
    if start:
        raise ValueError(f"{document}:{start}: a code block does not end")
    return [block for block in found if not language or block.language == language]


def marked(document: str, mark: str) -> Block:
    """The one block below `<!-- mark -->`."""
    (block,) = (block for block in blocks(document) if block.mark == mark)
    return block


def inline_code(document: str) -> list[str]:
    """Everything between single backticks, outside of code blocks."""
    prose = re.sub(r"^```.*?^```$", "", text_of(document), flags=re.MULTILINE | re.DOTALL)
    return re.findall(r"`([^`\n]+)`", prose)


def table_keys(document: str, mark: str) -> set[str]:
    """Names in backticks in the first column of the table below `<!-- mark -->`."""
    rows = text_of(document).split(f"<!-- {mark} -->", 1)[1].strip().splitlines()
    table = rows[: next(i for i, row in enumerate([*rows, ""]) if not row.startswith("|"))]
    return {name for row in table[2:] for name in re.findall(r"`([^`]+)`", row.split("|")[1])}


def rows_of(text: str) -> list[list[str]]:
    """Cells of a table as the terminal shows it: columns are two spaces apart or more."""
    lines = [line for line in text.splitlines() if line.strip() and line.strip() != "…"]
    ruler = next(line for line in lines if set(line) <= {"-", " "})
    edges = [match.start() for match in re.finditer(r"-+", ruler)] + [None]
    below = lines[lines.index(ruler) + 1 :]
    return [[line[a:b].strip() for a, b in zip(edges, edges[1:], strict=False)] for line in below]
