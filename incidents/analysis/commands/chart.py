"""`chart --kind … FILE.csv`: a control chart of a column, and which points lie beyond its limits."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import numpy as np

from incidents.analysis import charts, plots, run_lengths, tables
from incidents.analysis.commands import told
from incidents.analysis.rates import Floats

HELP = "a control chart and the points beyond its limits"
COLUMNS = {
    "c": ("count",),
    "u": ("count", "exposure"),
    "p": ("count", "n"),
    "imr": ("x",),
    "g": ("count",),
    "t": ("gap",),
    "ewma": ("x",),
    "cusum": ("x",),
}
MEASURED = ("imr", "ewma", "cusum")
BY_POINT = ("u", "p", "ewma")
K_SIGMA, H_SIGMA = 0.5, 5.0  # of a CUSUM that notices a shift of one σ: one false alarm in 465 points


def options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "file", metavar="FILE.csv", help="; ".join(f"{k}: {', '.join(v)}" for k, v in COLUMNS.items())
    )
    parser.add_argument("--kind", choices=tuple(COLUMNS), required=True)
    parser.add_argument("--target", type=told.finite, help="centre; the mean unless told")
    parser.add_argument("--sigma", type=told.positive, help="by the mean moving range unless told")
    parser.add_argument("--k", type=told.not_negative, help="cusum, in the data’s unit; half a sigma unless told")
    parser.add_argument("--h", type=told.positive, help="cusum, in the data’s unit; five sigma unless told")
    parser.add_argument("--weight", type=told.weight, default=0.2, help="ewma; 0.2 unless told")
    parser.add_argument("--width", type=told.positive, default=3.0, help="ewma, in sigma; 3 unless told")
    told.common(parser)


def answer(given: argparse.Namespace) -> told.Answer:
    for name, kinds in (("target", MEASURED), ("sigma", MEASURED), ("k", ("cusum",)), ("h", ("cusum",))):
        if getattr(given, name) is not None and given.kind not in kinds:
            raise told.Refused(f"--{name} means nothing on a chart of kind {given.kind}.")
    columns = _columns(given)
    if given.kind in MEASURED:
        return _measured(given, columns[0])
    chart: charts.Chart = getattr(charts, given.kind)(*columns)
    return _told(given.kind, chart, {})


def _columns(given: argparse.Namespace) -> list[Floats]:
    names = COLUMNS[given.kind]
    table = tables.read(Path(given.file), names)
    if given.kind in MEASURED:
        return [table.numbers("x")]
    if given.kind == "t":
        return [table.numbers("gap", least=0)]
    columns = [table.numbers("count", whole=True, least=0)]
    if len(names) > 1:
        columns.append(table.numbers(names[1], whole=names[1] == "n", least=0))
        for place, (count, over) in enumerate(zip(*columns, strict=True)):
            if over == 0:
                raise table.flaw("It is 0: without exposure there is no rate.", place, names[1])
            if names[1] == "n" and count > over:
                raise table.flaw(f"There are {count:g} of {over:g}.", place, "count")
    return columns


def _measured(given: argparse.Namespace, x: Floats) -> told.Answer:
    sigma = charts.spread(x) if given.sigma is None else given.sigma
    if not sigma > 0 and not (given.kind == "cusum" and None not in (given.k, given.h)):
        raise told.Refused("The values don’t vary, or there is only one: give --sigma.")
    target = float(x.mean()) if given.target is None else given.target
    if given.kind == "ewma":
        chart = charts.ewma(x, target=target, sigma=sigma, weight=given.weight, width=given.width)
        return _told("ewma", chart, {"sigma": sigma})
    if given.kind == "cusum":
        return _cusum(given, x, target, sigma)
    both = charts.individuals(x, target=target, sigma=sigma)
    ranges = {"center": both.ranges.center, "ucl": float(both.ranges.ucl), "signals": list(both.ranges.signals)}
    return _told("imr", both.values, {"sigma": sigma, "moving_range": ranges})


def _cusum(given: argparse.Namespace, x: Floats, target: float, sigma: float) -> told.Answer:
    k = K_SIGMA * sigma if given.k is None else given.k
    h = H_SIGMA * sigma if given.h is None else given.h
    found = charts.cusum(x, target=target, k=k, h=h)
    more: dict[str, Any] = {"target": target, "k": k, "h": h}
    if sigma > 0 and k / sigma < 5 and h / sigma < 50:
        more["run_in_control"] = told.number(run_lengths.cusum(k / sigma, h / sigma))
    more |= {"upper": told.numbers(found.upper), "lower": told.numbers(found.lower)}
    keys = {"kind": "cusum", "center": target, "lcl": None, "ucl": h, "signals": list(found.signals), **more}
    run = told.digits(more.get("run_in_control"), none="not told")
    lines = [
        f"cusum of {x.size} points: target {target:.6g}, k {k:.6g}, h {h:.6g}; in control a signal each {run}",
        _signals(found.signals),
    ]
    series = {"above the target": found.upper, "below it (dashed)": found.lower}
    return told.Answer(keys, lines, lambda: plots.chart(series, keys | {"center": 0.0}, "cusum"))


def _told(kind: str, chart: charts.Chart, more: dict[str, Any]) -> told.Answer:
    keys: dict[str, Any] = {"kind": kind, "center": chart.center, "signals": list(chart.signals)}
    for name, limit in (("lcl", chart.lcl), ("ucl", chart.ucl)):
        keys[name] = told.numbers(limit) if kind in BY_POINT else told.number(limit)
    keys |= {"points": told.numbers(chart.points), **more}
    low, high = (np.asarray(limit).ravel()[-1] for limit in (chart.lcl, chart.ucl))
    last = " (at the last point)" if kind in BY_POINT else ""
    lines = [
        f"{kind} chart of {chart.points.size}: centre {chart.center:.6g}, limits {low:.6g} and {high:.6g}{last}",
        _signals(chart.signals),
    ]
    return told.Answer(keys, lines, lambda: plots.chart({"each": chart.points}, keys, kind))


def _signals(places: tuple[int, ...]) -> str:
    return f"beyond the limits: {', '.join(map(str, places))}" if places else "no point lies beyond the limits"
