"""Whether a machine's faults come faster or slower: trend tests and the power law, for all machines at once.

Times are cumulative exposure (cycles or running hours since the machine was new, or since its history begins),
never calendar days. A history is *time-truncated* when it ends at a chosen point, *failure-truncated* when it
ends with its last fault; the two use different counts, and mixing them up shows. p values are min(1, 2 × smaller
tail).

Sources: NIST/SEMATECH e-Handbook 8.2.3.4 and 8.4.2; MIL-HDBK-189 (1981); Crow (1974, 1982); Lewis and Robinson
(1974).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from incidents.analysis import crow

Floats = NDArray[np.float64]
FEWEST = 4  # below it no order of the gaps is unlikely enough for any verdict
EXACT_UP_TO = 100  # gaps; above it the normal curve is within 0.001 of the exact distribution of reversals
WIDEST = 2000  # gaps; above it one machine's reversals are counted by sorting


class Histories(NamedTuple):
    """Machines' fault times: a row each, NaN after the last. `until` is where the observation of each ends."""

    times: Floats
    n: Floats
    until: Floats
    by_failure: bool

    @property
    def used(self) -> Floats:
        """The faults that tests count: all of them, or all but the one that ended the observation."""
        return np.maximum(self.n - 1, 0) if self.by_failure else self.n

    @property
    def log_sum(self) -> Floats:
        """Σ ln(until / time): all that the power law asks of a history. The last fault adds 0 where it ends it."""
        logs = self.until[:, None] / self.times
        np.log(logs, out=logs)  # in place: room for three more arrays would cost more than the logarithms
        np.copyto(logs, 0.0, where=np.isnan(logs))
        total: Floats = logs.sum(axis=1)
        return total + 0.0


class Trends(NamedTuple):
    """One figure a machine; NaN where a machine's history has none."""

    reversals: Floats
    reversals_p: Floats
    laplace_z: Floats
    laplace_p: Floats
    lewis_robinson_z: Floats
    lewis_robinson_p: Floats
    mil_hdbk_chi2: Floats
    mil_hdbk_df: Floats
    mil_hdbk_p: Floats


class PowerLaw(NamedTuple):
    """Expected faults by time t are scale · t^shape; above 1 they come faster. `rate` and `mtbf` are the end's."""

    shape: Floats
    shape_low: Floats
    shape_high: Floats
    scale: Floats
    rate: Floats
    mtbf: Floats
    mtbf_low: Floats
    mtbf_high: Floats


def histories(
    rows: Sequence[ArrayLike], until: ArrayLike | None = None, *, by_failure: bool = False, width: int = 0
) -> Histories:
    """Machines' fault times, each rising and above 0; the same time twice is a tie and stays.

    `until` is one end for all or one for each, the last fault where it is left out (then `by_failure` is meant).
    Rows of the same `width` have the same figures, to the last bit, whichever rows stand beside them.
    Raises ValueError where a time isn't above 0, falls, or lies beyond the end.
    """
    each = [np.asarray(row, dtype=np.float64).ravel() for row in rows]
    n = np.array([row.size for row in each], dtype=np.float64)
    times = np.full((len(each), max([width, *(row.size for row in each)])), np.nan)
    every = np.concatenate([np.empty(0), *each])
    times[np.arange(times.shape[1]) < n[:, None]] = every
    last = np.array([row[-1] if row.size else np.nan for row in each])
    ends = (
        last if until is None else np.broadcast_to(np.asarray(until, dtype=np.float64), n.shape).astype(np.float64)
    )
    if not np.isfinite(every).all() or (every <= 0).any():
        raise ValueError("a time must be a number above 0")
    if (times[:, 1:] < times[:, :-1]).any():
        raise ValueError("the times don't rise")
    late = (last > ends).any() or (by_failure and (last < ends).any())
    if late or (until is not None and not (ends > 0).all()):
        raise ValueError("a history must end at its last fault or after it")
    return Histories(times, n, ends, by_failure)


# --- trend tests --------------------------------------------------------------------------------------


def trends(of: Histories) -> Trends:
    """All four tests. Laplace and MIL-HDBK take gaps as exponential (Poisson); reverse arrangements and Lewis and
    Robinson only as alike, so that they don't take uneven gaps for a trend."""
    gaps = _gaps(of)
    reversals, ties = _reversals(gaps)
    used, laplace = of.used, laplace_z(of)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.nanmean(gaps, axis=1, where=np.isfinite(gaps)) if gaps.size else np.full(of.n.shape, np.nan)
        square = np.nansum((gaps - mean[:, None]) ** 2, axis=1)
        unevenness = np.where(of.n > 1, np.sqrt(square / (of.n - 1)) / mean, np.nan)
        lewis = laplace / np.where(unevenness > 1e-9, unevenness, np.nan)
    chi2, df = 2 * of.log_sum, 2 * used
    chi2 = np.where(df > 0, chi2, np.nan)
    return Trends(
        reversals,
        _reversals_p(reversals, ties, of.n),
        laplace,
        2 * stats.norm.sf(np.abs(laplace)),
        lewis,
        2 * stats.norm.sf(np.abs(lewis)),
        chi2,
        df,
        np.minimum(1, 2 * np.minimum(stats.chi2.cdf(chi2, df), stats.chi2.sf(chi2, df))),
    )


def laplace_z(of: Histories) -> Floats:
    """How far the mean fault time lies beyond the middle, in standard deviations."""
    used = of.used
    with np.errstate(divide="ignore", invalid="ignore"):
        total = np.where(np.arange(of.times.shape[1]) < used[:, None], of.times, 0.0).sum(axis=1)
        z: Floats = (total - used * of.until / 2) / (of.until * np.sqrt(used / 12))
    return z


def trend_p(of: Histories, found: Trends) -> Floats:
    """The p that a verdict goes by: MIL-HDBK-189's, or Lewis and Robinson's where the gaps are uneven.

    MIL-HDBK-189's is exact for Poisson faults and takes bunches for a trend; Lewis and Robinson's bears bunches,
    and misses more trends where there are none: docs/figures-studies.md.
    """
    return np.where(uneven(of), found.lewis_robinson_p, found.mil_hdbk_p)


def uneven(of: Histories) -> NDArray[np.bool_]:
    """Are the gaps more uneven than four of five Poisson histories leave them, whatever their trend?"""
    told: NDArray[np.bool_] = unevenness(of) > crow.uneven_above(of.used)
    return told


def unevenness(of: Histories) -> Floats:
    """Greenwood's (1946) statistic of the gaps on the fitted power law's own clock, times their number: about 2 for
    Poisson faults, more for bunches. NaN where there is no shape."""
    shape, used = modified(of).shape, of.used
    inside = np.arange(of.times.shape[1]) < used[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        clock = np.where(inside, (of.times / of.until[:, None]) ** shape[:, None], 1.0)
    gaps = np.diff(clock, axis=1, prepend=0.0, append=1.0)
    total: Floats = (used + 1) * (gaps**2).sum(axis=1)
    return total


def _gaps(of: Histories) -> Floats:
    """Exposure between faults, the first from 0; rounded so far that gaps which were written alike are alike."""
    gaps = np.diff(of.times, axis=1, prepend=0.0)
    unit = 10.0 ** (np.floor(np.log10(np.where(of.until > 0, of.until, 1.0))) - 11)
    rounded: Floats = np.rint(gaps / unit[:, None]) * unit[:, None]
    return rounded


def _reversals(gaps: Floats) -> tuple[Floats, Floats]:
    """Pairs of gaps of which the later is longer, and pairs alike, which count nothing."""
    if gaps.shape[1] > WIDEST:
        return tuple(np.array(column) for column in zip(*map(_sorted_reversals, gaps), strict=True))  # type: ignore[return-value]
    longer, alike = np.zeros(len(gaps)), np.zeros(len(gaps))
    for lag in range(1, gaps.shape[1]):
        longer += (gaps[:, lag:] > gaps[:, :-lag]).sum(axis=1)
        alike += (gaps[:, lag:] == gaps[:, :-lag]).sum(axis=1)
    return longer, alike


def _sorted_reversals(row: Floats) -> tuple[float, float]:
    """For a long history: Kendall's τ-b of the gaps against their places tells how many pairs go up."""
    row = row[np.isfinite(row)]
    pairs = row.size * (row.size - 1) / 2
    _, repeats = np.unique(row, return_counts=True)
    alike = float((repeats * (repeats - 1.0) / 2).sum())
    if pairs == alike:
        return 0.0, alike
    tau = stats.kendalltau(np.arange(row.size), row, method="asymptotic").statistic
    return float(np.rint((pairs - alike + tau * np.sqrt((pairs - alike) * pairs)) / 2)), alike


def _reversals_p(reversals: Floats, ties: Floats, n: Floats) -> Floats:
    """Twice the smaller tail. A tie may have been a reversal, so the lower tail counts it as one: else equal gaps
    would pass for a machine that worsens."""
    p = np.full(n.shape, np.nan)
    for size in np.unique(n[n >= 2]).astype(int):
        rows = n == size
        upper, lower = _upper_tail(size, reversals[rows]), 1 - _upper_tail(size, reversals[rows] + ties[rows] + 1)
        p[rows] = np.minimum(1, 2 * np.minimum(upper, lower))
    return p


def _upper_tail(n: int, at_least: Floats) -> Floats:
    if n <= EXACT_UP_TO:
        tail = np.append(_tails(n), 0.0)
        exact: Floats = tail[np.clip(at_least, 0, tail.size - 1).astype(int)]
        return exact
    mean, deviation = reversals_by_chance(n)
    near: Floats = stats.norm.sf((at_least - 0.5 - mean) / deviation)
    return near


def reversals_by_chance(n: int) -> tuple[float, float]:
    """Mean and standard deviation of the reversals among n gaps in any order (Mann 1945)."""
    return n * (n - 1) / 4, float(np.sqrt(n * (n - 1) * (2 * n + 5) / 72))


@lru_cache(maxsize=EXACT_UP_TO)
def _tails(n: int) -> Floats:
    """P(R ≥ r) for r = 0 … n(n−1)/2 when every order of n gaps is as likely as any other."""
    chance = np.ones(1)
    for size in range(2, n + 1):  # the next gap is longer than 0 … size − 1 of those before it
        running = np.cumsum(np.append(chance, np.zeros(size - 1)))
        running[size:] -= running[:-size].copy()
        chance = running / size
    return np.cumsum(chance[::-1])[::-1]


def reversals_needed(n: int, alpha: float) -> int | None:
    """The fewest reversals among n gaps with P(R ≥ r) ≤ alpha, one-sided; None where there are none."""
    found = np.flatnonzero(_tails(n) <= alpha * (1 + 1e-12))
    return int(found[0]) if found.size else None


# --- power law ----------------------------------------------------------------------------------------


def by_likelihood(of: Histories, *, confidence: float = 0.95) -> PowerLaw:
    """Maximum likelihood, with exact bounds: of the shape by χ², of the current MTBF by Crow's coefficients."""
    shape = _over(of.n, of.log_sum)
    with np.errstate(divide="ignore", invalid="ignore"):
        mtbf = of.until / (of.n * shape)
    lower, upper = crow.coefficients(of.n, confidence=confidence, by_failure=of.by_failure)
    return _law(of, shape, mtbf * lower, mtbf * upper, confidence)


def modified(of: Histories, *, confidence: float = 0.95) -> PowerLaw:
    """The estimator without bias in the shape, (n−1)/n of the likeliest ((n−2)/n by failure), with the handbook's
    approximate bounds of the MTBF, which it has for time truncation only."""
    n = of.n
    shape = _over(n - (2 if of.by_failure else 1), of.log_sum)
    z = float(stats.norm.isf((1 - confidence) / 2))
    nothing = np.full(n.shape, np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        mtbf = of.until / (n * shape)
        low = mtbf * n * (n - 1) / (n + z**2 / 4 + np.sqrt(n * z**2 / 2 + z**4 / 16)) ** 2
        reach = n - z * np.sqrt(n / 2)
        high = np.where(reach > 0, mtbf * n * (n - 1) / reach**2, np.nan)
    low, high = (nothing, nothing) if of.by_failure else (low, high)
    return _law(of, shape, low, high, confidence)


def _law(of: Histories, shape: Floats, low: Floats, high: Floats, confidence: float) -> PowerLaw:
    tail, df = (1 - confidence) / 2, 2 * of.used
    with np.errstate(divide="ignore", invalid="ignore", over="ignore", under="ignore"):
        rate = of.n * shape / of.until
        sure = np.isfinite(shape)
        shape_low, shape_high = (
            np.where(sure, stats.chi2.ppf(share, df) / (2 * of.log_sum), np.nan) for share in (tail, 1 - tail)
        )
        scale = np.exp(np.log(of.n) - shape * np.log(of.until))
        return PowerLaw(shape, shape_low, shape_high, scale, rate, 1 / rate, low, high)


def fit_distance(of: Histories) -> Floats:
    """Cramér and von Mises' C²: how far the power law (modified shape) is from the faults; see `crow.critical`."""
    shape, used = modified(of).shape, of.used
    place = np.arange(1, of.times.shape[1] + 1)
    inside = place <= used[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        gone = (of.times / of.until[:, None]) ** shape[:, None]
        apart = np.where(inside, (gone - (2 * place - 1) / (2 * used[:, None])) ** 2, 0.0)
        return np.where(np.isfinite(shape) & (shape > 0), 1 / (12 * used) + apart.sum(axis=1), np.nan)


def _over(above: Floats, below: Floats) -> Floats:
    """above / below where both are more than 0; NaN elsewhere: all faults at the end leave no shape to tell."""
    told = np.full(above.shape, np.nan)
    np.divide(above, below, out=told, where=(above > 0) & (below > 0))
    return told
