"""The fonts of what is printed as PDF: embedded, so that every printer prints the same."""

from __future__ import annotations

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

WRITING, BOLD = "Vera", "VeraBd"


def embed() -> None:
    if WRITING not in pdfmetrics.getRegisteredFontNames():
        pdfmetrics.registerFont(TTFont(WRITING, "Vera.ttf"))
        pdfmetrics.registerFont(TTFont(BOLD, "VeraBd.ttf"))


def width_of(text: str, size: float, font: str = WRITING) -> float:
    """How long the text is, in points."""
    return float(pdfmetrics.stringWidth(text, font, size))


def shortened(text: str, width: float, size: float, font: str = WRITING) -> str:
    """The text, cut where it would run into what stands beside it."""
    while width_of(text, size, font) > width:
        text = text.rstrip("…")[:-1] + "…"
    return text
