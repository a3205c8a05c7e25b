"""All rows of a report at once: q-values, each machine beside the rest of the fleet, rates shrunken for ranking.

There is one family of tests for each question (a trend? another rate than the rest? did the repair work?), and in
it every machine × fault for which the question has an answer (Benjamini and Hochberg 1995). A machine in which a
fault never came up is asked about its rate like the others. Counts of which no split is unlikely enough are not
asked (Tarone 1990): their sum tells that beforehand, and without them the others keep their force.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from incidents.analysis import rates, recurrence
from incidents.analysis.machine_figures import HUNDRED, figure
from incidents.analysis.told_figures import (
    FALLING,
    NOTHING,
    RISING,
    TOO_FEW,
    Figures,
    Final,
    Fleet,
    Rate,
    Repair,
)

Floats = NDArray[np.float64]
ALPHA = 0.05


class Report(NamedTuple):
    """A verdict for each row by machine and fault, and the fleet's figures by fault."""

    finals: dict[tuple[str, str], Final]
    fleet: dict[str, Fleet]


def final(rows: Mapping[str, Sequence[Figures]], *, confidence: float = 0.95) -> Report:
    """The last look at a report; `rows` are by machine, and their order changes nothing."""
    machines = sorted(name for name in rows if rows[name] and rows[name][0].cycles)
    mine = {name: {one.fault: one for one in rows[name]} for name in machines}
    faults = sorted({fault for name in machines for fault in mine[name]})
    cycles = np.array([rows[name][0].cycles for name in machines], dtype=np.float64)
    counts = np.array(
        [[mine[name][fault].count if fault in mine[name] else 0 for name in machines] for fault in faults],
        dtype=np.float64,
    ).reshape(len(faults), len(machines))
    told = [(name, one) for name in machines for one in mine[name].values()]
    if not faults:
        return Report({}, {})
    beside = _Beside(counts, cycles, confidence)
    trend_q = _q([one.trend.p if one.trend else None for _, one in told])
    repair_q = _q([one.repair.fluke if one.repair and _can_tell(one.repair) else None for _, one in told])
    finals = {}
    for place, (name, one) in enumerate(told):
        at = (faults.index(one.fault), machines.index(name))
        finals[name, one.fault] = Final(
            verdict=verdict(one, trend_q[place]),
            trend_q=trend_q[place],
            repaired=shown(repair_q[place]),
            repair_q=repair_q[place],
            **beside.told(*at),
        )
    return Report(finals, {fault: _fleet(fault, mine, machines, beside, n) for n, fault in enumerate(faults)})


def verdict(of: Figures, q: float | None) -> str:
    """Rising or falling only where q says so: the trend's p after all others of the report are counted in."""
    if of.trend is None:
        return TOO_FEW
    shape = of.trend.likeliest.shape
    if not shown(q) or shape is None:
        return NOTHING
    return RISING if shape > 1 else FALLING


def shown(q: float | None) -> bool:
    return q is not None and q <= ALPHA


def _q(p: Sequence[float | None]) -> list[float | None]:
    found = rates.q_values(np.array([np.nan if one is None else one for one in p], dtype=np.float64))
    return [figure(one) for one in found]


def _can_tell(one: Repair) -> bool:
    """Could so many faults, had all come before it, show that it worked?"""
    return bool(0.5 ** (one.before + one.after) <= ALPHA)


class _Beside:
    """Each machine beside the rest of the fleet, a row a fault."""

    def __init__(self, counts: Floats, cycles: Floats, confidence: float) -> None:
        self.counts, self.cycles, self.confidence = counts, cycles, confidence
        self.rest = counts.sum(axis=1, keepdims=True) - counts
        self.rest_cycles = cycles.sum() - cycles
        self.alone = cycles.size < 2
        self.shrunken = rates.shrunken(counts, np.broadcast_to(cycles, counts.shape), confidence=confidence)
        order = np.argsort(-self.shrunken.value, axis=1, kind="stable")
        self.rank = np.argsort(order, axis=1, kind="stable") + 1
        if not self.alone:
            over = np.where(self.rest_cycles > 0, self.rest_cycles, 1.0)
            self.found = rates.compare(counts, cycles, self.rest, over, confidence=confidence)
            both, share = counts + self.rest, cycles / (cycles + over)
            least = 2 * np.minimum(share**both, (1 - share) ** both)
            self.q = rates.q_values(np.where(least <= ALPHA, self.found.p_central, np.nan))

    def told(self, fault: int, machine: int) -> dict[str, Any]:
        at = (fault, machine)
        value, low, high, weight = (figure(column[at]) for column in np.broadcast_arrays(*self.shrunken))
        pulled = [HUNDRED * one for one in (value, low, high) if one is not None]
        keys: dict[str, Any] = {
            "rest_count": int(self.rest[at]),
            "rest_cycles": int(self.rest_cycles[machine]),
            "shrunken": Rate(*pulled) if len(pulled) == 3 else None,
            "weight": weight,
            "rank": int(self.rank[at]),
        }
        names = ("ratio", "ratio_low", "ratio_high", "fleet_p", "fleet_q")
        if self.alone:
            return keys | dict.fromkeys(names) | {"above": False, "below": False}
        columns = (self.found.ratio, self.found.low, self.found.high, self.found.p_central, self.q)
        keys |= {name: figure(column[at]) for name, column in zip(names, columns, strict=True)}
        more = self.counts[at] * self.rest_cycles[machine] > self.rest[at] * self.cycles[machine]
        differs = shown(keys["fleet_q"])
        return keys | {"above": bool(differs and more), "below": bool(differs and not more)}


def _fleet(
    fault: str, mine: Mapping[str, Mapping[str, Figures]], machines: Sequence[str], beside: _Beside, row: int
) -> Fleet:
    counts, cycles = beside.counts[row], beside.cycles
    pooled = rates.exact_interval(counts.sum(), cycles.sum() / HUNDRED, confidence=beside.confidence)
    alike = rates.homogeneity(counts, cycles)
    at = np.concatenate([mine[name][fault].at for name in machines if fault in mine[name]] or [[]])
    age = mean = low = high = None
    if at.size:
        found = recurrence.mean_cumulative(at, cycles, confidence=beside.confidence)
        age, mean, low, high = (figure(column[-1]) for column in (found.times, found.mean, found.low, found.high))
    return Fleet(
        fault,
        len(machines),
        int(counts.sum()),
        int(cycles.sum()),
        Rate(float(pooled.value), float(pooled.low), float(pooled.high)),
        None if beside.alone else figure(float(alike.chi2)),
        alike.df,
        None if beside.alone else figure(float(alike.p)),
        age,
        mean,
        low,
        high,
    )
