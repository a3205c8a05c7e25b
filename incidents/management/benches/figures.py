"""The figures of a thousand machines, beside a loop over the library `reliability` for each figure that it has."""

from __future__ import annotations

import importlib
import time
import warnings
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from typing import Any

import msgspec
import numpy as np

from incidents.analysis import growth, machine_figures, rates, recurrence, run_lengths, verdicts
from incidents.analysis.exposure import TOGETHER, Boundary, Occurrences, Watched

FAULTS, CYCLES, WITHIN, CHUNK = 200, 2_000, 60, 25
COMPARED = (100, 200)  # machines, fault types
LOOPED = 8  # machines that the loop over the library takes; its seconds are for as many as ours
CYCLE_S = 7_200.0


class Figure(msgspec.Struct, frozen=True, omit_defaults=True):
    """Seconds of one core, unless `workers` says how many; and how many times as long the library's loop takes."""

    name: str
    database: str
    seconds: float
    workers: int = 1
    times_the_library: float | None = None


def run(machines: int) -> Sequence[Figure]:
    """Raises LookupError where `reliability` is not installed: it comes with the group dev."""
    fleet = [machine(seed) for seed in range(machines)]
    seen, over = _comparisons()
    whole_s, figures = _timed(lambda: machine_figures.reduced(fleet, within=WITHIN))
    final_s, _ = _timed(lambda: verdicts.final({str(n): one for n, one in enumerate(figures)}))
    compared_s, _ = _timed(lambda: _compared(seen, over))
    name = f"{machines} machines × {FAULTS} faults"
    told = [
        Figure(f"all figures of {name}", "no database", whole_s),
        Figure("the report's final look at them", "no database", final_s),
        Figure(f"{COMPARED[0]} machines × {COMPARED[1]} fault types with the fleet", "no database", compared_s),
        Figure("all three", "no database", whole_s + final_s + compared_s),
    ]
    told += _beside_the_library(fleet)
    told += [_by_workers(fleet, workers) for workers in (1, 2)]
    return told + _designs()


def machine(seed: int) -> Watched:
    """Two hundred faults of a power law of its own over two thousand cycles, with a repair in the middle."""
    chance = np.random.default_rng(seed)
    shape = 1.0 if seed % 10 else 1.5
    times = CYCLES * np.sort(chance.uniform(size=FAULTS)) ** (1 / shape)  # no ties: the library takes none
    one = Occurrences(FAULTS, times * CYCLE_S, times, times)
    starts = np.arange(CYCLES, dtype=np.float64) * CYCLE_S
    back = Boundary(CYCLES / 2 * CYCLE_S, CYCLES / 2 * CYCLE_S, "", "bench", CYCLES / 2, CYCLES / 2)
    return Watched(CYCLES, CYCLES, starts, {TOGETHER: one}, (back,), 0, 0, 0)


def _comparisons() -> tuple[machine_figures.Floats, machine_figures.Floats]:
    chance = np.random.default_rng(7)
    over = chance.uniform(500, 4000, COMPARED[0])
    return chance.poisson(0.004 * over, COMPARED[::-1]).astype(float), over


def _compared(seen: machine_figures.Floats, over: machine_figures.Floats) -> machine_figures.Floats:
    rest = seen.sum(axis=1, keepdims=True) - seen
    return rates.q_values(rates.compare(seen, over, rest, over.sum() - over).p_central)


def _timed(work: Callable[[], Any]) -> tuple[float, Any]:
    began = time.perf_counter()
    found = work()
    return time.perf_counter() - began, found


def _quickest(work: Callable[[], Any]) -> tuple[float, Any]:
    """Of five: what takes less than a millisecond is told by its neighbours' noise otherwise."""
    return min((_timed(work) for _ in range(5)), key=lambda one: one[0])


# --- beside the library -------------------------------------------------------------------------------


def _beside_the_library(fleet: Sequence[Watched]) -> list[Figure]:
    """Each figure that the library has, of as many machines; it must find the same shape and mean.

    A chunk's histories are laid side by side once, for Laplace and shape and all else that is asked of them.
    """
    library = _library()
    times = [each.faults[TOGETHER].cycles for each in fleet]
    beside_s, _ = _timed(lambda: growth.histories(times, float(CYCLES)))
    by_time, by_failure = growth.histories(times, float(CYCLES)), growth.histories(times, by_failure=True)
    ours = (
        ("Laplace", lambda: growth.laplace_z(by_time), _library_trend),
        ("power law, shape", lambda: by_failure.n / by_failure.log_sum, _library_growth),
        ("mean cumulative faults", lambda: _means(times), _library_mean),
    )
    told = [Figure(f"histories laid side by side, {len(fleet)} machines", "no database", beside_s)]
    for name, work, theirs in ours:
        ours_s, found = _quickest(work)
        library_s, same = _quickest(lambda: [_silently(theirs, library, each) for each in times[:LOOPED]])  # noqa: B023
        _must_agree(name, found, same)
        ratio = library_s / LOOPED * len(fleet) / ours_s
        told.append(Figure(f"{name}, {len(fleet)} machines", "no database", ours_s, times_the_library=ratio))
    return told


def _means(times: Sequence[Any]) -> list[float]:
    """Each machine's own, as the library's loop does it."""
    return [float(recurrence.mean_cumulative(each, [float(CYCLES)]).mean[-1]) for each in times]


def _must_agree(name: str, found: Any, same: Sequence[Any]) -> None:
    if name != "Laplace" and not np.allclose(found[: len(same)], same):
        raise ValueError(f"{name}: the library finds {same}, not {found[: len(same)]}")


def _library() -> Any:
    try:
        return importlib.import_module("reliability.Repairable_systems")
    except ModuleNotFoundError as error:
        raise LookupError("the library reliability is not here: uv sync --group dev") from error


def _library_trend(library: Any, times: Any) -> None:
    library.ROCOF(times_between_failures=np.diff(times, prepend=0.0), print_results=False, show_plot=False)


def _library_growth(library: Any, times: Any) -> float:
    found = library.reliability_growth(times, model="Crow-AMSAA", print_results=False, show_plot=False)
    return float(found.Beta)


def _library_mean(library: Any, times: Any) -> float:
    found = library.MCF_nonparametric([[*times, float(CYCLES)]], print_results=False, show_plot=False)
    return float(found.MCF[-1])


def _silently(work: Callable[[Any, Any], Any], library: Any, times: Any) -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return work(library, times)


# --- workers, designs ---------------------------------------------------------------------------------


def _by_workers(fleet: Sequence[Watched], workers: int) -> Figure:
    """Chunks in processes of their own, warm, their rows brought back."""
    chunks = [fleet[n : n + CHUNK] for n in range(0, len(fleet), CHUNK)]
    with ProcessPoolExecutor(workers, get_context("spawn")) as pool:
        list(pool.map(_chunk, chunks[:workers]))
        seconds, _ = _timed(lambda: list(pool.map(_chunk, chunks)))
    return Figure(f"in chunks of {CHUNK}, {len(fleet)} machines", "no database", seconds, workers)


def _chunk(machines: Sequence[Watched]) -> int:
    return len(
        [msgspec.json.encode(one) for each in machine_figures.reduced(machines, within=WITHIN) for one in each]
    )


def _designs() -> list[Figure]:
    """A chart's limits are looked for once."""
    run_lengths.design.cache_clear()
    first_s, _ = _timed(lambda: run_lengths.design(0.5, 1.0, 370.0))
    again_s, _ = _timed(lambda: run_lengths.design(0.5, 1.0, 370.0))
    names = ("a Poisson CUSUM designed", "the same design again")
    return [Figure(name, "no database", seconds) for name, seconds in zip(names, (first_s, again_s), strict=True)]
