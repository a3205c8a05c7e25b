"""`compare --a K --a-exposure E --b K --b-exposure E`: two rates, by the exact conditional test."""

from __future__ import annotations

import argparse

from incidents.analysis import rates
from incidents.analysis.commands import told

HELP = "two rates: their ratio, and how easily chance alone does it"


def options(parser: argparse.ArgumentParser) -> None:
    for side in ("a", "b"):
        parser.add_argument(f"--{side}", type=told.whole, required=True, metavar="K")
        parser.add_argument(
            f"--{side}-exposure", type=told.positive, required=True, metavar="E", help="cycles or running hours"
        )
    told.common(parser, svg=False)


def answer(given: argparse.Namespace) -> told.Answer:
    found = rates.compare(given.a, given.a_exposure, given.b, given.b_exposure, confidence=given.confidence)
    keys = {name: told.number(getattr(found, name)) for name in ("ratio", "low", "high", "p_central", "p_minlike")}
    return told.Answer(
        keys,
        [
            f"a {given.a} in {given.a_exposure:g}, b {given.b} in {given.b_exposure:g}",
            f"rate a / rate b {told.digits(keys['ratio'])}, {given.confidence:.0%} interval"
            f" {told.between(keys['low'], keys['high'])} (exact, conditional on the sum)",
            f"p {keys['p_central']:.4g} as twice the smaller tail, which goes with the interval;"
            f" {keys['p_minlike']:.4g} by minimum likelihood",
        ],
    )
