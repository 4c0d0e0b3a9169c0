"""The budget as a bar picture: what each source alone gives, and what all of them together give."""

from __future__ import annotations

import io
from typing import Any

from PIL import Image, ImageDraw, ImageFont

WIDTH, MARGIN, ROW, NAME = 1400, 48, 54, 250
INK, GREY, PALE, PAPER = (28, 32, 38), (108, 114, 122), (226, 229, 233), (255, 255, 255)
BAR, WHOLE = (52, 98, 140), (28, 32, 38)


def budget_png(document: dict[str, Any]) -> bytes:
    """PNG of a `budget/1` document."""
    rows = [(s["source"], s["U"], f"{100 * s['part']:.0f} %", BAR) for s in document["sources"]]
    rows.append(("all together", document["U"], "", WHOLE))
    digits = 4 if document["unit"] == "deg" else 2
    image = Image.new("RGB", (WIDTH, 190 + ROW * len(rows) + MARGIN), PAPER)
    draw = ImageDraw.Draw(image)
    figure = str(document["figure"]).rsplit("_", 1)[0].replace("_", " ")
    whose = f"{document['placement']}: " if document["placement"] else ""
    side = f" {document['side']}" if document["side"] else ""
    draw.text((MARGIN, 34), f"{whose}Where the uncertainty of the {figure} comes from", INK, _font(36))
    unit = document["unit"]
    head = f"measured {document['measured']:.{digits}f} {unit}{side}; U at k = 2, {unit}, each source alone"
    draw.text((MARGIN, 88), f"{head}; squares add up", GREY, _font(22))
    left, wide = MARGIN + NAME, WIDTH - 2 * MARGIN - NAME - 230
    for i, (name, u, part, colour) in enumerate(rows):
        y = 150 + i * ROW + (14 if name == "all together" else 0)
        draw.text((left - 18, y + 20), name, INK, _font(24), anchor="rm")
        draw.rectangle((left, y + 4, left + max(2, round(wide * u / document["U"])), y + 36), colour)
        draw.text((left + wide * u / document["U"] + 16, y + 20), f"{u:.{digits}f}", INK, _font(24), anchor="lm")
        draw.text((WIDTH - MARGIN, y + 20), part, GREY, _font(22), anchor="rm")
    draw.line((left, 146, left, 150 + ROW * len(rows)), PALE, 2)
    draw.text((WIDTH - MARGIN, 124), "of the variance", GREY, _font(20), anchor="rm")
    out = io.BytesIO()
    image.save(out, "PNG")
    return out.getvalue()


def _font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size)
