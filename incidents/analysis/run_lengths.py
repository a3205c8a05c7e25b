"""How long a chart runs before it signals: average run lengths, and limits designed for a wanted one.

A chart that signals on the average each 370 points when nothing is wrong is one false alarm each 370 points. A
normal CUSUM goes by an integral equation (Page 1954), a Poisson CUSUM by its Markov chain, exact where its
reference value is a fraction (Brook and Evans 1972; Lucas 1985). A design is kept once it was found.
"""

from __future__ import annotations

from fractions import Fraction
from functools import lru_cache
from math import inf, log
from typing import NamedTuple

import numpy as np
from scipy import sparse, stats
from scipy.sparse.linalg import spsolve

NODES = 80  # of the quadrature; with 40 the tenth digit is the same
FINENESS = (8, 16, 32, 64, 128, 256)  # steps that the larger of 1 and a reference value may have, tried in turn
CLOSE = 1.08
ENDLESS = 1e14  # points; beyond it the equations say no more than that
STATES_DENSE, STATES_MOST = 600, 200_000


class Design(NamedTuple):
    """A Poisson CUSUM: signal where the sum exceeds `h`; what it does at the usual rate and at the raised one."""

    k: float
    h: float
    usual_run: float
    raised_run: float


def shewhart(width: float = 3.0, *, shift: float = 0.0) -> float:
    """Points until one lies beyond limits of ± `width` σ, the mean shifted by `shift` σ."""
    return float(1 / (stats.norm.sf(width - shift) + stats.norm.cdf(-width - shift)))


@lru_cache(maxsize=1024)
def cusum(k: float, h: float, *, shift: float = 0.0, two_sided: bool = True) -> float:
    """Points until a normal CUSUM (k and h in σ) signals, from 0, the mean shifted by `shift` σ."""
    if two_sided:
        return 1 / (1 / cusum(k, h, shift=shift, two_sided=False) + 1 / cusum(k, h, shift=-shift, two_sided=False))
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    at, weights = h / 2 * (nodes + 1), weights * h / 2
    from_where = np.append(0.0, at)
    matrix = np.empty((NODES + 1, NODES + 1))
    matrix[:, 0] = stats.norm.cdf(k - from_where - shift)  # back to 0
    matrix[:, 1:] = stats.norm.pdf(at[None, :] - from_where[:, None] + k - shift) * weights
    run = float(np.linalg.solve(np.eye(NODES + 1) - matrix, np.ones(NODES + 1))[0])
    return run if 0 < run < ENDLESS else inf


def cusum_limit(wanted: float, k: float = 0.5, *, two_sided: bool = True) -> float:
    """h in σ for which a normal CUSUM in control runs `wanted` points on the average."""
    low, high = 0.0, 1.0
    while cusum(k, high, two_sided=two_sided) < wanted:
        low, high = high, high * 2
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if cusum(k, middle, two_sided=two_sided) < wanted else (low, middle)
    return high


def poisson_cusum(rate: float, k: Fraction, h: Fraction) -> float:
    """Points until the sum max(0, S + count − k) exceeds h, from 0, the counts Poisson of this mean. Exact: the sum
    has as many states as h has steps of 1 / (common denominator)."""
    unit = np.lcm(k.denominator, h.denominator)
    step, states = int(k * unit), int(h * unit) + 1
    if states > STATES_MOST:
        raise ValueError("the limit has too many steps to follow one by one")
    counts = np.arange(states // unit + step // unit + 3)
    chance = stats.poisson.pmf(counts, rate)
    place = np.arange(states)
    to = np.maximum(place[None, :] + counts[:, None] * unit - step, 0)
    stays = to < states
    moves = (
        np.broadcast_to(chance[:, None], to.shape)[stays],
        (np.broadcast_to(place, to.shape)[stays], to[stays]),
    )
    left = sparse.identity(states, format="csc") - sparse.coo_matrix(moves, shape=(states, states)).tocsc()
    ones = np.ones(states)
    solved = np.linalg.solve(left.toarray(), ones) if states <= STATES_DENSE else spsolve(left, ones)
    run = float(solved[0])
    return run if 0 < run < ENDLESS else inf


@lru_cache(maxsize=256)
def design(usual: float, raised: float, wanted: float) -> Design:
    """A Poisson CUSUM that runs about `wanted` points at the usual mean count and notices the raised one soonest.

    k is Lucas's (raised − usual) / ln(raised / usual) as a fraction, fine enough that some limit runs within
    a twelfth of what is wanted; h is the lowest that runs at least as long. Raises ValueError unless
    0 < usual < raised and wanted > 1.
    """
    if not (0 < usual < raised and wanted > 1):
        raise ValueError(
            "a design needs a usual mean above 0, a higher one to notice, and a run of more than 1 point"
        )
    best = Fraction((raised - usual) / log(raised / usual))
    found: list[Design] = []
    whole = max(1, round(1 / best))  # a reference value of one in so many points needs steps as small as itself
    fineness = FINENESS if whole < FINENESS[0] else tuple(whole * times for times in (1, 2, 4, 8))
    for k in dict.fromkeys(best.limit_denominator(finest) for finest in fineness):
        if usual < k < raised and k > 0:
            found.append(_lowest(usual, raised, wanted, k))
            if found[-1].usual_run <= CLOSE * wanted:
                break
    return min(found, key=lambda one: one.usual_run)


def _lowest(usual: float, raised: float, wanted: float, k: Fraction) -> Design:
    """The lowest limit on k's own steps that runs as long as wanted; between two steps a limit changes nothing."""

    def runs(steps: int) -> float:
        return poisson_cusum(usual, k, Fraction(steps, k.denominator))

    low, high = -1, 1
    while runs(high) < wanted:
        low, high = high, high * 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if runs(middle) < wanted else (low, middle)
    h = Fraction(high, k.denominator)
    return Design(float(k), float(h), runs(high), poisson_cusum(raised, k, h))
