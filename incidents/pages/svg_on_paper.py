"""Our own pictures on paper: the few kinds of SVG element that `analysis/cycle_plot.py` writes, black on white."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any
from xml.etree import ElementTree

from reportlab.pdfgen.canvas import Canvas

from incidents.pages.fonts import BOLD, WRITING, width_of

_STEP = re.compile(r"([MLHVZhvlma])|(-?\d+(?:\.\d+)?)")
_NEEDS = {"M": 2, "L": 2, "H": 1, "V": 1, "h": 1, "v": 1, "l": 2, "m": 2, "a": 7, "Z": 0}
HATCH = 7.0


def draw(canvas: Canvas, svg: str, x: float, y: float, width: float) -> float:
    """Draw the picture with its lower left corner there, so wide; returns its height, in points."""
    root = ElementTree.fromstring(svg)
    across, up = (float(part) for part in root.attrib["viewBox"].split()[2:])
    scale = width / across
    canvas.saveState()
    canvas.translate(x, y + up * scale)
    canvas.scale(scale, -scale)
    canvas.setLineJoin(1)
    for element in root:
        _element(canvas, element)
    canvas.restoreState()
    return up * scale


def _element(canvas: Canvas, element: ElementTree.Element) -> None:
    kind, told = element.tag, element.attrib
    if kind == "text":
        _text(canvas, element)
    elif kind == "rect":
        x, y, width, height = (float(told[name]) for name in ("x", "y", "width", "height"))
        if told.get("fill", "").startswith("url("):
            _hatched(canvas, x, y, width, height)
        elif told.get("fill") == "currentColor":
            _hatched(canvas, x, y, width, height, apart=6.0, weight=0.25)
        if "stroke" in told:
            canvas.setLineWidth(1)
            canvas.setDash()
            canvas.rect(x, y, width, height)
    elif kind == "path":
        _path(canvas, element)


def _path(canvas: Canvas, element: ElementTree.Element) -> None:
    told = element.attrib
    canvas.setLineWidth(float(told.get("stroke-width", "1")))
    canvas.setDash([float(part) for part in told.get("stroke-dasharray", "").split()] or [])
    fill = told.get("fill") == "currentColor" or told.get("class") == "plot-mark"
    drawn, here = canvas.beginPath(), (0.0, 0.0)
    for step, numbers in _steps(told["d"]):
        here = _moved(drawn, step, numbers, here)
    if fill:
        canvas.setFillGray(1 if told.get("class") == "plot-mark" else 0)
    canvas.drawPath(drawn, stroke=1, fill=int(fill))
    canvas.setFillGray(0)


def _steps(d: str) -> Iterator[tuple[str, list[float]]]:
    """Each step with its numbers; a step that goes on without its letter is told again."""
    step = ""
    numbers: list[float] = []
    for letter, number in _STEP.findall(d):
        if letter:
            step, numbers = letter, []
        else:
            numbers.append(float(number))
        if step and len(numbers) == _NEEDS[step]:
            yield step, numbers
            numbers = []


def _moved(drawn: Any, step: str, numbers: list[float], here: tuple[float, float]) -> tuple[float, float]:
    x, y = here
    if step == "Z":
        drawn.close()
        return here
    if step == "a":  # only ever half a circle, to the right or back
        radius = numbers[0]
        begin = 180 if numbers[5] > 0 else 0
        left, right = sorted((x, x + numbers[5]))
        drawn.arc(left, y - radius, right, y + radius, begin, 180)
        return (x + numbers[5], y + numbers[6])
    target = {
        "M": lambda: (numbers[0], numbers[1]),
        "L": lambda: (numbers[0], numbers[1]),
        "H": lambda: (numbers[0], y),
        "V": lambda: (x, numbers[0]),
        "h": lambda: (x + numbers[0], y),
        "v": lambda: (x, y + numbers[0]),
        "l": lambda: (x + numbers[0], y + numbers[1]),
        "m": lambda: (x + numbers[0], y + numbers[1]),
    }[step]()
    (drawn.moveTo if step in "Mm" else drawn.lineTo)(*target)
    return target


def _hatched(
    canvas: Canvas, x: float, y: float, width: float, height: float, apart: float = HATCH, weight: float = 0.6
) -> None:
    canvas.saveState()
    frame = canvas.beginPath()
    frame.rect(x, y, width, height)
    canvas.clipPath(frame, stroke=0, fill=0)
    canvas.setLineWidth(weight)
    canvas.setDash()
    at = x - height
    while at < x + width:
        canvas.line(at, y + height, at + height, y)
        at += apart
    canvas.restoreState()


def _text(canvas: Canvas, element: ElementTree.Element) -> None:
    told, words = element.attrib, "".join(element.itertext())
    kind = told.get("class", "")
    font, size = (BOLD if kind == "plot-caption" else WRITING), (9.5 if kind == "plot-small" else 12.0)
    length = width_of(words, size, font)
    x, y = float(told["x"]), float(told["y"])
    x -= {"middle": length / 2, "end": length}.get(told.get("text-anchor", "start"), 0.0)
    canvas.saveState()
    canvas.translate(x, y)
    canvas.scale(1, -1)
    if kind == "plot-halo":
        canvas.setFillGray(1)
        canvas.rect(-1, -2.5, length + 2, size + 1, stroke=0, fill=1)
        canvas.setFillGray(0)
    canvas.setFont(font, size)
    canvas.drawString(0, 0, words)
    canvas.restoreState()
