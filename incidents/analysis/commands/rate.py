"""`rate --events K --exposure E`: one rate with its exact interval."""

from __future__ import annotations

import argparse

from incidents.analysis import rates
from incidents.analysis.commands import told

HELP = "one rate with its exact interval"


def options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--events", type=told.whole, required=True, metavar="K")
    parser.add_argument(
        "--exposure", type=told.positive, required=True, metavar="E", help="cycles or running hours"
    )
    told.common(parser, svg=False)


def answer(given: argparse.Namespace) -> told.Answer:
    found = rates.exact_interval(given.events, given.exposure, confidence=given.confidence)
    keys = {"rate": float(found.value), "low": float(found.low), "high": float(found.high)}
    words = (
        f"{given.events} in {given.exposure:g}: rate {keys['rate']:.6g},"
        f" {given.confidence:.0%} interval {told.between(keys['low'], keys['high'])} (exact, Garwood)"
    )
    lines = [words]
    if given.events == 0:
        lines.append("None seen is no rate of zero: the upper bound says what is still possible.")
    return told.Answer(keys, lines)
