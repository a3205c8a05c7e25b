"""One finding about one criterion, and how a verdict follows from a number, its worse end and what is doubtful."""

from __future__ import annotations

from typing import Literal, NamedTuple

Verdict = Literal["met", "not-met", "not-proven"]
DoubtKind = Literal["unseen", "sensor", "broken", "limit"]


class Finding(NamedTuple):
    """`uncertainty` is the range that the calibration leaves, empty where none applies; `source` sets the limit."""

    criterion: str
    kind: str
    required: str
    found: str
    uncertainty: str
    verdict: Verdict
    source: str


class Doubt(NamedTuple):
    """Why something can't be proven: not seen, a doubtful sensor, a broken phase, a limit that lacks."""

    kind: DoubtKind
    sentence: str


def at_least(value: float, worse_end: float, limit: float, doubts: list[Doubt]) -> Verdict:
    """Too little as far as was seen: what was not seen, or a doubtful sensor, might have told otherwise."""
    if value < limit:
        return "not-proven" if any(doubt.kind in ("unseen", "sensor") for doubt in doubts) else "not-met"
    return "not-proven" if doubts or worse_end < limit else "met"


def at_most(value: float, worse_end: float, limit: float, doubts: list[Doubt]) -> Verdict:
    """Too much stays too much, whatever was not seen beside it."""
    if value > limit:
        return "not-proven" if any(doubt.kind == "sensor" for doubt in doubts) else "not-met"
    return "not-proven" if doubts or worse_end > limit else "met"


def unset(criterion: str, kind: str, why: str, source: str) -> Finding:
    """Nobody set what this would be held against."""
    return Finding(criterion, kind, "nothing set", why, "", "not-proven", source)


def told(number: float) -> str:
    """Two decimals at most."""
    text = f"{number:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def degrees(celsius: float) -> str:
    return f"{told(celsius)} °C"
