"""Simulation studies of the figures: how often they cry wolf, what they cover, how soon they notice.

Results with how to rerun them are kept in docs/figures-studies.md. Every share says its Monte-Carlo error.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import msgspec
import numpy as np
from numpy.random import Generator

from incidents.analysis import charts, growth, machine_figures, rates, run_lengths, verdicts
from incidents.analysis.exposure import TOGETHER, Occurrences, Watched
from incidents.analysis.told_figures import FALLING, RISING
from incidents.management.benches import simulated
from incidents.simulation import model

CYCLES, ALPHA, WITHIN = 400, 0.05, 60
TEMPERS = {"Birch": "worsens", "Rowan": "repaired"}
CHANGED_ON = 60  # day
NOTICE = "days to notice"


class Share(msgspec.Struct, frozen=True, omit_defaults=True):
    """One figure of a study. `error` is its standard error by the number of runs; `wanted` what it should be."""

    study: str
    case: str
    value: float
    error: float | None = None
    wanted: float | None = None
    runs: int = 0


def run(size: int, seeds: int, first: int = 1) -> Sequence[Share]:
    """All of them: `size` histories for each share, and the simulated departments of so many seeds."""
    told: list[Share] = []
    for study in (false_alarms, discoveries, runs_in_control, coverage, days_to_notice):
        told += study(np.random.default_rng(2026), size)
    return told + list(departments(seeds, first))


def share(study: str, case: str, hits: Any, wanted: float | None = None) -> Share:
    found = np.asarray(hits, dtype=np.float64)
    mean = float(found.mean())
    return Share(study, case, mean, float(np.sqrt(mean * (1 - mean) / found.size)), wanted, int(found.size))


# --- histories ----------------------------------------------------------------------------------------


def in_cycles(times: Any) -> Any:
    """Moments of 0 … CYCLES as the log knows them: in the middle of a cycle."""
    return np.floor(np.sort(times)) + 0.5


def poisson(chance: Generator, mean: float, shape: float = 1.0) -> Any:
    return in_cycles(CYCLES * chance.uniform(size=chance.poisson(mean)) ** (1 / shape))


def bunches(chance: Generator, mean: float) -> Any:
    """Each fault draws others after it, 2.5 in all on the average, a cycle or two apart."""
    starts = chance.uniform(0, CYCLES, chance.poisson(mean / 2.5))
    more = [start + np.append(0, np.cumsum(chance.exponential(1.5, chance.geometric(0.4) - 1))) for start in starts]
    times = np.concatenate([*more, []])
    return in_cycles(times[times < CYCLES])


def machine(faults: Mapping[str, Any]) -> Watched:
    every = np.sort(np.concatenate([*faults.values(), []]))
    told = {name: Occurrences(at.size, at, at, at) for name, at in {TOGETHER: every, **faults}.items()}
    return Watched(CYCLES, float(CYCLES), np.arange(CYCLES, dtype=np.float64) * 3600, told, (), 0, 0, 0)


# --- trends -------------------------------------------------------------------------------------------


def false_alarms(chance: Generator, size: int) -> Iterator[Share]:
    """A steady machine alone, at 5 %: two tails, so that “rising” has half of it."""
    made: tuple[tuple[str, Callable[[float], Any]], ...] = (
        ("Poisson", lambda mean: poisson(chance, mean)),
        ("in bunches", lambda mean: bunches(chance, mean)),
        ("shape 2", lambda mean: poisson(chance, mean, 2.0)),
    )
    for name, draw in made:
        for mean in (8, 20, 50):
            rows = [row for row in (draw(mean) for _ in range(size)) if row.size >= growth.FEWEST]
            of = growth.histories(rows, float(CYCLES))
            found = growth.trends(of)
            shown, rising = growth.trend_p(of, found) < ALPHA, of.log_sum < of.n
            steady = 0.05 if name == "Poisson" else None
            study = "trend shown at 5 %" if name != "shape 2" else "rise found at 5 %"
            yield share(study, f"{name}, about {mean} faults: either way", shown, steady)
            yield share(study, f"{name}, about {mean} faults: rising", shown & rising, steady and steady / 2)
            yield share(study, f"{name}, about {mean} faults: by MIL-HDBK-189 alone", found.mil_hdbk_p < ALPHA)
            yield share(
                study, f"{name}, about {mean} faults: by Lewis and Robinson alone", found.lewis_robinson_p < ALPHA
            )


def discoveries(chance: Generator, size: int) -> Iterator[Share]:
    """Reports of ten machines with eight faults each, one in ten rising: the false among “rising” and “falling”."""
    for name, rising in (("no fault rises", 0.0), ("one in ten rises", 0.1)):
        false_of, found = [], []
        for _ in range(max(size // 20, 20)):
            truth: dict[tuple[str, str], bool] = {}
            fleet: list[dict[str, Any]] = []
            for n in range(10):
                shapes = np.where(chance.uniform(size=8) < rising, 3.0, 1.0)
                truth |= {(str(n), f"F{k}"): shape > 1 for k, shape in enumerate(shapes)}
                fleet.append({f"F{k}": poisson(chance, 12, shape) for k, shape in enumerate(shapes)})
            rows = machine_figures.reduced([machine(one) for one in fleet], within=WITHIN)
            finals = verdicts.final({str(n): one for n, one in enumerate(rows)}).finals
            said = {at for at in truth if finals[at].verdict in (RISING, FALLING)}
            wrong = sum(not truth[at] or finals[at].verdict == FALLING for at in said)
            false_of.append(wrong / max(len(said), 1))
            found += [at in said for at, is_so in truth.items() if is_so]
        error = float(np.std(false_of) / np.sqrt(len(false_of)))
        case = f"{name}: false discoveries of a report"
        yield Share("after multiplicity", case, float(np.mean(false_of)), error, ALPHA, len(false_of))
        if found:
            yield share("after multiplicity", f"{name}: rises found", found)


# --- charts -------------------------------------------------------------------------------------------


def runs_in_control(chance: Generator, size: int) -> Iterator[Share]:
    """Designed against drawn: points until a chart signals though nothing is wrong."""
    for usual, raised in ((0.5, 1.0), (0.05, 0.15), (2.0, 3.0)):
        plan = run_lengths.design(usual, raised, 370.0)
        drawn = [_run(lambda n, usual=usual: chance.poisson(usual, n), plan.k, plan.h) for _ in range(size)]  # type: ignore[misc]
        yield _length(f"Poisson CUSUM, {usual} to {raised} a point", drawn, plan.usual_run)
    h = run_lengths.cusum_limit(370.0)
    both = [_run(chance.standard_normal, 0.5, h, two_sided=True) for _ in range(size)]
    yield _length("normal CUSUM, k 0.5 σ, both sides", both, run_lengths.cusum(0.5, h))


def _run(draw: Callable[[int], Any], k: float, h: float, *, two_sided: bool = False) -> int:
    """The first signal of a path drawn a stretch at a time."""
    for stretch in range(1, 9):
        values = np.asarray(draw(4_000 * stretch), dtype=np.float64)
        found = charts.cusum(values, target=0.0, k=k, h=h + 1e-9)
        sums = np.maximum(found.upper, found.lower) if two_sided else found.upper
        out = np.flatnonzero(sums > h + 1e-9)
        if out.size:
            return int(out[0]) + 1
    return 4_000 * 8


def _length(case: str, drawn: Sequence[int], wanted: float) -> Share:
    error = float(np.std(drawn) / np.sqrt(len(drawn)))
    return Share("run length in control", case, float(np.mean(drawn)), error, wanted, len(drawn))


# --- intervals ----------------------------------------------------------------------------------------


def coverage(chance: Generator, size: int) -> Iterator[Share]:
    """How often intervals at 95 % hold what is true, for n faults; the power law's with shape 1.7."""
    shape = 1.7
    for n in (3, 5, 10, 20, 50):
        times = CYCLES * np.sort(chance.uniform(size=(size, n)), axis=1) ** (1 / shape)
        means = chance.poisson(n, size).astype(float)
        exact = rates.exact_interval(means)
        yield share("coverage at 95 %", f"rate, {n} expected: exact", (exact.low <= n) & (n <= exact.high), 0.95)
        of = growth.histories(list(times), float(CYCLES))
        law = growth.by_likelihood(of)
        inside = (law.shape_low <= shape) & (shape <= law.shape_high)
        yield share("coverage at 95 %", f"shape, {n} faults: exact", inside, 0.95)
        yield from _mtbf(chance, size, n, shape)


def _mtbf(chance: Generator, size: int, n: int, shape: float) -> Iterator[Share]:
    """The number of faults is chance too: n are expected; histories without two faults say nothing."""
    rows = [np.sort(CYCLES * chance.uniform(size=count) ** (1 / shape)) for count in chance.poisson(n, size)]
    of = growth.histories([row for row in rows if row.size >= 2], float(CYCLES))
    true = CYCLES / (n * shape)
    for name, law in (("Crow’s exact", growth.by_likelihood(of)), ("the handbook’s", growth.modified(of))):
        high = np.where(np.isnan(law.mtbf_high), np.inf, law.mtbf_high)
        yield share(
            "coverage at 95 %", f"MTBF now, {n} expected: {name}", (law.mtbf_low <= true) & (true <= high), 0.95
        )


# --- how soon -----------------------------------------------------------------------------------------


def days_to_notice(chance: Generator, size: int) -> Iterator[Share]:
    """A fault once in twenty or fifty days, then twice or three times as often. The plain rule, three in 30 days,
    beside a Poisson CUSUM by days that is designed to cry wolf as seldom."""
    for usual in (0.05, 0.02):
        wolf = [_first_three(chance.poisson(usual, 20_000), 30) for _ in range(max(size // 4, 50))]
        seldom = float(np.mean(wolf))
        case = f"once in {1 / usual:g} days"
        yield Share(NOTICE, f"{case}: the plain rule cries wolf after", seldom, _error(wolf), None, len(wolf))
        for times in (2, 3):
            plan = run_lengths.design(usual, times * usual, seldom)
            yield Share(NOTICE, f"{case}, CUSUM for {times} ×: cries wolf after", plan.usual_run, None, seldom)
            plain, summed = [], []
            for _ in range(size):
                days = np.concatenate([chance.poisson(usual, CHANGED_ON), chance.poisson(times * usual, 2_000)])
                plain.append(_first_three(days, 30))
                summed.append(_first_sum(days, plan))
            for name, drawn in (("the plain rule", plain), ("CUSUM", summed)):  # before the change it is no notice
                told = [one - CHANGED_ON for one in drawn if one > CHANGED_ON]
                mean = float(np.mean(told))
                yield Share(NOTICE, f"{case}, {times} ×: {name} notices after", mean, _error(told), None, len(told))


def _first_three(days: Any, window: int) -> int:
    """The first day on which three faults lie within the window."""
    path = np.cumsum(days)
    before = np.concatenate([np.zeros(window), path])[: path.size]
    out = np.flatnonzero(path - before >= 3)
    return int(out[0]) + 1 if out.size else days.size


def _first_sum(days: Any, plan: run_lengths.Design) -> int:
    out = np.flatnonzero(charts.poisson_cusum(days, k=plan.k) > plan.h + 1e-9)
    return int(out[0]) + 1 if out.size else days.size


def _error(drawn: Sequence[int]) -> float:
    return float(np.std(drawn) / np.sqrt(len(drawn)))


# --- the simulated departments ------------------------------------------------------------------------


def departments(seeds: int, first: int) -> Iterator[Share]:
    """A month of both departments from each seed: what is said of the machine that worsens, of the one that is
    repaired, and of the steady ones."""
    said: dict[str, list[tuple[bool, bool, bool]]] = {"worsens": [], "repaired": [], "steady": []}
    for seed in range(first, first + seeds):
        for department in model.departments(seed, simulated.END, 30, 8):
            for name, found in _said(simulated.watched(department)).items():
                said[TEMPERS.get(name, "steady")].append(found)
    for temper, rows in said.items():
        for word, hits in zip(("rising", "repaired", "above the others"), zip(*rows, strict=True), strict=True):
            yield share(f"simulated months, {seeds} seeds from {first}", f"{temper}: said to be {word}", hits)


def _said(machines: Mapping[str, Watched]) -> dict[str, tuple[bool, bool, bool]]:
    rows = machine_figures.reduced(list(machines.values()), within=WITHIN)
    finals = verdicts.final(dict(zip(machines, rows, strict=True))).finals
    mine = {name: [one for (machine, _), one in finals.items() if machine == name] for name in machines}
    return {
        name: (
            any(one.verdict == RISING for one in told),
            any(one.repaired for one in told),
            any(one.above for one in told),
        )
        for name, told in mine.items()
    }
