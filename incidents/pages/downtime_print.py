"""Downtime forms on paper: one A4 page each, black on white, with boxes for what the entry page asks.

The rows come from that page's own form, so that paper and page ask the same in the same order.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from django import forms
from reportlab.graphics.barcode.code128 import Code128
from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from incidents.pages.downtime_form import NOT_WRITTEN, EntryForm
from incidents.pages.fonts import BOLD, WRITING, embed, shortened, width_of
from incidents.rules.paper import label_of

WIDTH, HEIGHT = A4
MARGIN, LABELS, LONG_LABELS = 15 * mm, 58 * mm, 108 * mm
TOP, BOTTOM = HEIGHT - 66 * mm, 12 * mm
SIZE, BOX = 8.5, 3.4 * mm
TICKS_AT_MOST = 12  # of more choices than these the paper asks for the name
LINES = {"trays": 4, "words": 3}
CAUTIONS = (
    "One form for each load. Leave blank what you don’t know. Name no patient.",
    "Leave the door shut after an alarm. It unlocks when the water has drained.",
    "A load that was aborted, or whose record can’t be read, is not proven: gloves, apron, visor. Hold it.",
    "Never reach into a tray that you can’t see into: sharps. Racks are hot, floors are wet.",
)
PAPER_ONLY = "Bring this form back, filled in, spoilt or unused: every number is accounted for."


class Row(NamedTuple):
    """A label, and what stands beside it: boxes to tick, or lines to write on."""

    label: str
    ticks: tuple[tuple[str, ...], ...] = ()
    blanks: tuple[str, ...] = ()
    lines: int = 1
    width: float = LABELS


def printed(facility: str, numbers: Sequence[int], form: EntryForm) -> bytes:
    """A PDF with a page for each number."""
    embed()
    held = io.BytesIO()
    canvas = Canvas(held, pagesize=A4, invariant=True)
    canvas.setTitle(f"Downtime forms of {facility}")
    rows = list(rows_of(form))
    for number in numbers:
        _head(canvas, facility, number)
        _body(canvas, rows)
        canvas.showPage()
    canvas.save()
    return held.getvalue()


def rows_of(form: EntryForm) -> Iterator[Row]:
    for name, field in form.fields.items():
        label = str(field.label)
        choices = [str(text) for value, text in getattr(field, "choices", ()) if value != NOT_WRITTEN[0]]
        if name.startswith("criterion"):
            yield Row(label, ticks=(tuple(choices),), width=LONG_LABELS)
        elif name in LINES:
            yield Row(label, lines=LINES[name])
        elif isinstance(field, forms.DateTimeField):
            yield Row(label, blanks=("date", "time"))
        elif name == "claimed_by":
            yield Row(label, blanks=("name", "signature"))
        elif name == "load" or not 0 < len(choices) <= TICKS_AT_MOST:
            yield Row(label)
        else:
            wrapped = tuple(_wrapped(choices))
            yield Row(label, ticks=wrapped, lines=len(wrapped))


def _wrapped(choices: Sequence[str]) -> Iterator[tuple[str, ...]]:
    """Choices to tick, as many on a line as it holds."""
    line: list[str] = []
    used = 0.0
    for text in choices:
        width = _width_of_tick(text)
        if line and used + width > WIDTH - 2 * MARGIN - LABELS:
            yield tuple(line)
            line, used = [], 0.0
        line.append(text)
        used += width
    yield tuple(line)


def _width_of_tick(text: str) -> float:
    return float(BOX + 1.5 * mm + width_of(text, SIZE) + 5 * mm)


def _head(canvas: Canvas, facility: str, number: int) -> None:
    label = label_of(number)
    canvas.setFont(BOLD, 17)
    canvas.drawString(MARGIN, HEIGHT - 20 * mm, f"Downtime form {label}")
    canvas.setFont(WRITING, 10)
    canvas.drawString(MARGIN, HEIGHT - 26 * mm, shortened(facility, 95 * mm, 10))
    code = Code128(label, barHeight=14 * mm, barWidth=0.42 * mm, humanReadable=False)
    left = WIDTH - MARGIN - code.width
    code.drawOn(canvas, left, HEIGHT - 25 * mm)
    canvas.setFont(BOLD, 11)
    canvas.drawCentredString(left + code.width / 2, HEIGHT - 30 * mm, label)
    canvas.rect(MARGIN, HEIGHT - 58 * mm, WIDTH - 2 * MARGIN, 24 * mm, stroke=1, fill=0)
    canvas.setFont(WRITING, SIZE)
    for n, caution in enumerate(CAUTIONS):
        canvas.drawString(MARGIN + 3 * mm, HEIGHT - (39.5 + 5.2 * n) * mm, caution)


def _body(canvas: Canvas, rows: Sequence[Row]) -> None:
    """The rows, as high as the page lets them be; a department with many criteria gets lower ones."""
    step = min(8.6 * mm, (TOP - BOTTOM - 6 * mm) / sum(row.lines for row in rows))
    at = TOP
    for row in rows:
        canvas.setFont(BOLD, SIZE)
        canvas.drawString(MARGIN, at - 0.66 * step, shortened(row.label, row.width - 3 * mm, SIZE, BOLD))
        canvas.setFont(WRITING, SIZE)
        for n in range(row.lines):
            _line(canvas, row, n, at - (n + 0.66) * step)
        at -= row.lines * step
        canvas.setLineWidth(0.3)
        canvas.line(MARGIN, at + 0.06 * step, WIDTH - MARGIN, at + 0.06 * step)
    canvas.setFont(WRITING, SIZE)
    canvas.drawString(MARGIN, BOTTOM, PAPER_ONLY)


def _line(canvas: Canvas, row: Row, n: int, base: float) -> None:
    left, right = MARGIN + row.width, WIDTH - MARGIN
    canvas.setLineWidth(0.8)
    if row.ticks:
        for text in row.ticks[n]:
            canvas.rect(left, base - 0.5 * mm, BOX, BOX, stroke=1, fill=0)
            canvas.drawString(left + BOX + 1.5 * mm, base, text)
            left += _width_of_tick(text)
        return
    blanks = row.blanks or ("",)
    share = (right - left) / len(blanks)
    for place, name in enumerate(blanks):
        start = left + place * share
        canvas.drawString(start, base, name)
        after = start + width_of(name, SIZE) + (2 * mm if name else 0)
        canvas.line(after, base - 0.8 * mm, start + share - 3 * mm, base - 0.8 * mm)
