"""The figures of each machine's faults. What is said of one never depends on which others came with it, to the
last bit, so that any split of a fleet into chunks gives the same rows. `verdicts.py` looks at all of them at once.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from incidents.analysis import charts, crow, growth, rates, recurrence
from incidents.analysis.exposure import TOGETHER, Boundary, Occurrences, Watched
from incidents.analysis.told_figures import CameBack, Figures, Law, Rate, Repair, Stay, Trend, Watch, Weeks

Floats = NDArray[np.float64]
HUNDRED = 100.0
WEEK_S = 7 * 86400.0
NARROWEST = 4


# --- machine by machine -------------------------------------------------------------------------------


def reduced(machines: Sequence[Watched], *, within: int, confidence: float = 0.95) -> list[list[Figures]]:
    """The figures of each machine's faults, all of them together first; `within` cycles a fault comes back.

    A machine that never ran has one row, without figures.
    """
    rows = [(machine, fault, one) for machine in machines for fault, one in machine.faults.items()]
    trends = _trends([(one.cycles, float(machine.cycles)) for machine, _, one in rows], confidence)
    cycle_rates, hour_rates = (
        _rates(rows, [of(machine) for machine, _, _ in rows], confidence)
        for of in (lambda machine: float(machine.cycles), lambda machine: machine.hours)
    )
    repairs = _repairs(rows, confidence)
    figures = iter(
        Figures(
            fault,
            one.told,
            int(one.cycles.size),
            machine.cycles,
            machine.hours,
            one.cycles.tolist(),
            cycle_rates[place],
            hour_rates[place],
            trends[place],
            repairs[place],
            _came_back(one, machine, within),
            _weeks(one, machine),
            _watch(machine) if fault == TOGETHER else None,
        )
        for place, (machine, fault, one) in enumerate(rows)
    )
    return [[next(figures) for _ in machine.faults] for machine in machines]


def _watch(machine: Watched) -> Watch:
    returns = [Stay(one.back_at, one.cycles, one.reason) for one in machine.boundaries]
    return Watch(machine.left_out_cycles, machine.left_out_alarms, machine.unplaced, returns)


def _rates(
    rows: Sequence[tuple[Watched, str, Occurrences]], exposure: Sequence[float], confidence: float
) -> list[Rate | None]:
    over = np.array(exposure)
    seen = np.array([one.cycles.size for _, _, one in rows], dtype=np.float64)
    found = rates.exact_interval(seen, np.where(over > 0, over, 1.0) / HUNDRED, confidence=confidence)
    told = zip(*(column.tolist() for column in found), strict=True)
    return [Rate(*one) if ran > 0 else None for one, ran in zip(told, exposure, strict=True)]


def _trends(rows: Sequence[tuple[Floats, float]], confidence: float) -> list[Trend | None]:
    """Histories of like length are reckoned side by side, each as wide as its own length asks: so the others of
    its chunk change nothing."""
    told: list[Trend | None] = [None] * len(rows)
    wide: dict[int, list[int]] = {}
    for place, (times, _) in enumerate(rows):
        if times.size >= growth.FEWEST:
            wide.setdefault(max(NARROWEST, 1 << int(times.size - 1).bit_length()), []).append(place)
    for width, places in sorted(wide.items()):
        of = growth.histories(
            [rows[place][0] for place in places], [rows[place][1] for place in places], width=width
        )
        for place, trend in zip(places, _told_trends(of, confidence), strict=True):
            told[place] = trend
    return told


def _told_trends(of: growth.Histories, confidence: float) -> Iterator[Trend]:
    found = growth.trends(of)
    fit, laws = growth.fit_distance(of), (growth.by_likelihood, growth.modified)
    likeliest, modified = (_laws(law(of, confidence=confidence)) for law in laws)
    p, uneven, bunching = growth.trend_p(of, found), growth.uneven(of), growth.unevenness(of)
    for row in range(of.n.size):
        tests: dict[str, Any] = {name: figure(column[row]) for name, column in found._asdict().items()}
        tests |= {name: int(tests[name]) for name in ("reversals", "mil_hdbk_df")}
        critical = crow.critical(float(of.used[row]))
        tests |= {"likeliest": likeliest[row], "modified": modified[row]}
        tests |= {"uneven": bool(uneven[row]), "unevenness": figure(bunching[row])}
        yield Trend(p=figure(p[row]), fit=figure(fit[row]), fit_critical_10=critical, **tests)


def _laws(law: growth.PowerLaw) -> list[Law]:
    columns = [law.shape, law.shape_low, law.shape_high, law.scale, HUNDRED * law.rate, law.mtbf]
    columns += [law.mtbf_low, law.mtbf_high]
    return [Law(*map(figure, row)) for row in zip(*columns, strict=True)]


def figure(value: float) -> float | None:
    """A figure that exists, or None."""
    return float(value) if np.isfinite(value) else None


# --- repairs ------------------------------------------------------------------------------------------


def answering(at: Floats, returns: Sequence[Boundary]) -> list[Boundary]:
    """The returns to service that followed this fault: it came up since the return before."""
    told, before = [], 0
    for one in returns:
        by_then = int(np.searchsorted(at, one.cycles))
        if by_then > before:
            told.append(one)
        before = by_then
    return told


def asked_about(at: Floats, returns: Sequence[Boundary], cycles: float) -> Boundary | None:
    """The return that a fault is compared over: of the newest repair, where the fault came before it; else of the
    newest block that followed the fault. None where nothing ran after it."""
    ran = [one for one in returns if 0 < one.cycles < cycles]
    repairs = [one for one in ran if one.repaired and at.size and at[0] < one.cycles]
    followed = repairs or [one for one in answering(at, returns) if one in ran]
    return followed[-1] if followed else None


def _repairs(rows: Sequence[tuple[Watched, str, Occurrences]], confidence: float) -> list[Repair | None]:
    """Before against after over equal exposure, all at once."""
    told: list[Repair | None] = [None] * len(rows)
    asked: list[tuple[int, Boundary, int, int, float]] = []
    for place, (machine, _, one) in enumerate(rows):
        newest = asked_about(one.cycles, machine.boundaries, machine.cycles)
        if newest is not None:
            asked.append((place, newest, *recurrence.equal_stretch(one.cycles, newest.cycles, 0.0, machine.cycles)))
    if not asked:
        return told
    before, after, stretch = np.array([one[2:] for one in asked], dtype=np.float64).T
    found = recurrence.repaired(before, stretch, after, stretch, confidence=confidence)
    for n, (place, newest, *seen) in enumerate(asked):
        figures: list[Any] = [*seen, *(figure(column[n]) for column in found)]
        told[place] = Repair(newest.back_at, newest.reason, newest.repaired, newest.cycles, *figures)
    return told


def _came_back(one: Occurrences, machine: Watched, within: int) -> CameBack | None:
    resolved = [each.cycles for each in answering(one.cycles, machine.boundaries)]
    if not resolved:
        return None
    after, sure = recurrence.came_back(one.cycles, resolved, float(machine.cycles), within=within)
    return CameBack(len(resolved), int(np.isfinite(after).sum()), int((~sure).sum()), within)


def _weeks(one: Occurrences, machine: Watched) -> Weeks | None:
    """Weeks without a cycle are passed over: without exposure there is no rate."""
    if not one.cycles.size:
        return None
    week = ((machine.starts - machine.starts[0]) // WEEK_S).astype(int)
    ran = np.bincount(week)
    seen = np.bincount(week[(one.cycles - 0.5).astype(int)], minlength=ran.size)
    seen, ran = seen[ran > 0], ran[ran > 0]
    if ran.size < 2:
        return None
    chart = charts.u(seen, ran)
    low, high = (np.broadcast_to(limit, ran.shape).tolist() for limit in (chart.lcl, chart.ucl))
    return Weeks(seen.tolist(), ran.tolist(), chart.center, low, high, list(chart.signals))
