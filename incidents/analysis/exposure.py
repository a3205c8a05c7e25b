"""A machine's faults over what it ran: cycles and running hours, blocked time left out, chattering collapsed.

Moments are seconds on one clock. A fault in a machine's k-th cycle stands at k − ½ cycles: the log says in which
cycle it came, and the middle of it leans to neither side. Running hours count from a cycle's start to its end, so
that a halt in mid-cycle counts; of two chambers both count.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from incidents.analysis import annunciation

Floats = NDArray[np.float64]
TOGETHER = ""  # stands for all of a machine's faults


class Cycle(NamedTuple):
    """A run of one chamber, in seconds; one that has not ended runs to the moment of the look."""

    began: float
    ended: float
    chamber: str


class Alarm(NamedTuple):
    """`chamber` is empty where the machine told it of none."""

    at: float
    code: str
    chamber: str = ""


class Out(NamedTuple):
    """A time out of service, and why; `back` is infinite while it lasts, `chamber` empty for the whole machine."""

    out: float
    back: float
    chamber: str = ""
    reason: str = ""


class Boundary(NamedTuple):
    """A return to service, and how much the machine had run by then. One that was `repaired` was taken out by a
    person; else a fault blocked it at its own moment, as policy has it after repeats."""

    out_at: float
    back_at: float
    chamber: str
    reason: str
    cycles: float
    hours: float
    repaired: bool = True


class Occurrences(NamedTuple):
    """One fault of one machine: how often it was told, and where it came once chattering is collapsed."""

    told: int
    at: Floats
    cycles: Floats
    hours: Floats


class Watched(NamedTuple):
    """A machine's exposure, and its faults by code, each as it was first written; `TOGETHER` has all of them.

    `left_out` counts cycles and alarms in time out of service, `unplaced` alarms before the first known cycle.
    """

    cycles: int
    hours: float
    starts: Floats
    faults: dict[str, Occurrences]
    boundaries: tuple[Boundary, ...]
    left_out_cycles: int
    left_out_alarms: int
    unplaced: int


def watched(cycles: Sequence[Cycle], alarms: Sequence[Alarm], outs: Sequence[Out]) -> Watched:
    """What a machine ran and what came up in it, in the order of time, whatever order it is told in."""
    kept = sorted(_shortened(one, outs) for one in cycles if not _is_out(one.began, one.chamber, outs))
    axis = _Axis(kept)
    told = sorted(one for one in alarms if not _is_out(one.at, one.chamber, outs, strictly=True))
    placed = [one for one in told if kept and one.at >= kept[0].began]
    moments = {one.at for one in alarms}
    return Watched(
        len(kept),
        axis.hours_at(np.inf) if kept else 0.0,
        np.array([one.began for one in kept]),
        _by_fault(placed, axis),
        tuple(
            Boundary(*one, axis.cycles_at(one.back), axis.hours_at(one.back), one.out not in moments)
            for one in sorted(outs)
            if np.isfinite(one.back)
        ),
        len(cycles) - len(kept),
        len(alarms) - len(told),
        len(told) - len(placed),
    )


def _is_out(at: float, chamber: str, outs: Sequence[Out], *, strictly: bool = False) -> bool:
    """Out of service then? The fault at whose moment it was blocked counts: `strictly` leaves that moment in."""
    return any(
        (one.out < at if strictly else one.out <= at) and at < one.back and one.chamber in ("", chamber)
        for one in outs
    )


def _shortened(cycle: Cycle, outs: Sequence[Out]) -> Cycle:
    """A cycle that was under way when its chamber was blocked ran until then."""
    stops = [one.out for one in outs if cycle.began < one.out < cycle.ended and one.chamber in ("", cycle.chamber)]
    return cycle._replace(ended=min([cycle.ended, *stops]))


class _Axis:
    """How much a machine had run by a moment."""

    def __init__(self, cycles: Sequence[Cycle]) -> None:
        self.began = np.array([one.began for one in cycles])
        self.zero = self.began[0] if cycles else 0.0
        ended = np.sort(np.array([max(one.ended, one.began) for one in cycles]))
        self.ended, self.sums = ended, [np.append(0.0, np.cumsum(of - self.zero)) for of in (self.began, ended)]

    def cycles_at(self, at: float) -> float:
        return float(np.searchsorted(self.began, at, "right"))

    def hours_at(self, at: float) -> float:
        """Σ over cycles of the part before `at`: what had begun by then, less what had ended."""
        begun = int(np.searchsorted(self.began, at, "right"))
        done = int(np.searchsorted(self.ended, at, "right"))
        still = (at - self.zero) * (begun - done) if begun > done else 0.0
        return float(still + self.sums[1][done] - self.sums[0][begun]) / 3600


def _by_fault(alarms: Sequence[Alarm], axis: _Axis) -> dict[str, Occurrences]:
    """Each code's occurrences, and all of them together; codes compare without case."""
    named: dict[str, str] = {}
    at: dict[str, list[float]] = {}
    for one in alarms:
        code = named.setdefault(one.code.casefold(), one.code)
        at.setdefault(code, []).append(one.at)
    faults = {code: _placed(np.array(at[code]), axis) for code in sorted(at)}
    merged = np.sort(np.concatenate([one.at for one in faults.values()])) if faults else np.empty(0)
    every = Occurrences(len(alarms), merged, *_where(merged, axis))
    return {TOGETHER: every, **faults}


def _placed(at: Floats, axis: _Axis) -> Occurrences:
    kept = at[annunciation.collapsed(at)]
    return Occurrences(int(at.size), kept, *_where(kept, axis))


def _where(at: Floats, axis: _Axis) -> tuple[Floats, Floats]:
    begun: Floats = np.searchsorted(axis.began, at, "right").astype(np.float64)
    return begun - 0.5, np.array([axis.hours_at(one) for one in at], dtype=np.float64)
