"""`annunciation FILE.csv`: how alarms came, and how soon somebody saw them."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from incidents.analysis import annunciation, plots, tables
from incidents.analysis.commands import told
from incidents.analysis.rates import Floats

HELP = "alarms: how many, floods, chattering, stale, priorities, time to acknowledge"
TIMES = ("raised_at", "cleared_at", "acknowledged_at")


def options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE.csv", help=f"columns {', '.join(TIMES)} (ISO 8601), source, priority")
    parser.add_argument(
        "--until", type=_moment, metavar="TIME", help="when it was looked; the last time in the file"
    )
    parser.add_argument("--operators", type=told.positive, help="people who answer alarms, for rates by operator")
    parser.add_argument("--hours", type=told.positive, help="hours that they were there")
    parser.add_argument("--cycles", type=told.positive, help="cycles in that time, for a rate by 100 cycles")
    told.common(parser)


def answer(given: argparse.Namespace) -> told.Answer:
    if (given.operators is None) != (given.hours is None):
        raise told.Refused("--operators and --hours go together.")
    table = tables.read(Path(given.file), [*TIMES, "source", "priority"])
    raised, cleared, seen, now = _times(table, given.until)
    try:
        counts, begins = annunciation.windows(raised)
    except ValueError as error:
        raise told.Refused(f"{error}") from None
    sources = np.array(table.cells["source"])
    kept = _each(sources, annunciation.collapsed, raised)
    chattering = _each(sources, annunciation.chatters, raised)
    brief = _each(sources, annunciation.fleeting, raised, cleared, seen)
    stale = annunciation.stale(raised, cleared, now)
    found = annunciation.floods(counts)
    top = annunciation.shares(table.cells["source"])
    keys: dict[str, Any] = {
        "count": int(raised.size),
        "collapsed": int(kept.sum()),
        "per_10_min": counts.astype(int).tolist(),
        "per_10_min_from": _iso(begins),
        "per_10_min_mean": float(counts.mean()),
        "per_10_min_peak": int(counts.max()),
        "floods": [_flood(begins + one.start * 600, begins + one.end * 600, one) for one in found],
        "floods_sliding": [_flood(one.start, one.end, one) for one in annunciation.sliding_floods(raised)],
        "flood_share": float(annunciation.in_flood(counts).mean()),
        "chattering": _by_source(sources[chattering]),
        "fleeting": _by_source(sources[brief & ~chattering]),
        "stale": _by_source(sources[stale]),
        "priority_share": annunciation.shares(table.cells["priority"]),
        "priority_share_collapsed": annunciation.shares(np.array(table.cells["priority"])[kept].tolist()),
        "top_share": float(sum(list(top.values())[: annunciation.TOP])),
        "top_sources": dict(list(top.items())[: annunciation.TOP]),
        "time_to_acknowledge": _waited(annunciation.waited(raised, seen, now)),
        "time_to_clear": _waited(annunciation.waited(raised, cleared, now)),
    }
    if given.operators:
        hourly = annunciation.operator_rates(raised.size, given.operators, given.hours)
        keys |= hourly._asdict()
    if given.cycles:
        keys["per_100_cycles"] = 100 * raised.size / given.cycles
    lines = _lines(keys)
    return told.Answer(keys, lines, lambda: plots.windows(counts, annunciation.FLOOD_ABOVE, lines[0]))


def _times(table: tables.Table, until: datetime | None) -> tuple[Floats, Floats, Floats, float]:
    """Raised, cleared and acknowledged, and the moment at which it was looked."""
    raised, *others = (table.moments(name, empty=name != "raised_at") for name in TIMES)
    given = [cell for name in TIMES for cell in table.cells[name] if cell]
    aware = {moment.tzinfo is not None for cell in given if (moment := tables.as_moment(cell))}
    if len(aware) > 1 or (until is not None and aware != {until.tzinfo is not None}):
        raise told.Refused("Some times have an offset and some have none.")
    for place in range(raised.size):
        if place and raised[place] < raised[place - 1]:
            raise table.flaw("The alarm was raised before the one above it: sort them.", place, "raised_at")
        for name, times in zip(TIMES[1:], others, strict=True):
            if times[place] < raised[place]:
                raise table.flaw("It lies before the alarm was raised.", place, name)
        for name in ("source", "priority"):
            if not table.cells[name][place]:
                raise table.flaw("The cell is empty.", place, name)
    last = float(np.nanmax(np.concatenate([raised, *others])))
    if until is None:
        return raised, *others, last  # type: ignore[return-value]
    if tables.seconds(until) < last:
        raise told.Refused(f"A time in the file ({_iso(last)}) lies beyond --until.")
    return raised, *others, tables.seconds(until)  # type: ignore[return-value]


def _each(sources: NDArray[Any], figure: Callable[..., NDArray[np.bool_]], *columns: Floats) -> NDArray[np.bool_]:
    """A figure of one source's alarms, for each source, back in the file's order."""
    told_of = np.zeros(sources.size, dtype=bool)
    order = np.argsort(sources, kind="stable")
    edges = np.flatnonzero(np.append(True, sources[order][1:] != sources[order][:-1]))
    for rows in np.split(order, edges[1:]):
        told_of[rows] = figure(*(column[rows] for column in columns))
    return told_of


def _by_source(sources: NDArray[Any]) -> dict[str, int]:
    names, counts = np.unique(sources, return_counts=True)
    return {str(names[place]): int(counts[place]) for place in np.lexsort((names, -counts))}


def _flood(start: float, end: float, one: annunciation.Flood) -> dict[str, Any]:
    return {"from": _iso(start), "to": _iso(end), "alarms": one.alarms, "peak": one.peak}


def _waited(one: annunciation.Waited) -> dict[str, Any]:
    return {
        "median_s": told.number(one.median),
        "p90_s": told.number(one.p90),
        "n": one.served,
        "censored": one.waiting,
    }


def _iso(at: float) -> str:
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=at)).isoformat().replace("+00:00", "Z")


def _moment(text: str) -> datetime:
    moment = tables.as_moment(text)
    if moment is None:
        raise argparse.ArgumentTypeError(f"{text} is no time in ISO 8601, as in 2026-11-24T02:09:41Z")
    return moment


def _lines(keys: dict[str, Any]) -> list[str]:
    def listed(name: str) -> str:
        return ", ".join(f"{source} ({count})" for source, count in list(keys[name].items())[:5]) or "none"

    def took(name: str) -> str:
        one = keys[name]
        median, most = (told.digits(one[share], none="unknown") for share in ("median_s", "p90_s"))
        return f"median {median} s, 90 % {most} s; {one['censored']} not yet"

    lines = [
        f"{keys['count']} alarms, {keys['collapsed']} with chattering collapsed; at most {keys['per_10_min_peak']}"
        f" in ten minutes, {keys['per_10_min_mean']:.3g} on the average",
        f"floods: {len(keys['floods'])} by the clock ({keys['flood_share']:.1%} of the time),"
        f" {len(keys['floods_sliding'])} by a sliding window",
        f"chattering: {listed('chattering')}; fleeting: {listed('fleeting')}; stale: {listed('stale')}",
        "priorities: " + ", ".join(f"{name} {share:.0%}" for name, share in keys["priority_share"].items()),
        f"the ten commonest sources: {keys['top_share']:.0%}",
        f"acknowledged: {took('time_to_acknowledge')}",
        f"cleared: {took('time_to_clear')}",
    ]
    if "per_operator_hour" in keys:
        lines.append(f"{keys['per_operator_hour']:.3g} for each operator and hour")
    if "per_100_cycles" in keys:
        lines.append(f"{keys['per_100_cycles']:.3g} in 100 cycles")
    return lines
