"""Time taken in short slices, one way beside another, so that the noise of a shared machine strikes both."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import msgspec

Act = Callable[[], object]


class Way:
    """One way of doing the same work, with the time it took, in seconds: each act's, and each slice's."""

    def __init__(self) -> None:
        self.acts_s: list[float] = []
        self.slices_s: list[float] = []

    def slice(self, acts: Iterable[Act]) -> None:
        """Do these acts one after the other."""
        clock, taken = time.perf_counter, []
        last = clock()
        for act in acts:
            act()
            now = clock()
            taken.append(now - last)
            last = now
        self.acts_s += taken
        self.slices_s.append(sum(taken))

    def per_s(self, events_per_act: int = 1) -> float:
        return events_per_act * len(self.acts_s) / sum(self.acts_s)


def percentile_ms(acts_s: Sequence[float], percent: int) -> float:
    ordered = sorted(acts_s)
    return 1000 * ordered[min(len(ordered) - 1, len(ordered) * percent // 100)]


def ratio(ours: Way, theirs: Way) -> float:
    """How fast `ours` is as a part of `theirs`: the median over slices that stood side by side."""
    return statistics.median(b / a for a, b in zip(ours.slices_s, theirs.slices_s, strict=True))


class Figure(msgspec.Struct, frozen=True, omit_defaults=True):
    """A bench's result. A ratio of 1 is as fast as the driver; times are a whole act's, commit included."""

    name: str
    database: str
    events_per_s: float
    p50_ms: float
    p99_ms: float
    raw_events_per_s: float
    ratio_to_raw: float
    ratio_to_bare_insert: float | None = None
    lock_ms: float | None = None


def figure(name: str, database: str, ours: Way, raw: Way, bare: Way | None, events_per_act: int = 1) -> Figure:
    """`raw` did the same acts as `ours`; `bare`, if any, as many of one unchained insert and its commit."""
    return Figure(
        name=name,
        database=database,
        events_per_s=ours.per_s(events_per_act),
        p50_ms=percentile_ms(ours.acts_s, 50),
        p99_ms=percentile_ms(ours.acts_s, 99),
        raw_events_per_s=raw.per_s(events_per_act),
        ratio_to_raw=ratio(ours, raw),
        ratio_to_bare_insert=ratio(ours, bare) * events_per_act if bare else None,
    )


def rounded(figure: msgspec.Struct) -> dict[str, Any]:
    """For printing: rates whole, times and ratios to 0.001."""
    told: dict[str, Any] = msgspec.to_builtins(figure)
    return {key: value if isinstance(value, str) else round(value, 3) for key, value in told.items()}
