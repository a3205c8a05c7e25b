"""Where the phases of a cycle are in its record: by its marks, or without marks by the coldest probe's curve."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from incidents.analysis.criteria import DISINFECTION, Criteria, PhaseLimits
from incidents.analysis.lethality import A0_FLOOR_C, MAX_GAP_S, Floats
from incidents.analysis.readings import Record

SLIGHT_K = 1e-9  # on the limit is met, also after a bias was taken off in binary
BROKEN_OFF = frozenset({"aborted", "interrupted", "power-lost"})  # marks after which a cycle is not complete
STOPS = frozenset({"halt", "door", "fault"})  # marks of a cycle that stopped, and may have gone on


class Piece(NamedTuple):
    """Rows `first` to `last` of one phase without a break."""

    code: str
    first: int
    last: int

    @property
    def rows(self) -> slice:
        return slice(self.first, self.last + 1)


class Stretch(NamedTuple):
    """The longest time without a break at or above a level, in seconds of the record."""

    seconds: float
    from_s: float
    to_s: float


class Seen(NamedTuple):
    """One phase as it was recorded: at the coldest load probe, `max_c` at the hottest. NaN where nothing was read.

    `duration_s` goes from mark to mark, `in_band_s` counts intervals with both ends in the band, `heating_k_min` is
    the rise from the phase's first reading to its first in the band.
    """

    code: str
    from_s: float
    to_s: float
    duration_s: float
    min_c: float
    max_c: float
    mean_c: float
    in_band_s: float
    heating_k_min: float
    pieces: tuple[tuple[float, float], ...]


def pieces(record: Record, criteria: Criteria, coldest: Floats) -> list[Piece]:
    """Every unbroken piece of every phase, in order; words that are no phase are pieces too."""
    if marked(record):
        return _from_marks(record)
    return _from_curve(record.times, coldest, criteria)


def marked(record: Record) -> bool:
    return any(record.marks)


def _from_marks(record: Record) -> list[Piece]:
    """A row without a mark belongs to no phase: what a missing mark hid must not join two pieces."""
    words = np.array(record.marks)
    changes = words[1:] != words[:-1]
    door = opened(record)
    if door is not None:
        changes = changes | (door[1:] != door[:-1])
    starts = np.concatenate([[0], np.flatnonzero(changes) + 1])
    ends = np.concatenate([starts[1:] - 1, [words.size - 1]])
    return [
        Piece("door" if door is not None and door[first] else str(words[first]), int(first), int(last))
        for first, last in zip(starts, ends, strict=True)
    ]


def opened(record: Record) -> NDArray[np.bool_] | None:
    """Where the door was not known to be shut, if the record tells of it."""
    door = next((signal.values for signal in record.signals if signal.name == "door"), None)
    return None if door is None else door != 0.0  # a missing reading is not a shut door


def _from_curve(times: Floats, coldest: Floats, criteria: Criteria) -> list[Piece]:
    """Stretches above 65 °C that come to the disinfection's band; a dip inside one stays inside it.

    Before the first of them, phases that have a lower limit. Others can't be told by a curve.
    """
    limits = criteria.phase(DISINFECTION)
    level = A0_FLOOR_C if limits.low_c is None else limits.low_c - SLIGHT_K
    warm = [Piece(DISINFECTION, *run) for run in runs(~(coldest < min(A0_FLOOR_C, level)))]
    hot = [piece for piece in warm if np.any(coldest[piece.rows] >= level)]
    if not hot:
        tried = [piece for piece in warm if np.any(np.isfinite(coldest[piece.rows]))]
        hot = sorted(tried, key=lambda piece: times[piece.last] - times[piece.first])[-1:]
    return [*_before(times, coldest, criteria, hot[0].first), *hot] if hot else []


def _before(times: Floats, coldest: Floats, criteria: Criteria, end: int) -> Iterator[Piece]:
    """Of each phase with a lower limit that comes before disinfection: the longest time above it, in order."""
    codes = [limits.code for limits in criteria.phases]
    first = 0
    for limits in criteria.phases[: codes.index(DISINFECTION) if DISINFECTION in codes else 0]:
        if limits.low_c is None:
            continue
        above = runs(coldest[first:end] >= limits.low_c - SLIGHT_K)
        if above:
            begin, last = max(above, key=lambda run: times[first + run[1]] - times[first + run[0]])
            yield Piece(limits.code, first + begin, first + last)
            first += last + 1


def runs(there: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last row of each run of rows that are there."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], there, [False]]).astype(np.int8)))
    return [(int(first), int(end) - 1) for first, end in zip(edges[::2], edges[1::2], strict=True)]


def longest(times: Floats, curve: Floats, level: float, gap_s: float | None) -> Stretch:
    """The longest stretch at or above `level`; the curve is straight between readings, unknown across a gap."""
    if times.size == 0:
        return Stretch(0.0, 0.0, 0.0)
    there = curve >= level - SLIGHT_K
    spans = np.diff(times)
    bridged = spans <= (MAX_GAP_S if gap_s is None else gap_s)
    joined = there[:-1] & there[1:] & bridged
    starts = np.flatnonzero(there & ~np.concatenate([[False], joined]))
    ends = np.flatnonzero(there & ~np.concatenate([joined, [False]]))
    best = Stretch(0.0, 0.0, 0.0)
    for first, last in zip(starts, ends, strict=True):
        begin = times[first] - _reach(times, curve, bridged, int(first), int(first) - 1, level)
        end = times[last] + _reach(times, curve, bridged, int(last), int(last) + 1, level)
        if end - begin > best.seconds:
            best = Stretch(float(end - begin), float(begin), float(end))
    return best


def _reach(
    times: Floats, curve: Floats, bridged: NDArray[np.bool_], inside: int, outside: int, level: float
) -> float:
    """Seconds from a reading inside to where the curve meets the level on its way to the one outside."""
    if not 0 <= outside < times.size or not bridged[min(inside, outside)] or not np.isfinite(curve[outside]):
        return 0.0
    above, fall = curve[inside] - level, curve[inside] - curve[outside]
    if above <= 0 or fall <= 0:
        return 0.0
    return float(abs(times[outside] - times[inside]) * min(1.0, above / fall))


def seen(
    code: str, parts: list[Piece], times: Floats, coldest: Floats, hottest: Floats, limits: PhaseLimits
) -> Seen:
    """What was recorded of one phase. Its pieces are listed; its figures are those of the longest."""
    piece = longest_piece(parts, times)
    at, cold, hot = times[piece.rows], coldest[piece.rows], hottest[piece.rows]
    read = np.isfinite(cold)
    low = -np.inf if limits.low_c is None else limits.low_c - SLIGHT_K
    high = np.inf if limits.high_c is None else limits.high_c + SLIGHT_K
    within = (cold >= low) & (hot <= high)
    both = within[:-1] & within[1:]
    return Seen(
        code,
        float(at[0]),
        float(at[-1]),
        duration(piece, times),
        float(np.min(cold[read])) if read.any() else float("nan"),
        float(np.nanmax(hot)) if np.isfinite(hot).any() else float("nan"),
        float(np.mean(cold[read])) if read.any() else float("nan"),
        float(np.sum(np.diff(at), where=both)),
        _heating(at, cold, low),
        tuple((float(times[each.first]), float(times[each.last])) for each in parts),
    )


def longest_piece(parts: list[Piece], times: Floats) -> Piece:
    return max(parts, key=lambda piece: times[piece.last] - times[piece.first])


def duration(piece: Piece, times: Floats) -> float:
    """From a phase's first reading to the first that is no longer its own, in seconds."""
    return float(times[min(piece.last + 1, times.size - 1)] - times[piece.first])


def _heating(at: Floats, cold: Floats, low: float) -> float:
    there = np.flatnonzero(cold >= low)
    if not np.isfinite(low) or there.size == 0 or there[0] == 0 or not np.isfinite(cold[0]):
        return float("nan")
    first = there[0]
    return float(60.0 * (cold[first] - cold[0]) / (at[first] - at[0]))
