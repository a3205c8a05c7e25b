"""How a command answers: numbers that exist, `null` where one doesn't, options that are checked, refusals."""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np


class Refused(Exception):
    """What was given can't be answered; the sentence says what and why."""


class Answer(NamedTuple):
    """Keys for programs, lines for people, and a picture for whoever asked for one."""

    keys: Mapping[str, Any]
    lines: Iterable[str]
    picture: Callable[[], str] | None = None


def number(value: Any) -> float | None:
    """A figure as JSON knows it: `None` where there is none or it has no end."""
    told = float(value)
    return told if math.isfinite(told) else None


def numbers(values: Any) -> list[float | None]:
    return [number(value) for value in np.asarray(values, dtype=float).ravel()]


def digits(value: float | None, *, none: str = "none") -> str:
    return none if value is None or not math.isfinite(value) else f"{value:.6g}"


def between(low: float | None, high: float | None) -> str:
    return f"{digits(low)} to {digits(high, none='no upper bound')}"


def written(answer: Answer, *, as_json: bool, svg: str | None) -> str:
    """The answer as text; the picture goes to its file first, so that one that can't be written is told."""
    if svg:
        if answer.picture is None:
            raise Refused("There is nothing to draw here.")
        Path(svg).write_text(answer.picture(), encoding="utf-8")
    return json.dumps(answer.keys, ensure_ascii=False) if as_json else "\n".join(answer.lines)


# --- options ------------------------------------------------------------------------------------------


def common(parser: argparse.ArgumentParser, *, svg: bool = True) -> None:
    parser.add_argument("--confidence", type=confidence, default=0.95, help="two-sided; 0.95 unless told")
    parser.add_argument("--json", action="store_true", help="answer with keys for programs")
    if svg:
        parser.add_argument("--svg", metavar="FILE", help="draw it too")


def finite(text: str) -> float:
    try:
        told = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text} is not a number") from None
    if not math.isfinite(told):
        raise argparse.ArgumentTypeError(f"{text} is not a number that means anything here")
    return told


def positive(text: str) -> float:
    told = finite(text)
    if told <= 0:
        raise argparse.ArgumentTypeError("it must be more than 0")
    return told


def not_negative(text: str) -> float:
    told = finite(text)
    if told < 0:
        raise argparse.ArgumentTypeError("it must be 0 or more")
    return told


def whole(text: str) -> int:
    told = not_negative(text)
    if told != int(told) or told > 2**53:
        raise argparse.ArgumentTypeError("it must be a whole number")
    return int(told)


def confidence(text: str) -> float:
    told = finite(text)
    if not 0 < told < 1:
        raise argparse.ArgumentTypeError("it must be between 0 and 1, as 0.95")
    return told


def weight(text: str) -> float:
    told = positive(text)
    if told > 1:
        raise argparse.ArgumentTypeError("it must be more than 0 and at most 1")
    return told
