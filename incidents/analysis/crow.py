"""What the power law leans on: exact bounds of the current MTBF, fit tables, forecasts, and counts by interval.

Sources: Crow (1982) for the bounds; MIL-HDBK-189 (1981), Appendix C, for the table of fit and for grouped data.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special, stats

Floats = NDArray[np.float64]
ALPHAS = (0.20, 0.15, 0.10, 0.05, 0.01)
CRITICAL = {  # of C², by faults used; rows that differ from their neighbours only
    2: (0.138, 0.149, 0.162, 0.175, 0.186),
    3: (0.121, 0.135, 0.154, 0.184, 0.230),
    4: (0.121, 0.134, 0.155, 0.191, 0.280),
    5: (0.121, 0.137, 0.160, 0.199, 0.300),
    6: (0.123, 0.139, 0.162, 0.204, 0.310),
    7: (0.124, 0.140, 0.165, 0.208, 0.320),
    8: (0.124, 0.141, 0.165, 0.210, 0.320),
    9: (0.125, 0.142, 0.167, 0.212, 0.320),
    10: (0.125, 0.142, 0.167, 0.212, 0.320),
    15: (0.126, 0.144, 0.169, 0.215, 0.330),
    16: (0.127, 0.145, 0.171, 0.216, 0.330),
    20: (0.128, 0.146, 0.172, 0.217, 0.330),
    26: (0.128, 0.146, 0.1725, 0.2176, 0.330),
    30: (0.128, 0.146, 0.172, 0.218, 0.330),
    60: (0.128, 0.147, 0.173, 0.220, 0.330),
    100: (0.129, 0.147, 0.173, 0.220, 0.340),
}
UNEVEN = {  # what `growth.unevenness` of Poisson faults exceeds once in five, by faults used (400,000 drawn each)
    3: 1.551,
    4: 1.691,
    5: 1.782,
    6: 1.845,
    7: 1.889,
    8: 1.925,
    10: 1.974,
    12: 2.007,
    15: 2.040,
    20: 2.071,
    30: 2.097,
    50: 2.108,
    100: 2.103,
    200: 2.086,
    500: 2.063,
    1000: 2.047,
}
GRID = 400  # shapes over which a forecast is averaged, each as likely as any other


class Grouped(NamedTuple):
    """The power law from counts by interval; bounds by the likelihood's curvature, on the log scale."""

    shape: float
    scale: float
    rate: float
    mtbf: float
    mtbf_low: float
    mtbf_high: float
    laplace_z: float
    laplace_p: float
    fit_chi2: float
    fit_df: int
    fit_p: float


class Forecast(NamedTuple):
    """Faults expected in what comes next, and the whole numbers between which they lie at the confidence."""

    expected: Floats
    low: Floats
    high: Floats


def coefficients(n: Floats, *, confidence: float, by_failure: bool) -> tuple[Floats, Floats]:
    """By what to multiply the likeliest MTBF for its lower and upper bound; NaN where too few faults give none."""
    lower, upper = np.full(n.shape, np.nan), np.full(n.shape, np.nan)
    for size in np.unique(n[n >= (2 if by_failure else 1)]).astype(int):
        found = _by_failure(size, confidence) if by_failure else _by_time(size, confidence)
        lower[n == size], upper[n == size] = found
    return lower, upper


@lru_cache(maxsize=4096)
def _by_time(n: int, confidence: float) -> tuple[float, float]:
    """Given the sum of logs w, the count is distributed as x^j / (j! (j−1)!) with x = w · rate · end, whatever the
    shape; so x is bounded by the tails of that distribution, and the MTBF by n² / x."""
    tail, reach = (1 - confidence) / 2, int(20 * np.sqrt(n)) + 100
    j = np.arange(max(1, n - reach), n + reach + 1)
    weights = special.gammaln(j + 1) + special.gammaln(j)

    def above(log_x: float) -> float:
        logs = j * log_x - weights
        chance = np.exp(logs - logs.max())
        return float(chance[j >= n].sum() / chance.sum())

    def below(log_x: float) -> float:
        logs = j * log_x - weights
        chance = np.exp(logs - logs.max())
        return float(chance[j <= n].sum() / chance.sum())

    middle, span = 2 * np.log(n), 20 / np.sqrt(n) + 5 / n
    x_high = optimize.brentq(lambda log_x: below(log_x) - tail, middle - span, middle + span, xtol=1e-13)
    lower = float(n**2 * np.exp(-x_high))
    if n == 1:  # one fault is never unlikely: there is always at least one, so nothing bounds the MTBF from above
        return lower, float("inf")
    x_low = optimize.brentq(lambda log_x: above(log_x) - tail, middle - span, middle + span, xtol=1e-13)
    return lower, float(n**2 * np.exp(-x_low))


@lru_cache(maxsize=4096)
def _by_failure(n: int, confidence: float) -> tuple[float, float]:
    """rate · end · w is the product of two independent gammas, of n and of n−1."""
    tail = (1 - confidence) / 2
    shares, weights = np.polynomial.legendre.leggauss(400)
    reach = stats.gamma.ppf([1e-13, 1 - 1e-13], n - 1)
    logs = np.log(reach)
    u = np.exp((logs[1] - logs[0]) / 2 * shares + logs.mean())
    mass = stats.gamma.pdf(u, n - 1) * u * weights * (logs[1] - logs[0]) / 2

    def below(log_x: float) -> float:
        return float((mass * stats.gamma.cdf(np.exp(log_x) / u, n)).sum() / mass.sum())

    middle, span = np.log(n * (n - 1)), 40 / np.sqrt(n) + 10
    x_low, x_high = (
        np.exp(optimize.brentq(lambda log_x, at=at: below(log_x) - at, middle - span, middle + span, xtol=1e-13))
        for at in (tail, 1 - tail)
    )
    return float(n**2 / x_high), float(n**2 / x_low)


def critical(used: float, alpha: float = 0.10) -> float | None:
    """The value of C² that a power law exceeds with this chance; between rows along a straight line. None where the
    table has no row (fewer than 2 faults). Raises ValueError where it has no such alpha."""
    if used < 2:
        return None
    column = ALPHAS.index(alpha)
    return float(np.interp(used, list(CRITICAL), [row[column] for row in CRITICAL.values()]))


def uneven_above(used: Floats) -> Floats:
    """The unevenness above which gaps count as uneven; between rows along a straight line of 1/√faults."""
    rows = 1 / np.sqrt(np.array(list(UNEVEN), dtype=np.float64))
    with np.errstate(divide="ignore"):
        found: Floats = np.interp(1 / np.sqrt(used), rows[::-1], list(UNEVEN.values())[::-1])
    return found


def forecast(
    n: Floats, log_sum: Floats, until: Floats, ahead: float, *, confidence: float, by_failure: bool
) -> Forecast:
    """Faults in the next `ahead` of exposure, with what isn't known of the power law counted in.

    Shape and level are gamma, independent, given the faults (the invariant prior 1/shape·1/level), so the count
    is a mixture of negative binomials over shapes of equal chance. NaN where there are fewer than 2 faults.
    """
    known = (n >= (2 if by_failure else 1)) & (log_sum > 0)
    count, logs, end = np.where(known, n, 2), np.where(known, log_sum, 1), np.where(known, until, 1)
    shares = (np.arange(GRID) + 0.5) / GRID
    shapes = stats.gamma.ppf(shares, (count - (1 if by_failure else 0))[:, None]) / logs[:, None]
    with np.errstate(over="ignore"):
        more = np.minimum(np.expm1(shapes * np.log1p(ahead / end)[:, None]), 1e9)
    chance, size = 1 / (1 + more), count[:, None]
    likeliest = np.minimum(np.expm1(count / logs * np.log1p(ahead / end)), 1e9) * count

    def smallest(share: float) -> Floats:
        low, high = np.full(n.shape, -1.0), np.full(n.shape, 1.0)
        while (
            short := stats.nbinom.cdf(high[:, None], size, chance).mean(axis=1) < share
        ).any() and high.max() < 1e12:
            high = np.where(short, high * 2, high)
        while (apart := high - low > 1).any():
            middle = np.where(apart, np.floor((low + high) / 2), high)
            enough = stats.nbinom.cdf(middle[:, None], size, chance).mean(axis=1) >= share
            low, high = np.where(apart & ~enough, middle, low), np.where(apart & enough, middle, high)
        return high

    tail = (1 - confidence) / 2
    told = (likeliest, smallest(tail), smallest(1 - tail))
    return Forecast(*(np.where(known, figure, np.nan) for figure in told))


def grouped(edges: Floats, counts: Floats, *, confidence: float) -> Grouped:
    """The power law from counts in intervals that follow each other from 0 (MIL-HDBK-189, Appendix C, grouped
    data).

    The likeliest shape; Laplace's statistic at the intervals' middles, exact in mean and variance; the χ² fit on
    intervals less 2. Raises ValueError where the counts leave no shape (all in the first or in the last interval).
    """
    total, end = float(counts.sum()), float(edges[-1])
    part = edges / end  # the shape doesn't depend on the unit

    def shares(shape: float) -> Floats:
        return np.diff(part**shape)

    def unlikely(log_shape: float) -> float:
        return -float(special.xlogy(counts, np.maximum(shares(float(np.exp(log_shape))), 1e-300)).sum())

    inside = np.flatnonzero(counts)
    if inside.size == 1 and inside[0] in (0, counts.size - 1):
        raise ValueError("all faults are in the first or in the last interval: that leaves no shape to tell")
    found = optimize.minimize_scalar(
        unlikely, bounds=(np.log(0.01), np.log(50)), method="bounded", options={"xatol": 1e-11}
    )
    shape = float(np.exp(found.x))
    step = 1e-4
    curve = (unlikely(found.x + step) - 2 * unlikely(found.x) + unlikely(found.x - step)) / step**2
    spread = float(np.sqrt(1 / total + 1 / curve)) if curve > 0 else float("nan")
    z = float(stats.norm.isf((1 - confidence) / 2))
    rate = total * shape / end
    widths, middles = np.diff(part), (part[:-1] + part[1:]) / 2
    mean = float((widths * middles).sum())
    variance = float((widths * (middles - mean) ** 2).sum())
    laplace = (float((counts * middles).sum()) - total * mean) / np.sqrt(total * variance)
    expected = total * shares(shape)
    chi2, df = float(((counts - expected) ** 2 / expected).sum()), counts.size - 2
    return Grouped(
        shape,
        float(np.exp(np.log(total) - shape * np.log(end))),
        rate,
        1 / rate,
        float(np.exp(-z * spread) / rate),
        float(np.exp(z * spread) / rate),
        float(laplace),
        2 * float(stats.norm.sf(abs(laplace))),
        chi2,
        df,
        float(stats.chi2.sf(chi2, df)) if df > 0 else float("nan"),
    )
