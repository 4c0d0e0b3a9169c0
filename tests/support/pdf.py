"""Just enough of a PDF reader to measure what a page really draws, without asking the code that drew it."""

from __future__ import annotations

import base64
import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

MM_PER_POINT = 25.4 / 72.0


@dataclass
class DrawnPage:
    """What one page draws, mm, origin at the page's top left corner, y down."""

    width_mm: float
    height_mm: float
    fills: list[tuple[float, list[np.ndarray]]] = field(default_factory=list)
    """(gray 0..1, closed outlines) of every filled path, in drawing order."""
    strokes: list[np.ndarray] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)


def read_pages(data: bytes) -> list[DrawnPage]:
    boxes = re.findall(rb"/MediaBox \[ ?([\d. ]+?) ?\]", data)
    streams = [_decoded(data, match) for match in re.finditer(rb"<<[^<>]*?/Filter[^<>]*?>>\s*stream\r?\n", data)]
    assert len(boxes) == len(streams), "every page has one content stream"
    pages = []
    for box, stream in zip(boxes, streams, strict=True):
        x0, y0, x1, y1 = (float(v) for v in box.split())
        assert (x0, y0) == (0.0, 0.0)
        page = DrawnPage(x1 * MM_PER_POINT, y1 * MM_PER_POINT)
        _draw(page, stream.decode("latin-1"))
        pages.append(page)
    return pages


def _decoded(data: bytes, match: re.Match[bytes]) -> bytes:
    raw = data[match.end() : data.index(b"endstream", match.end())].strip()
    if b"ASCII85Decode" in match[0]:
        raw = base64.a85decode(raw, adobe=False) if not raw.endswith(b"~>") else base64.a85decode(b"<~" + raw, adobe=True)
    return zlib.decompress(raw)


def _draw(page: DrawnPage, content: str) -> None:
    texts = re.findall(r"\(((?:\\.|[^\\()])*)\)\s*Tj", content)
    page.texts += [re.sub(r"\\([()\\])", r"\1", text) for text in texts]
    matrix, gray = np.eye(3), 0.0
    stack: list[tuple[np.ndarray, float]] = []
    loops: list[list[tuple[float, float]]] = []
    for n, operator in _operations(re.sub(r"\((?:\\.|[^\\()])*\)", "0", content)):
        if operator == "cm":
            matrix = np.array([[n[0], n[1], 0], [n[2], n[3], 0], [n[4], n[5], 1]]) @ matrix
        elif operator == "q":
            stack.append((matrix, gray))
        elif operator == "Q":
            matrix, gray = stack.pop()
        elif operator in ("g", "rg"):
            gray = n[0]
        elif operator in ("m", "l", "c", "re"):
            _extend(loops, operator, n)
        elif operator in ("f", "f*", "S", "n"):
            placed = [_placed(np.array(loop), matrix, page.height_mm) for loop in loops]
            if operator in ("f", "f*"):
                page.fills.append((gray, placed))
            elif operator == "S":
                page.strokes += placed
            loops = []


def _operations(content: str) -> Iterator[tuple[list[float], str]]:
    numbers: list[float] = []
    for token in content.split():
        if re.fullmatch(r"[-+]?(\d+\.?\d*|\.\d+)", token):
            numbers.append(float(token))
        else:
            yield numbers, token
            numbers = []


def _extend(loops: list[list[tuple[float, float]]], operator: str, n: list[float]) -> None:
    if operator == "m":
        loops.append([(n[0], n[1])])
    elif operator == "re":
        x, y, w, h = n
        loops.append([(x, y), (x + w, y), (x + w, y + h), (x, y + h)])
    else:
        loops[-1].append((n[-2], n[-1]))


def _placed(points: np.ndarray, matrix: np.ndarray, height_mm: float) -> np.ndarray:
    xy = (np.column_stack([points, np.ones(len(points))]) @ matrix)[:, :2] * MM_PER_POINT
    return np.column_stack([xy[:, 0], height_mm - xy[:, 1]])
