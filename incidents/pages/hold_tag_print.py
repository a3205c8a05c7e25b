"""The hold tag on paper: 100 × 60 mm, black on white; shapes and words, no colour."""

from __future__ import annotations

import io
from typing import Any

from reportlab.graphics.barcode.code128 import Code128
from reportlab.graphics.barcode.ecc200datamatrix import ECC200DataMatrix
from reportlab.lib.units import mm
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from incidents.pages.fonts import BOLD, WRITING, embed, shortened
from incidents.pages.hold_tag import Tag

WIDTH, HEIGHT = 100 * mm, 60 * mm
MARGIN = 4 * mm


def printed(tag: Tag, facility: str) -> bytes:
    embed()
    held = io.BytesIO()
    canvas = Canvas(held, pagesize=(WIDTH, HEIGHT), invariant=True)
    canvas.setTitle(f"Hold tag {tag.number}")
    _boards(canvas)
    canvas.setFont(BOLD, 26)
    canvas.drawString(MARGIN + 13 * mm, HEIGHT - 11.5 * mm, "HELD")
    canvas.setFont(BOLD, 10)
    canvas.drawString(MARGIN + 13 * mm, HEIGHT - 17 * mm, "Not for use. Not for packing.")
    matrix = ECC200DataMatrix(tag.number, barWidth=0.4 * mm)
    matrix.x = matrix.y = 0  # its drawing asks for them, and its own frame leaves the white around it
    matrix.drawOn(canvas, WIDTH - MARGIN - matrix.width, HEIGHT - MARGIN - matrix.height)
    canvas.setLineWidth(1.2)
    canvas.line(MARGIN, HEIGHT - 21.5 * mm, WIDTH - MARGIN - matrix.width - 2 * mm, HEIGHT - 21.5 * mm)
    _facts(canvas, tag, facility)
    bars = Code128(tag.number, barHeight=8 * mm, barWidth=0.33 * mm, humanReadable=False, quiet=True)
    bars.drawOn(canvas, MARGIN - bars.lquiet, 2.5 * mm)
    canvas.showPage()
    canvas.save()
    return held.getvalue()


def _boards(canvas: Canvas) -> None:
    """The glyph of a held load: three boards between two posts."""
    left, bottom, width, height = MARGIN, HEIGHT - 17.5 * mm, 10.5 * mm, 13 * mm
    for post in (left, left + width - 1.4 * mm):
        canvas.rect(post, bottom, 1.4 * mm, height, stroke=0, fill=1)
    for n in range(3):
        canvas.rect(left, bottom + (0.6 + 4.2 * n) * mm, width, 3.4 * mm, stroke=0, fill=1)


def _facts(canvas: Canvas, tag: Tag, facility: str) -> None:
    half = (WIDTH - 2 * MARGIN) / 2
    at = HEIGHT - 25.5 * mm
    for n, (name, value) in enumerate((("Load", tag.name), ("Stands at", tag.place))):
        canvas.setFont(WRITING, 6.5)
        canvas.drawString(MARGIN + n * half, at, name)
        room = half - 2 * mm if n == 0 else half
        sizes = (12.0, 10.0) if n == 0 else (10.0, 9.0, 8.0, 7.0)
        size = next((each for each in sizes if stringWidth(value, BOLD, each) <= room), sizes[-1])
        canvas.setFont(BOLD, size)
        canvas.drawString(MARGIN + n * half, at - 5 * mm, shortened(value, room, size, BOLD))
    at -= 8.6 * mm
    rows: list[tuple[str, Any]] = [("Why:", tag.why), ("Ends when:", tag.ends)]
    for name, value in rows:
        at = _row(canvas, name, value, at)
    right, room = WIDTH - MARGIN, 47 * mm
    canvas.setFont(BOLD, 10)
    canvas.drawRightString(right, 8 * mm, tag.number)
    canvas.setFont(WRITING, 6)
    trays = f"{tag.trays} tray{'' if tag.trays == 1 else 's'}"
    canvas.drawRightString(right, 5.2 * mm, f"{trays} · {tag.cycle_at} · position {tag.position}")
    canvas.drawRightString(right, 2.6 * mm, shortened(facility, room, 6))


def _row(canvas: Canvas, name: str, value: str, at: float) -> float:
    """A name and up to two lines beside it, smaller where they hold more; returns where the next row begins."""
    left = MARGIN + 18.5 * mm
    width = WIDTH - MARGIN - left
    canvas.setFont(BOLD, 7.5)
    canvas.drawString(MARGIN, at, name)
    sizes = (7.5, 7.0, 6.5)
    size = next((each for each in sizes if len(simpleSplit(value, WRITING, each, width)) <= 2), sizes[-1])
    canvas.setFont(WRITING, size)
    lines = simpleSplit(value, WRITING, size, width)
    if len(lines) > 2:
        lines = [lines[0], shortened(" ".join(lines[1:]), width, size)]
    for line in lines:
        canvas.drawString(left, at, line)
        at -= 3.1 * mm
    return float(at - 0.5 * mm)
