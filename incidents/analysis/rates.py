"""How often, and against what: rates of faults with exact intervals, comparisons, and many of them at once.

Counts are faults after chattering was collapsed; exposure is cycles or running hours, blocked time left out, never
calendar days. Every function takes arrays of any one shape (machines, or machines × faults) and gives arrays of it.
Where a figure doesn't exist (a ratio to nothing) it is NaN or infinite here, and `null` once it is told.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

Floats = NDArray[np.float64]
ALIKE = 1 + 1e-7  # two chances that differ by less are the same one, as in R's exact tests


class Interval(NamedTuple):
    """An estimate with its two-sided bounds."""

    value: Floats
    low: Floats
    high: Floats


class Comparison(NamedTuple):
    """Rate a over rate b. The bounds go with `p_central`, twice the smaller tail; `p_minlike` adds up whatever is
    no likelier than what was counted. `p_greater` is the one-sided chance of so many at a, `p_less` of so few."""

    ratio: Floats
    low: Floats
    high: Floats
    p_central: Floats
    p_minlike: Floats
    p_greater: Floats
    p_less: Floats
    p_greater_mid: Floats


class Homogeneity(NamedTuple):
    """Whether k machines share one rate: Pearson's χ² and the likelihood ratio G, both on `df`."""

    pooled: Floats
    chi2: Floats
    df: int
    p: Floats
    g: Floats
    g_p: Floats


class Shrunken(NamedTuple):
    """Rates pulled to their fleet's, for ranking only; `weight` 1 is the machine's own rate, 0 the fleet's."""

    value: Floats
    low: Floats
    high: Floats
    weight: Floats


# --- one rate -----------------------------------------------------------------------------------------


def exact_interval(counts: ArrayLike, exposure: ArrayLike = 1.0, *, confidence: float = 0.95) -> Interval:
    """A Poisson rate with the exact interval (Garwood 1936), in faults per unit of exposure.

    Zero faults are no zero rate: the upper bound says what is still possible. Raises ValueError on negative counts
    and on exposure that isn't above 0.
    """
    seen, over = _counted(counts, exposure)
    tail = _tail(confidence)
    low = np.where(seen > 0, stats.chi2.ppf(tail, 2 * np.maximum(seen, 1)) / 2, 0.0)
    high = stats.chi2.isf(tail, 2 * seen + 2) / 2
    return Interval(seen / over, low / over, high / over)


def upper_bound(counts: ArrayLike, exposure: ArrayLike = 1.0, *, confidence: float = 0.95) -> Floats:
    """The one-sided exact upper bound of a Poisson rate; for 0 faults it is −ln(1 − confidence) / exposure."""
    seen, over = _counted(counts, exposure)
    bound: Floats = stats.chi2.isf(1 - confidence, 2 * seen + 2) / 2 / over
    return bound


# --- two rates ----------------------------------------------------------------------------------------


def compare(
    a: ArrayLike, a_exposure: ArrayLike, b: ArrayLike, b_exposure: ArrayLike, *, confidence: float = 0.95
) -> Comparison:
    """Two Poisson rates by the exact conditional test (Przyborowski and Wilenski 1940): given the sum, the faults
    at a are binomial. The ratio's interval is Clopper and Pearson's, carried over. Raises ValueError as
    `exact_interval` does.
    """
    at_a, over_a = _counted(a, a_exposure)
    at_b, over_b = _counted(b, b_exposure)
    at_a, over_a, at_b, over_b = np.broadcast_arrays(at_a, over_a, at_b, over_b)
    both = at_a + at_b
    share = over_a / (over_a + over_b)
    less, greater = stats.binom.cdf(at_a, both, share), stats.binom.sf(at_a - 1, both, share)
    part = clopper_pearson(at_a, np.maximum(both, 1), confidence=confidence)
    none = both == 0
    scale = over_b / over_a
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(none, np.nan, at_a / at_b) * scale
        low = np.where(none, 0.0, part.low / (1 - part.low) * scale)
        high = np.where(none | (at_b == 0), np.inf, part.high / (1 - part.high) * scale)
    return Comparison(
        ratio,
        low,
        high,
        np.minimum(1.0, 2 * np.minimum(less, greater)),
        _minlike(at_a, both, share),
        greater,
        less,
        greater - stats.binom.pmf(at_a, both, share) / 2,
    )


def _minlike(seen: Floats, both: Floats, share: Floats) -> Floats:
    """The two-sided p by minimum likelihood. The binomial falls away on either side of its mode, so the far tail's
    edge is found by halving, for all elements at once."""
    mode = np.floor((both + 1) * share)
    limit = np.log(ALIKE) + _log_chance(seen, both, share)
    above = seen < mode  # the far tail is the upper one
    inner, outer = mode.copy(), np.where(above, both + 1, -1.0)
    for _ in range(int(np.ceil(np.log2(np.max(both, initial=1) + 2))) + 1):
        middle = np.where(above, np.floor((inner + outer) / 2), np.ceil((inner + outer) / 2))
        out = _log_chance(np.clip(middle, 0, both), both, share) <= limit
        out |= (middle < 0) | (middle > both)
        apart = np.abs(outer - inner) > 1
        outer, inner = np.where(out & apart, middle, outer), np.where(~out & apart, middle, inner)
    near = np.where(above, stats.binom.cdf(seen, both, share), stats.binom.sf(seen - 1, both, share))
    far = np.where(above, stats.binom.sf(outer - 1, both, share), stats.binom.cdf(outer, both, share))
    return np.where(seen == mode, 1.0, np.minimum(1.0, near + far))


def _log_chance(seen: Floats, both: Floats, share: Floats) -> Floats:
    chance: Floats = (
        special.gammaln(both + 1)
        - special.gammaln(seen + 1)
        - special.gammaln(both - seen + 1)
        + special.xlogy(seen, share)
        + special.xlog1py(both - seen, -share)
    )
    return chance


# --- many rates ---------------------------------------------------------------------------------------


def homogeneity(counts: ArrayLike, exposure: ArrayLike) -> Homogeneity:
    """Whether the machines along the last axis share one rate. χ² is rough where expected counts are under 5."""
    seen, over = np.broadcast_arrays(*_counted(counts, exposure))
    pooled = seen.sum(-1) / over.sum(-1)
    expected = pooled[..., None] * over
    df = seen.shape[-1] - 1
    with np.errstate(divide="ignore", invalid="ignore"):
        chi2 = np.where(expected > 0, (seen - expected) ** 2 / expected, 0.0).sum(-1)
        g = 2 * np.where(seen > 0, special.xlogy(seen, seen / expected), 0.0).sum(-1)
    return Homogeneity(pooled, chi2, df, stats.chi2.sf(chi2, max(df, 1)), g, stats.chi2.sf(g, max(df, 1)))


def shrunken(counts: ArrayLike, exposure: ArrayLike, *, confidence: float = 0.95) -> Shrunken:
    """Empirical-Bayes rates of the machines along the last axis, by moments (Marshall 1991, the global form).

    A short record is pulled far to the fleet's rate, a long one hardly, so that a ranking isn't led by whoever ran
    least. The interval is that of the gamma distribution which belongs to it, and always holds the rate: where one
    machine stands far out, the others' distribution is so lopsided that its mean lies above its upper bound.
    """
    seen, over = np.broadcast_arrays(*_counted(counts, exposure))
    fleet = (seen.sum(-1) / over.sum(-1))[..., None]
    rate = seen / over
    spread = (over * (rate - fleet) ** 2).sum(-1)[..., None] / over.sum(-1)[..., None]
    between = np.maximum(spread - fleet / over.mean(-1)[..., None], 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        weight = np.where(between > 0, between / (between + fleet / over), 0.0)
        shape, scale = fleet**2 / between + seen, 1 / (fleet / between + over)
        value = fleet + weight * (rate - fleet)
        low = np.where(between > 0, stats.gamma.ppf(_tail(confidence), shape, scale=scale), value)
        high = np.where(between > 0, stats.gamma.isf(_tail(confidence), shape, scale=scale), value)
    return Shrunken(value, np.minimum(low, value), np.maximum(high, value), weight)


def q_values(p: ArrayLike) -> Floats:
    """Benjamini and Hochberg's (1995) adjusted p over all tests of a report, whatever its shape; NaN is no test."""
    given = np.asarray(p, dtype=np.float64)
    told, there = np.full(given.shape, np.nan), np.isfinite(given)
    if there.any():
        told[there] = stats.false_discovery_control(given[there])
    return told


# --- shares -------------------------------------------------------------------------------------------


def wilson(counts: ArrayLike, of: ArrayLike, *, confidence: float = 0.95) -> Interval:
    """A share with Wilson's score interval (1927), kept within 0 and 1."""
    seen, total = _share(counts, of)
    z2 = float(stats.norm.isf(_tail(confidence))) ** 2
    share = seen / total
    middle = (share + z2 / (2 * total)) / (1 + z2 / total)
    reach = np.sqrt(z2 * (share * (1 - share) / total + z2 / (4 * total**2))) / (1 + z2 / total)
    low, high = np.maximum(middle - reach, 0.0), np.minimum(middle + reach, 1.0)
    return Interval(share, np.where(seen == 0, 0.0, low), np.where(seen == total, 1.0, high))


def clopper_pearson(counts: ArrayLike, of: ArrayLike, *, confidence: float = 0.95) -> Interval:
    """A share with the exact interval (Clopper and Pearson 1934)."""
    seen, total = _share(counts, of)
    tail = _tail(confidence)
    low = np.where(seen > 0, stats.beta.ppf(tail, np.maximum(seen, 1), total - seen + 1), 0.0)
    high = np.where(seen < total, stats.beta.isf(tail, seen + 1, np.maximum(total - seen, 1)), 1.0)
    return Interval(seen / total, low, high)


def fisher_greater(a: ArrayLike, a_of: ArrayLike, b: ArrayLike, b_of: ArrayLike) -> Floats:
    """Fisher's exact chance of a share at a so much above b's, one-sided; `a` of `a_of` against `b` of `b_of`."""
    at_a, of_a = _share(a, a_of)
    at_b, of_b = _share(b, b_of)
    chance: Floats = stats.hypergeom.sf(at_a - 1, of_a + of_b, at_a + at_b, of_a)
    return chance


def _counted(counts: ArrayLike, exposure: ArrayLike) -> tuple[Floats, Floats]:
    seen, over = np.asarray(counts, dtype=np.float64), np.asarray(exposure, dtype=np.float64)
    if not (np.isfinite(seen).all() and np.isfinite(over).all()):
        raise ValueError("a count or an exposure is not a number")
    if (seen < 0).any() or (seen != np.floor(seen)).any():
        raise ValueError("a count must be a whole number, 0 or more")
    if (over <= 0).any():
        raise ValueError("the exposure must be more than 0: without cycles or running hours there is no rate")
    return seen, over


def _share(counts: ArrayLike, of: ArrayLike) -> tuple[Floats, Floats]:
    seen, total = _counted(counts, of)
    if (seen > total).any():
        raise ValueError("there are more than there were in all")
    return seen, total


def _tail(confidence: float) -> float:
    return (1 - confidence) / 2
