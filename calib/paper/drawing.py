"""Drawings to scale: a list of plain shapes in page coordinates, written as SVG and as PNG alike."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

from PIL import Image, ImageDraw, ImageFont

Point = tuple[float, float]
SHARPER = 2
"""Pixels of the PNG are averaged from so many a side."""


@dataclass(frozen=True, slots=True)
class Line:
    """Polyline; `closed` fills it with `fill` when that is given. `dash` in page units, "" for a full line."""

    points: tuple[Point, ...]
    colour: str
    width: float = 1.5
    closed: bool = False
    fill: str = ""
    dash: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Text:
    """One line of text; `anchor` is "start", "middle" or "end"; the point is on its middle line."""

    at: Point
    text: str
    size: float
    colour: str
    anchor: str = "start"


Shape = Line | Text


@dataclass(frozen=True, slots=True)
class Drawing:
    """A page, x to the right and y down, in units that are pixels of the PNG at its natural size."""

    width: float
    height: float
    shapes: tuple[Shape, ...]

    def svg(self) -> str:
        """The page as a self-contained SVG."""
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{self.width:g}" height="{self.height:g}" '
            f'viewBox="0 0 {self.width:g} {self.height:g}" font-family="sans-serif">'
        )
        body = [f'<rect width="{self.width:g}" height="{self.height:g}" fill="#ffffff"/>', *map(_svg, self.shapes)]
        return "\n".join([head, *body, "</svg>"]) + "\n"

    def png(self) -> bytes:
        """The page as a PNG."""
        size = (math.ceil(self.width * SHARPER), math.ceil(self.height * SHARPER))
        image = Image.new("RGB", size, "#ffffff")
        draw = ImageDraw.Draw(image)
        for shape in self.shapes:
            _paint(draw, shape)
        small = image.resize((math.ceil(self.width), math.ceil(self.height)), Image.Resampling.LANCZOS)
        out = io.BytesIO()
        small.save(out, "PNG")
        return out.getvalue()


def arrow(start: Point, end: Point, colour: str, width: float = 2.0, head: float = 11.0) -> list[Shape]:
    """A line with a head at its end."""
    angle = math.atan2(end[1] - start[1], end[0] - start[0])
    wings = [(end[0] - head * math.cos(angle + s), end[1] - head * math.sin(angle + s)) for s in (0.4, -0.4)]
    return [Line((start, end), colour, width), Line((wings[0], end, wings[1]), colour, 0.5, closed=True, fill=colour)]


def ellipse(centre: Point, axes: tuple[Point, Point], colour: str, fill: str = "", width: float = 1.5) -> Line:
    """Ellipse by its two half axes as vectors."""
    (ax, ay), (bx, by) = axes
    turns = [2.0 * math.pi * k / 48 for k in range(48)]
    points = tuple(
        (
            centre[0] + ax * math.cos(t) + bx * math.sin(t),
            centre[1] + ay * math.cos(t) + by * math.sin(t),
        )
        for t in turns
    )
    return Line(points, colour, width, closed=True, fill=fill)


def _svg(shape: Shape) -> str:
    if isinstance(shape, Text):
        return (
            f'<text x="{shape.at[0]:.2f}" y="{shape.at[1]:.2f}" font-size="{shape.size:g}" fill="{shape.colour}" '
            f'text-anchor="{shape.anchor}" dominant-baseline="central">{escape(shape.text)}</text>'
        )
    points = " ".join(f"{x:.2f},{y:.2f}" for x, y in shape.points)
    kind = "polygon" if shape.closed else "polyline"
    dash = f' stroke-dasharray="{shape.dash[0]:g} {shape.dash[1]:g}"' if shape.dash else ""
    fill = shape.fill or "none"
    return f'<{kind} points="{points}" fill="{fill}" stroke="{shape.colour}" stroke-width="{shape.width:g}"{dash}/>'


def _paint(draw: ImageDraw.ImageDraw, shape: Shape) -> None:
    if isinstance(shape, Text):
        anchor = {"start": "lm", "middle": "mm", "end": "rm"}[shape.anchor]
        font = ImageFont.load_default(shape.size * SHARPER)
        draw.text(_scaled(shape.at), shape.text, shape.colour, font, anchor=anchor)
        return
    points = [_scaled(point) for point in shape.points]
    if shape.closed and shape.fill:
        draw.polygon(points, shape.fill)
    ring = [*points, points[0]] if shape.closed else points
    width = max(1, round(shape.width * SHARPER))
    for piece in _dashed(ring, shape.dash) if shape.dash else [ring]:
        draw.line(piece, shape.colour, width, joint="curve")


def _scaled(point: Point) -> Point:
    return point[0] * SHARPER, point[1] * SHARPER


def _dashed(points: Sequence[Point], dash: tuple[float, float]) -> list[list[Point]]:
    out = []
    on, off = dash[0] * SHARPER, dash[1] * SHARPER
    for (x0, y0), (x1, y1) in zip(points, points[1:], strict=False):
        length = math.hypot(x1 - x0, y1 - y0)
        at = 0.0
        while at < length:
            a, b = at / length, min(at + on, length) / length
            out.append([(x0 + a * (x1 - x0), y0 + a * (y1 - y0)), (x0 + b * (x1 - x0), y0 + b * (y1 - y0))])
            at += on + off
    return out
