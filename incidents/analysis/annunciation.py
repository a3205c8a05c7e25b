"""How a department's alarms come: how many, in floods, chattering, for how long, and how soon somebody saw them.

Definitions are ANSI/ISA-18.2-2016's and IEC 62682's. Their targets were set for control rooms with an operator at
the desk; beside a washer they are ceilings, and every rate says over which exposure. Times are seconds on one
clock. Floods are reported by fixed windows of ten minutes and found by sliding ones too: the two differ, and both
are told.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
WINDOW_S = 600.0
FLOOD_ABOVE, FLOOD_ENDS_BELOW = 10, 5  # alarms in ten minutes
CHATTER_S, CHATTER_TIMES = 60.0, 3
FLEETING_S = 60.0  # cleared by itself within it, and not raised again within it
STALE_S = 24 * 3600.0
TOP = 10
WINDOWS_MOST = 2_000_000  # thirty-eight years


class Flood(NamedTuple):
    """From `start` to `end` in the unit of what it was found in: seconds, or windows."""

    start: float
    end: float
    alarms: int
    peak: int


class Rates(NamedTuple):
    per_operator_hour: float
    per_operator_10min: float
    per_operator_day: float


class Waited(NamedTuple):
    """Time until something happened, in seconds, with those to whom it hasn't yet happened counted in (Kaplan and
    Meier 1958); NaN where too few have been served to say."""

    median: float
    p90: float
    served: int
    waiting: int


def operator_rates(alarms: int, operators: float, hours: float) -> Rates:
    """Alarms for each operator. Raises ValueError where nobody was there."""
    if not operators * hours > 0:
        raise ValueError("without operators and hours there is no rate")
    hourly = alarms / (operators * hours)
    return Rates(hourly, hourly / 6, hourly * 24)


def windows(raised: ArrayLike) -> tuple[Floats, float]:
    """Alarms in each ten minutes by the clock, and when the first window begins. Raises ValueError where they lie
    too far apart to be one stretch."""
    times = np.asarray(raised, dtype=np.float64)
    place = np.floor(times / WINDOW_S)
    first = float(place.min())
    if place.max() - first >= WINDOWS_MOST:
        raise ValueError("the alarms lie more than thirty-eight years apart: is a date wrong?")
    return np.bincount((place - first).astype(np.int64)).astype(np.float64), first * WINDOW_S


def in_flood(counts: ArrayLike) -> NDArray[np.bool_]:
    """Which windows belong to a flood: from one with more than 10 alarms until one with fewer than 5."""
    flooded, told = False, []
    for count in np.asarray(counts):
        flooded = count > FLOOD_ABOVE or (flooded and count >= FLOOD_ENDS_BELOW)
        told.append(flooded)
    return np.array(told, dtype=bool)


def floods(counts: ArrayLike) -> list[Flood]:
    """Floods by fixed windows, `start` and `end` as places in `counts` (the end is the first window after it)."""
    seen, flooded = np.asarray(counts), in_flood(counts)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flooded, [0]])))
    return [
        Flood(float(start), float(end), int(seen[start:end].sum()), int(seen[start:end].max()))
        for start, end in zip(edges[::2], edges[1::2], strict=True)
    ]


def sliding_floods(raised: ArrayLike) -> list[Flood]:
    """Floods by a window that slides: from the first alarm of any ten minutes with more than 10, until the ten
    minutes behind hold fewer than 5. Times in seconds."""
    times = np.sort(np.asarray(raised, dtype=np.float64))
    behind = np.arange(1, times.size + 1) - np.searchsorted(times, times - WINDOW_S, "right")
    found: list[Flood] = []
    place = 0
    while place < times.size:
        if behind[place] <= FLOOD_ABOVE:
            place += 1
            continue
        first, peak = place - int(behind[place]) + 1, 0
        while place < times.size and _goes_on(times, place):
            peak = max(peak, int(behind[place]))
            place += 1
        last = place - 1
        end = float(times[last - FLOOD_ENDS_BELOW + 1] + WINDOW_S)  # then only four are left in the window
        if found and times[first] <= found[-1].end:
            first = int(np.searchsorted(times, found[-1].end, "right"))
        found.append(Flood(float(times[first]), end, last - first + 1, peak))
    return found


def _goes_on(times: Floats, place: int) -> bool:
    """Whether the window never held fewer than 5 between the alarm before this one and this one."""
    return place < FLOOD_ENDS_BELOW or bool(times[place] < times[place - FLOOD_ENDS_BELOW] + WINDOW_S)


def chatters(raised: ArrayLike) -> NDArray[np.bool_]:
    """Which alarms of one source are chattering: 3 or more of them within a minute. `raised` rises."""
    times = np.asarray(raised, dtype=np.float64)
    told = np.zeros(times.size, dtype=bool)
    reach = CHATTER_TIMES - 1
    for start in np.flatnonzero(times[reach:] - times[: times.size - reach] <= CHATTER_S):
        told[start : start + CHATTER_TIMES] = True
    return told


def collapsed(raised: ArrayLike) -> NDArray[np.bool_]:
    """Which alarms of one source remain once a chattering run, each within a minute of the last, counts as one."""
    times = np.asarray(raised, dtype=np.float64)
    chattering = chatters(times)
    again = np.zeros(times.size, dtype=bool)
    again[1:] = chattering[1:] & chattering[:-1] & (np.diff(times) <= CHATTER_S)
    return ~again


def fleeting(raised: ArrayLike, cleared: ArrayLike, acknowledged: ArrayLike) -> NDArray[np.bool_]:
    """Which alarms of one source cleared within a minute, unseen, and didn't come again within one."""
    times, ends, seen = (np.asarray(one, dtype=np.float64) for one in (raised, cleared, acknowledged))
    again = np.append(times[1:], np.inf) - ends <= FLEETING_S
    return (ends - times <= FLEETING_S) & ~(seen <= ends) & ~again


def stale(raised: ArrayLike, cleared: ArrayLike, now: float) -> NDArray[np.bool_]:
    """Which alarms were, or have been, in alarm for more than 24 hours on end."""
    ends = np.fmin(np.asarray(cleared, dtype=np.float64), now)  # NaN is not cleared
    told: NDArray[np.bool_] = ends - np.asarray(raised, dtype=np.float64) > STALE_S
    return told


def shares(words: Sequence[str]) -> dict[str, float]:
    """Each word's share, the commonest first."""
    names, counts = np.unique(np.array(words), return_counts=True)
    order = np.lexsort((names, -counts))
    return {str(names[place]): float(counts[place] / len(words)) for place in order}


def waited(raised: ArrayLike, happened: ArrayLike, now: float) -> Waited:
    """How long it took, NaN in `happened` where it hasn't happened by `now`."""
    begun, ended = np.asarray(raised, dtype=np.float64), np.asarray(happened, dtype=np.float64)
    served = np.isfinite(ended)
    lasted = np.maximum(np.where(served, ended, now) - begun, 0)
    times = np.unique(lasted[served])
    at_risk = lasted.size - np.searchsorted(np.sort(lasted), times, "left")
    done = np.searchsorted(np.sort(lasted[served]), times, "right") - np.searchsorted(
        np.sort(lasted[served]), times, "left"
    )
    still = np.cumprod(1 - done / at_risk)

    def until(share: float) -> float:
        reached = np.flatnonzero(still <= 1 - share + 1e-12)
        return float(times[reached[0]]) if reached.size else float("nan")

    return Waited(until(0.5), until(0.9), int(served.sum()), int((~served).sum()))
