"""The coverage picture: where on the sensor boards were seen, and how well each photo fits."""

from __future__ import annotations

import io

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from vision.frames import Array
from vision.lens import LensFit
from vision.lens_advice import corner_counts, field_name

WIDTH = 1600
MARGIN = 48
SENSOR_WIDTH = 980
INK, GREY, PALE, PAPER = (28, 32, 38), (120, 126, 134), (226, 229, 233), (255, 255, 255)
GOOD, FAIR, POOR, EMPTY = (26, 118, 92), (204, 138, 20), (186, 44, 44), (250, 232, 224)
ROW = 26
MOST_ROWS = 40
Draw = ImageDraw.ImageDraw


def coverage_png(fit: LensFit, title: str) -> bytes:
    """PNG: left the sensor with every accepted corner, right the residual of every photo (RMS of the 2-D distance, px)."""
    rows = _photo_rows(fit)
    tall = round(SENSOR_WIDTH * fit.camera.height_px / fit.camera.width_px)
    height = 150 + max(tall + 96, ROW * len(rows) + 70) + MARGIN
    image = Image.new("RGB", (WIDTH, height), PAPER)
    draw = ImageDraw.Draw(image)
    draw.text((MARGIN, 32), title, INK, _font(34))
    draw.text((MARGIN, 80), _summary(fit), GREY, _font(20))
    _sensor(draw, fit, MARGIN, 150, tall)
    _bars(draw, rows, fit, MARGIN + SENSOR_WIDTH + 60, 150)
    out = io.BytesIO()
    image.save(out, "PNG")
    return out.getvalue()


def _font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size)


def _summary(fit: LensFit) -> str:
    return (
        f"{len(fit.photos)} photos, corners fit to {fit.rms_px:.3f} px, photos left out are predicted to "
        f"{fit.holdout_rms_px:.3f} px; focal length {fit.camera.fx_px:.1f} ± {2 * fit.sigma()[0]:.1f} px (k = 2)"
    )


def _sensor(draw: Draw, fit: LensFit, left: int, top: int, tall: int) -> None:
    draw.text((left, top - 34), "Where boards were seen in the picture", INK, _font(22))
    counts = corner_counts(fit)
    for r in range(3):
        for c in range(3):
            box = (
                left + c * SENSOR_WIDTH // 3,
                top + r * tall // 3,
                left + (c + 1) * SENSOR_WIDTH // 3,
                top + (r + 1) * tall // 3,
            )
            bare = counts[r, c] == 0
            draw.rectangle(box, EMPTY if bare else PAPER, PALE, 1)
            if bare:
                centre = ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)
                draw.text(centre, f"no board\n{field_name(r, c)}", POOR, _font(22), anchor="mm", align="center")
    scale = SENSOR_WIDTH / fit.camera.width_px
    limits = _limits(fit)
    for view in fit.views:
        far = np.linalg.norm(view.residual_px, axis=1)
        for (x, y), d in zip(view.px, far, strict=True):
            u, v = left + (x + 0.5) * scale, top + (y + 0.5) * scale
            draw.ellipse((u - 3, v - 3, u + 3, v + 3), _colour(d, limits))
    cx, cy = left + (fit.camera.cx_px + 0.5) * scale, top + (fit.camera.cy_px + 0.5) * scale
    draw.line((cx - 12, cy, cx + 12, cy), INK, 2)
    draw.line((cx, cy - 12, cx, cy + 12), INK, 2)
    draw.rectangle((left, top, left + SENSOR_WIDTH, top + tall), None, INK, 2)
    _legend(draw, limits, left, top + tall + 16)


def _legend(draw: Draw, limits: tuple[float, float], left: int, top: int) -> None:
    texts = (f"off by up to {limits[0]:.2f} px", f"up to {limits[1]:.2f} px", "more")
    for colour, text in zip((GOOD, FAIR, POOR), texts, strict=True):
        draw.ellipse((left, top + 5, left + 12, top + 17), colour)
        draw.text((left + 20, top), text, GREY, _font(18))
        left += 60 + int(draw.textlength(text, _font(18)))
    draw.line((left, top + 11, left + 18, top + 11), INK, 2)
    draw.line((left + 9, top + 2, left + 9, top + 20), INK, 2)
    draw.text((left + 28, top), "optical centre", GREY, _font(18))


def _photo_rows(fit: LensFit) -> list[tuple[str, float]]:
    squares: dict[str, list[Array]] = {}
    for view in fit.views:
        squares.setdefault(view.photo, []).append(np.sum(view.residual_px**2, axis=1))
    rows = [(photo, float(np.sqrt(np.concatenate(parts).mean()))) for photo, parts in squares.items()]
    return sorted(rows, key=lambda row: -row[1])[:MOST_ROWS]


def _bars(draw: Draw, rows: list[tuple[str, float]], fit: LensFit, left: int, top: int) -> None:
    draw.text((left, top - 34), "How well each photo fits (px)", INK, _font(22))
    wide = WIDTH - MARGIN - left
    name_wide, number_wide = 190, 60
    longest = max(rms for _, rms in rows)
    limits = _limits(fit)
    for i, (photo, rms) in enumerate(rows):
        y = top + i * ROW
        draw.text((left, y), _fitted(draw, photo, name_wide), INK, _font(17))
        bar = (wide - name_wide - number_wide - 20) * rms / longest
        draw.rectangle((left + name_wide + 10, y + 3, left + name_wide + 10 + bar, y + ROW - 8), _colour(rms, limits))
        draw.text((WIDTH - MARGIN, y), f"{rms:.3f}", INK, _font(17), anchor="ra")
    hidden = len(fit.photos) - len(rows)
    if hidden:
        draw.text((left, top + len(rows) * ROW + 6), f"and {hidden} photos that fit better", GREY, _font(17))


def _fitted(draw: Draw, text: str, wide: int) -> str:
    if draw.textlength(text, _font(17)) <= wide:
        return text
    while draw.textlength("…" + text, _font(17)) > wide:
        text = text[1:]
    return "…" + text


def _limits(fit: LensFit) -> tuple[float, float]:
    """Distances that two thirds and 99 % of corners stay below when all is well (two-dimensional normal law).

    Not below what any camera may be off by: a corner is not drawn red for 0.03 px.
    """
    return max(1.05 * fit.rms_px, 0.15), max(2.15 * fit.rms_px, 0.45)


def _colour(distance_px: float, limits: tuple[float, float]) -> tuple[int, int, int]:
    return GOOD if distance_px <= limits[0] else FAIR if distance_px <= limits[1] else POOR
