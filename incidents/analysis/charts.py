"""Control charts: whether a count, a share, a measure or the room between rare faults left its usual range.

A point on a limit isn't out; only one beyond it is. A lower limit below 0 is 0 where nothing can be less. Places
are counted from 1, as on paper. Limits are three standard deviations unless told otherwise (NIST/SEMATECH
e-Handbook 6.3); they are drawn from the points themselves, so a chart of its own bad times calls them usual.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

Floats = NDArray[np.float64]
D2, D4 = 1.128, 3.267  # mean and upper limit of a range of two (NIST/SEMATECH e-Handbook 6.3.2.2)
NELSON = 1 / 3.6  # the power that makes exponential gaps nearly normal (Nelson 1994)
EXACT_CHANGE = 2e8  # steps of the exact chance of a change-point; a longer reckoning is left out


class Chart(NamedTuple):
    """`points` are what is drawn; `lcl` and `ucl` one limit each or one a point, NaN where there is none."""

    center: float
    lcl: Floats
    ucl: Floats
    points: Floats
    signals: tuple[int, ...]


class Individuals(NamedTuple):
    """Values and their moving ranges, a chart each."""

    values: Chart
    ranges: Chart
    sigma: float


class Cusum(NamedTuple):
    """Sums of what lies more than k above the target, and below it; a signal where one exceeds h."""

    target: float
    k: float
    h: float
    upper: Floats
    lower: Floats
    signals: tuple[int, ...]


class Change(NamedTuple):
    """The likeliest place at which a Poisson rate changed: after `after` intervals. `p` is exact or NaN."""

    after: int
    before_rate: float
    after_rate: float
    log_ratio: float
    p: float


# --- counts, shares -----------------------------------------------------------------------------------


def c(counts: ArrayLike) -> Chart:
    """Counts over equal exposure."""
    points = np.asarray(counts, dtype=np.float64)
    center = float(points.mean())
    return _chart(points, center, 3 * np.sqrt(center), least=0)


def u(counts: ArrayLike, exposure: ArrayLike) -> Chart:
    """Rates over unequal exposure; the limits widen where there was less of it."""
    seen, over = np.asarray(counts, dtype=np.float64), np.asarray(exposure, dtype=np.float64)
    center = float(seen.sum() / over.sum())
    return _chart(seen / over, center, 3 * np.sqrt(center / over), least=0)


def p(counts: ArrayLike, n: ArrayLike) -> Chart:
    """Shares of unequal numbers, as of aborted cycles."""
    seen, of = np.asarray(counts, dtype=np.float64), np.asarray(n, dtype=np.float64)
    center = float(seen.sum() / of.sum())
    return _chart(seen / of, center, 3 * np.sqrt(center * (1 - center) / of), least=0, most=1)


def g(counts: ArrayLike) -> Chart:
    """Cycles between rare faults, by the geometric distribution's moments (Benneyan 2001). Other texts centre on
    the median and take quantiles."""
    points = np.asarray(counts, dtype=np.float64)
    center = float(points.mean())
    return _chart(points, center, 3 * np.sqrt(center * (center + 1)), least=0)


def t(gaps: ArrayLike) -> Chart:
    """Exposure between rare faults: an individuals chart of gap^(1/3.6), in the gap's own unit (Nelson 1994)."""
    points = np.asarray(gaps, dtype=np.float64)
    normal = individuals(points**NELSON).values
    low, center, high = (
        np.maximum(one, 0) ** (1 / NELSON) for one in (normal.lcl, np.float64(normal.center), normal.ucl)
    )
    return Chart(float(center), low, high, points, normal.signals)


# --- measures -----------------------------------------------------------------------------------------


def spread(values: ArrayLike) -> float:
    """σ by the mean moving range of two / 1.128; NaN for a single value."""
    points = np.asarray(values, dtype=np.float64)
    return float(np.abs(np.diff(points)).mean() / D2) if points.size > 1 else float("nan")


def individuals(values: ArrayLike, *, target: float | None = None, sigma: float | None = None) -> Individuals:
    """Single values and the ranges between neighbours. Without a target the mean is the centre."""
    points = np.asarray(values, dtype=np.float64)
    deviation = spread(points) if sigma is None else sigma
    center = float(points.mean()) if target is None else target
    ranges, usual = np.abs(np.diff(points)), D2 * deviation
    around = Chart(usual, np.array(0.0), np.array(D4 * usual), ranges, _beyond(ranges, 0.0, D4 * usual))
    return Individuals(_chart(points, center, 3 * deviation), around, deviation)


def ewma(values: ArrayLike, *, target: float, sigma: float, weight: float = 0.2, width: float = 3.0) -> Chart:
    """The exponentially weighted mean, from the target on; limits of `width` exact standard deviations at each
    point (NIST/SEMATECH e-Handbook 6.3.2.4 has the limits that they grow to)."""
    values = np.asarray(values, dtype=np.float64)
    points, level = np.empty(values.size), target
    for place, value in enumerate(values):
        level += weight * (value - level)
        points[place] = level
    grown = 1 - (1 - weight) ** (2 * np.arange(1, values.size + 1))
    return _chart(points, target, width * sigma * np.sqrt(weight / (2 - weight) * grown))


def cusum(values: ArrayLike, *, target: float, k: float, h: float) -> Cusum:
    """The tabular CUSUM in the data's own unit (NIST/SEMATECH e-Handbook 6.3.2.3)."""
    values = np.asarray(values, dtype=np.float64)
    upper, lower = _above(values - target, k), _above(target - values, k)
    return Cusum(target, k, h, upper, lower, _beyond(np.maximum(upper, lower), -np.inf, h))


def poisson_cusum(counts: ArrayLike, exposure: ArrayLike = 1.0, *, k: float) -> Floats:
    """Sums of counts above k per unit of exposure (Lucas 1985); `run_lengths.design` gives k and the limit."""
    seen, over = np.broadcast_arrays(np.asarray(counts, dtype=float), np.asarray(exposure, dtype=float))
    return _above(seen - k * over, 0.0)


def _above(steps: Floats, k: float) -> Floats:
    """S = max(0, S + step − k): the path less its lowest point so far, 0 included."""
    path = np.cumsum(steps - k)
    lowest = np.minimum(np.minimum.accumulate(path), 0.0)
    return path - lowest + 0.0


# --- change-point -------------------------------------------------------------------------------------


def change_point(counts: ArrayLike, exposure: ArrayLike = 1.0) -> Change:
    """Where one Poisson rate most likely became another, by the greatest likelihood ratio over all places.

    The chance of so great a ratio without a change is exact, given the sum (after Worsley 1983): the path of counts
    must stay within bounds at every place. Raises ValueError with fewer than 2 intervals or no fault.
    """
    seen, over = np.broadcast_arrays(np.asarray(counts, dtype=float), np.asarray(exposure, dtype=float))
    total = int(seen.sum())
    if seen.size < 2 or total == 0:
        raise ValueError("a change needs two intervals and a fault")
    share = np.cumsum(over)[:-1] / over.sum()
    ratios = _log_ratio(np.cumsum(seen)[:-1], total, share)
    at = int(ratios.argmax())
    first, rest = seen[: at + 1].sum(), seen[at + 1 :].sum()
    return Change(
        at + 1,
        float(first / over[: at + 1].sum()),
        float(rest / over[at + 1 :].sum()),
        float(ratios[at]),
        _chance_of_change(float(ratios[at]), total, share),
    )


def _log_ratio(before: Floats, total: int, share: Floats) -> Floats:
    """2 ln of the likelihood with a change over that without."""
    after = total - before
    with np.errstate(divide="ignore", invalid="ignore"):
        first = np.where(before > 0, before * np.log(before / (total * share)), 0.0)
        rest = np.where(after > 0, after * np.log(after / (total * (1 - share))), 0.0)
    ratio: Floats = 2 * (first + rest)
    return ratio


def _chance_of_change(ratio: float, total: int, share: Floats) -> float:
    if share.size * float(total + 1) ** 2 > EXACT_CHANGE:
        return float("nan")
    counts = np.arange(total + 1)
    within = np.zeros(total + 1)
    within[0], gone = 1.0, 0.0
    for part in share:
        step = (part - gone) / (1 - gone)  # of those still to come, each falls here with this chance
        more = counts[None, :] - counts[:, None]
        moves = np.where(more >= 0, stats.binom.pmf(more, (total - counts)[:, None], step), 0.0)
        within = within @ moves
        within[_log_ratio(counts.astype(float), total, part) > ratio - 1e-9] = 0.0
        gone = part
    return float(np.clip(1 - within.sum(), 0, 1))


# --- limits -------------------------------------------------------------------------------------------


def _chart(
    points: Floats, center: float, reach: Floats | float, *, least: float = -np.inf, most: float = np.inf
) -> Chart:
    low, high = np.maximum(center - reach, least), np.minimum(center + reach, most)
    return Chart(center, low, high, points, _beyond(points, low, high))


def _beyond(points: Floats, low: Floats | float, high: Floats | float) -> tuple[int, ...]:
    """Places beyond a limit by more than rounding does: a point on the limit is not out."""
    slack = 1e-9 * np.maximum(1.0, np.abs(points))
    out = (points > np.asarray(high) + slack) | (points < np.asarray(low) - slack)
    return tuple(int(place) + 1 for place in np.flatnonzero(out))
