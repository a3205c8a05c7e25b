"""Faults that come back: how many a machine has had by an age, whether one returned, whether a repair worked.

Ages and times are exposure (cycles or running hours), never calendar days. The mean cumulative function asks
nothing of how faults are distributed, and takes machines that enter and leave at different ages.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

from incidents.analysis import rates

Floats = NDArray[np.float64]


class MeanCumulative(NamedTuple):
    """A row an event, by age; ties are rows of their own. `at_risk` counts the units watched at that age."""

    times: Floats
    mean: Floats
    variance: Floats
    low: Floats
    high: Floats
    at_risk: Floats


class Repaired(NamedTuple):
    """Rate after over rate before, with bounds. `fluke` is the chance of so few faults after, or fewer, had the
    repair changed nothing; `worse` of so many or more."""

    ratio: Floats
    low: Floats
    high: Floats
    fluke: Floats
    worse: Floats


def mean_cumulative(
    events: ArrayLike, ends: ArrayLike, starts: ArrayLike | None = None, *, confidence: float = 0.95
) -> MeanCumulative:
    """Mean faults a unit by age. `ends` and `starts` have one age for each unit; without `starts` all begin at 0.

    A unit that leaves at an event's age still counts there; one that enters then doesn't yet. With r units at
    risk, an event adds 1/r to the mean and (r−1)/r³ to the variance (the library `reliability` 0.9.0, not Nelson's
    covariances); bounds are on the log scale. Raises ValueError where nobody is at risk at an event.
    """
    times = np.sort(np.asarray(events, dtype=np.float64))
    last = np.sort(np.asarray(ends, dtype=np.float64))
    first = np.zeros(last.shape) if starts is None else np.asarray(starts, dtype=np.float64)
    entered = np.sort(np.where(first <= 0, -np.inf, first))
    at_risk = np.searchsorted(entered, times, "left") - np.searchsorted(last, times, "left")
    if (at_risk <= 0).any():
        raise ValueError("there is an event at an age at which no unit was watched")
    risk = at_risk.astype(np.float64)
    mean, variance = np.cumsum(1 / risk), np.cumsum((risk - 1) / risk**3)
    reach = np.exp(float(special.ndtri((1 + confidence) / 2)) * np.sqrt(variance) / mean)
    return MeanCumulative(times, mean, variance, mean / reach, mean * reach, risk)


def power_law_through(of: MeanCumulative) -> tuple[float, float]:
    """Scale and shape of (age / scale)^shape, by least squares through the mean cumulative function. Above 1 faults
    come faster with age. Raises ValueError where fewer than 2 ages have events."""
    if np.unique(of.times).size < 2 or of.times[0] <= 0:
        raise ValueError("a shape needs events at two ages above 0")
    shape, level = np.polyfit(np.log(of.times), np.log(of.mean), 1)
    first = (float(np.exp(-level / shape)), float(shape))
    fitted, _ = optimize.curve_fit(
        lambda t, scale, beta: (t / scale) ** beta, of.times, of.mean, p0=first, xtol=1e-13
    )
    return float(fitted[0]), float(fitted[1])


def came_back(
    times: ArrayLike, resolved: ArrayLike, until: float, *, within: float
) -> tuple[Floats, NDArray[np.bool_]]:
    """For each time at which a fault was called resolved: after how much exposure the same fault came again within
    `within` (NaN where it didn't), and whether that can be said: it came, or the stretch was watched in full.

    `times` are those of that one fault, sorted or not. A fault at the very moment of resolving is the one resolved.
    """
    faults, asked = np.sort(np.asarray(times, dtype=np.float64)), np.asarray(resolved, dtype=np.float64)
    place = np.searchsorted(faults, asked, "right")
    after = np.append(faults, np.inf)[place] - asked
    back = after <= within
    return np.where(back, after, np.nan), back | (asked + within <= until)


def repaired(
    before: ArrayLike,
    before_exposure: ArrayLike,
    after: ArrayLike,
    after_exposure: ArrayLike,
    *,
    confidence: float = 0.95,
) -> Repaired:
    """Whether the repair worked: faults after against faults before, exactly (`rates.compare`), for all repairs at
    once. Compare equal exposure on both sides (`equal_stretch`), else an older, better or worse time comes in."""
    found = rates.compare(after, after_exposure, before, before_exposure, confidence=confidence)
    return Repaired(found.ratio, found.low, found.high, found.p_less, found.p_greater)


def equal_stretch(times: ArrayLike, repaired_at: float, since: float, until: float) -> tuple[int, int, float]:
    """Faults before and after a repair over equal exposure on both sides, as much as there is on the shorter one.

    A fault at the moment of the repair is what was repaired, and counts before. Raises ValueError where the repair
    isn't between the two ends.
    """
    if not since < repaired_at < until:
        raise ValueError("the repair must lie between the two ends of what was watched")
    faults = np.asarray(times, dtype=np.float64)
    stretch = min(repaired_at - since, until - repaired_at)
    before = int(((faults > repaired_at - stretch) & (faults <= repaired_at)).sum())
    after = int(((faults > repaired_at) & (faults <= repaired_at + stretch)).sum())
    return before, after, stretch
