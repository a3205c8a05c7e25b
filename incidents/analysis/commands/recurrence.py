"""`recurrence FILE.csv`: the mean cumulative number of faults a unit, by age."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import numpy as np

from incidents.analysis import plots, recurrence, tables
from incidents.analysis.commands import told

HELP = "mean cumulative faults a unit, by age, with bounds"
KINDS = ("start", "event", "end")
SHOWN = 40  # rows on the screen; all of them stand in --json


def options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "file", metavar="FILE.csv", help="columns unit, time and kind (event or end; start if not 0)"
    )
    told.common(parser)


def answer(given: argparse.Namespace) -> told.Answer:
    events, ends, starts = _watched(tables.read(Path(given.file), ["unit", "time", "kind"]))
    if not events:
        return told.Answer(
            {"mcf": [], "units": len(ends)}, [f"No fault in {len(ends)} units: there is no rate of zero."]
        )
    found = recurrence.mean_cumulative(events, ends, starts, confidence=given.confidence)
    names = ("time", "mcf", "variance", "low", "high", "at_risk")
    columns = (*map(told.numbers, found[:-1]), found.at_risk.astype(int).tolist())
    rows = [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]
    keys = {"mcf": rows, "units": len(ends)}
    last = float(np.max(ends))
    return told.Answer(
        keys,
        _lines(rows, len(ends), given.confidence),
        lambda: plots.recurrence(rows, len(ends), last, given.confidence),
    )


def _watched(table: tables.Table) -> tuple[list[float], list[float], list[float]]:
    """Ages of events, of each unit's end and start. Raises Unreadable where a unit can't have been watched so."""
    times = table.numbers("time", least=0)
    at: dict[str, dict[str, tuple[float, int]]] = {kind: {} for kind in ("start", "end")}
    events: list[tuple[str, float, int]] = []
    for place, (unit, kind) in enumerate(zip(table.cells["unit"], table.cells["kind"], strict=True)):
        if not unit:
            raise table.flaw("The cell is empty: which unit?", place, "unit")
        if kind not in KINDS:
            raise table.flaw(f"“{kind[:40]}” is none of {', '.join(KINDS)}.", place, "kind")
        time = float(times[place])
        if kind == "event":
            events.append((unit, time, place))
        elif unit in at[kind]:
            raise table.flaw(f"Unit {unit[:40]} has two rows “{kind}”.", place, "kind")
        else:
            at[kind][unit] = (time, place)
    for unit, (time, place) in at["start"].items():
        if unit not in at["end"] or at["end"][unit][0] <= time:
            raise table.flaw(f"Unit {unit[:40]} starts at {time:g} and has no end after it.", place, "time")
    for unit, time, place in events:
        if unit not in at["end"]:
            raise table.flaw(f"Unit {unit[:40]} has no row “end”: until when was it watched?", place, "unit")
        if time > at["end"][unit][0]:
            raise table.flaw(
                f"Unit {unit[:40]} has an event after its end at {at['end'][unit][0]:g}.", place, "time"
            )
        if unit in at["start"] and 0 < at["start"][unit][0] >= time:
            raise table.flaw(f"Unit {unit[:40]} has an event before it starts.", place, "time")
    ends = [time for time, _ in at["end"].values()]
    return [time for _, time, _ in events], ends, [at["start"].get(unit, (0.0, 0))[0] for unit in at["end"]]


def _lines(rows: list[dict[str, Any]], units: int, confidence: float) -> list[str]:
    lines = [f"{len(rows)} faults of {units} units; bounds {confidence:.0%}, two-sided, on the log scale"]
    lines.append(f"{'age':>12}{'mean':>12}{'variance':>12}{'low':>12}{'high':>12}{'at risk':>9}")
    for row in rows[:SHOWN]:
        figures = "".join(f"{told.digits(row[name]):>12}" for name in ("time", "mcf", "variance", "low", "high"))
        lines.append(f"{figures}{row['at_risk']:>9}")
    if len(rows) > SHOWN:
        lines.append(f"… and {len(rows) - SHOWN} more: --json has them all.")
    return lines
