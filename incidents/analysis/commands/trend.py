"""`trend FILE.csv`: whether one machine's faults come faster or slower, and at what rate they come now."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import numpy as np

from incidents.analysis import crow, growth, plots, tables
from incidents.analysis.commands import told

HELP = "whether faults come faster or slower: trend tests and the power law"
TOO_FEW = "too few to say"
WORDS = {"rising": "Faults come faster.", "falling": "Faults come slower.", "no trend shown": "No trend is shown."}


def options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE.csv", help="a column “time”: cumulative cycles or running hours")
    parser.add_argument("--until", type=told.positive, metavar="T", help="where the observation ends")
    parser.add_argument("--truncation", choices=("time", "failure"), help="time with --until, else failure")
    parser.add_argument("--groups", action="store_true", help="read columns from, to and count instead")
    parser.add_argument("--ahead", type=told.positive, metavar="N", help="expect faults in the next N cycles")
    told.common(parser)


def answer(given: argparse.Namespace) -> told.Answer:
    return _grouped(given) if given.groups else _single(given)


def _single(given: argparse.Namespace) -> told.Answer:
    of = _observed(given)
    found = growth.trends(of)
    keys: dict[str, Any] = {"n": int(of.n[0]), "until": float(of.until[0])}
    keys["truncation"] = "failure" if of.by_failure else "time"
    for name, values in found._asdict().items():
        keys[name] = told.number(values[0])
    keys["reversals"] = int(found.reversals[0])
    keys["unevenness"] = told.number(growth.unevenness(of)[0])
    keys["uneven"] = bool(growth.uneven(of)[0])
    keys["trend_p"] = told.number(growth.trend_p(of, found)[0])
    keys["cvm"] = told.number(growth.fit_distance(of)[0])
    keys["cvm_critical_10"] = crow.critical(float(of.used[0]))
    likeliest = growth.by_likelihood(of, confidence=given.confidence)
    keys["mle"] = _law(likeliest)
    keys["modified"] = _law(growth.modified(of, confidence=given.confidence))
    if given.ahead:
        keys["forecast"] = _forecast(of, given)
    keys["verdict"] = _verdict(keys, 1 - given.confidence)
    times = of.times[0]
    return told.Answer(keys, _lines(keys, given), lambda: plots.cumulative(times, keys, given.confidence))


def _observed(given: argparse.Namespace) -> growth.Histories:
    table = tables.read(Path(given.file), ["time"])
    times = table.numbers("time")
    for place, time in enumerate(times):
        if time <= 0:
            raise table.flaw(
                f"The time {time:g} isn’t above 0: count from where the history begins.", place, "time"
            )
        if place and time < times[place - 1]:
            raise table.flaw(f"The time {time:g} stands after {times[place - 1]:g}: sort them.", place, "time")
        if given.until is not None and time > given.until:
            raise table.flaw(f"The time {time:g} lies beyond --until {given.until:g}.", place, "time")
    truncation = given.truncation or ("failure" if given.until is None else "time")
    if truncation == "time" and given.until is None:
        raise told.Refused("A history that ends by time needs --until: where did the observation end?")
    if truncation == "failure" and given.until not in (None, times[-1]):
        raise told.Refused(f"A history that ends with its last fault ends at {times[-1]:g}, not {given.until:g}.")
    by_failure = truncation == "failure"
    return growth.histories([times], None if by_failure else given.until, by_failure=by_failure)


def _law(law: growth.PowerLaw) -> dict[str, float | None]:
    one = {name: told.number(values[0]) for name, values in law._asdict().items()}
    return _named(one)


def _named(one: dict[str, float | None]) -> dict[str, float | None]:
    return {
        "beta": one["shape"],
        "beta_low": one.get("shape_low"),
        "beta_high": one.get("shape_high"),
        "lambda": one["scale"],
        "rate_now": one["rate"],
        "mtbf_now": one["mtbf"],
        "mtbf_now_low": one["mtbf_low"],
        "mtbf_now_high": one["mtbf_high"],
    }


def _forecast(of: growth.Histories, given: argparse.Namespace) -> dict[str, float | None]:
    found = crow.forecast(
        of.n, of.log_sum, of.until, given.ahead, confidence=given.confidence, by_failure=of.by_failure
    )
    told_of = {name: told.number(values[0]) for name, values in found._asdict().items()}
    return {"ahead": given.ahead, **told_of}


def _verdict(keys: dict[str, Any], alpha: float) -> str:
    """Rising or falling by the power law's test, or where gaps are uneven by the one that bears that."""
    if keys["n"] < growth.FEWEST:
        return TOO_FEW
    p = keys["trend_p"]
    if keys["mle"]["beta"] is None or p is None or p >= alpha:
        return "no trend shown"
    return "rising" if keys["mle"]["beta"] > 1 else "falling"


def _grouped(given: argparse.Namespace) -> told.Answer:
    if given.until is not None or given.truncation == "failure" or given.ahead:
        raise told.Refused("With --groups the last interval’s end is the end: leave out the other options.")
    table = tables.read(Path(given.file), ["from", "to", "count"])
    begin, end = table.numbers("from", least=0), table.numbers("to")
    counts = table.numbers("count", whole=True, least=0)
    before = 0.0
    for place, (a, b) in enumerate(zip(begin, end, strict=True)):
        if a != before:
            raise table.flaw(
                f"The interval begins at {a:g}, not at {before:g} where the last ended.", place, "from"
            )
        if b <= a:
            raise table.flaw(f"The interval ends at {b:g}, not after {a:g}.", place, "to")
        before = b
    if counts.size < 2 or counts.sum() == 0:
        raise told.Refused("There must be at least two intervals and one fault.")
    try:
        found = crow.grouped(np.append(0.0, end), counts, confidence=given.confidence)
    except ValueError as error:
        raise told.Refused(f"{error}.") from None
    told_of: dict[str, Any] = {name: told.number(value) for name, value in found._asdict().items()}
    keys: dict[str, Any] = {
        "n": int(counts.sum()),
        "until": float(end[-1]),
        "truncation": "time",
        "intervals": int(counts.size),
    }
    keys |= {name: told_of[name] for name in ("laplace_z", "laplace_p", "fit_chi2", "fit_df", "fit_p")}
    keys["mle"] = _named(told_of)
    rising = "rising" if keys["laplace_z"] > 0 else "falling"
    shown = keys["laplace_p"] < 1 - given.confidence
    keys["verdict"] = TOO_FEW if keys["n"] < growth.FEWEST else rising if shown else "no trend shown"
    lines = [
        f"{keys['n']} faults in {counts.size} intervals up to {end[-1]:g}",
        f"Laplace, by interval: z {keys['laplace_z']:.4g}, p {keys['laplace_p']:.4g}",
        _law_line("likeliest", keys["mle"], given.confidence),
        f"fit: χ² {told.digits(keys['fit_chi2'])} on {keys['fit_df']} (p {told.digits(keys['fit_p'])})",
        _said(keys["verdict"]),
    ]
    return told.Answer(keys, lines)


# --- words --------------------------------------------------------------------------------------------


def _lines(keys: dict[str, Any], given: argparse.Namespace) -> list[str]:
    def of(name: str) -> str:
        return told.digits(keys[name])

    fit = (
        ""
        if keys["cvm_critical_10"] is None
        else f" (a power law exceeds {keys['cvm_critical_10']:.4g} once in ten)"
    )
    lines = [
        f"{keys['n']} faults up to {keys['until']:g}, ended by {keys['truncation']}",
        f"reverse arrangements {of('reversals')} (p {of('reversals_p')})",
        f"Laplace z {of('laplace_z')} (p {of('laplace_p')});"
        f" Lewis and Robinson z {of('lewis_robinson_z')} (p {of('lewis_robinson_p')})",
        f"MIL-HDBK-189 χ² {of('mil_hdbk_chi2')} on {of('mil_hdbk_df')} (p {of('mil_hdbk_p')})",
        _law_line("likeliest", keys["mle"], given.confidence),
        _law_line("modified", keys["modified"], given.confidence),
        f"Cramér and von Mises C² {of('cvm')}{fit}",
    ]
    if "forecast" in keys:
        ahead = keys["forecast"]
        lines.append(
            f"next {ahead['ahead']:g}: {told.digits(ahead['expected'])} expected,"
            f" {given.confidence:.0%} between {told.between(ahead['low'], ahead['high'])}"
        )
    by = "Lewis and Robinson’s, for the gaps are uneven" if keys["uneven"] else "MIL-HDBK-189’s"
    return [*lines, f"unevenness of the gaps {of('unevenness')}: the verdict goes by {by}", _said(keys["verdict"])]


def _law_line(name: str, law: dict[str, float | None], confidence: float) -> str:
    low, high = law["mtbf_now_low"], law["mtbf_now_high"]
    bounds = "bounds not given" if low is None else f"{confidence:.0%} {told.between(low, high)}"
    return (
        f"power law, {name}: shape {told.digits(law['beta'])}, scale {told.digits(law['lambda'])},"
        f" one fault in {told.digits(law['mtbf_now'])} now ({bounds})"
    )


def _said(verdict: str) -> str:
    return WORDS.get(verdict, f"{verdict}: fewer than {growth.FEWEST} faults show no trend.".capitalize())
