"""Random moments: Poisson processes whose intensity changes with time.

Sources: S. M. Ross, *Introduction to Probability Models*, ch. 5.4.1 (nonhomogeneous Poisson process: counts of
disjoint intervals are independent and Poisson, their mean the integral of the intensity); P. A. W. Lewis and
G. S. Shedler, Naval Research Logistics Quarterly 26 (1979), 403–413 (thinning).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import msgspec
import numpy as np
from numpy.random import PCG64, Generator, SeedSequence


def generator(seed: int, *path: int) -> Generator:
    """A source of chance of its own for each `path` under a seed: what one draws never moves another."""
    return Generator(PCG64(SeedSequence([seed, *path])))


class Ageing(msgspec.Struct, frozen=True):
    """How often a machine fails by its own hours of running: a power law, begun anew by a true repair.

    The expected number of faults from 0 to t hours is (t / scale_h) ** shape; `shape` above 1 worsens. From
    `repaired_h` on it is a constant `rate_after` per hour instead.
    """

    shape: float
    scale_h: float
    repaired_h: float | None = None
    rate_after: float = 0.0

    def expected(self, from_h: float, to_h: float) -> float:
        """The mean number of faults between two ages, in hours of running."""
        return self._until(to_h) - self._until(from_h)

    def intensity(self, at_h: float) -> float:
        """Faults per hour of running at this age."""
        if self.repaired_h is not None and at_h >= self.repaired_h:
            return self.rate_after
        return float(self.shape / self.scale_h * (at_h / self.scale_h) ** (self.shape - 1))

    def _until(self, t_h: float) -> float:
        if self.repaired_h is None or t_h <= self.repaired_h:
            return float((t_h / self.scale_h) ** self.shape)
        before = float((self.repaired_h / self.scale_h) ** self.shape)
        return before + self.rate_after * (t_h - self.repaired_h)

    def moments(self, chance: Generator) -> Iterator[float]:
        """Ages at which it fails, without end: a unit-rate process read on the clock of the expected number."""
        due = 0.0
        while True:
            due += float(chance.exponential())
            yield self._age_at(due)

    def _age_at(self, expected: float) -> float:
        before = float("inf") if self.repaired_h is None else self._until(self.repaired_h)
        if expected <= before:
            return float(self.scale_h * expected ** (1 / self.shape))
        assert self.repaired_h is not None
        return self.repaired_h + (expected - before) / self.rate_after if self.rate_after else float("inf")


def thinned(
    chance: Generator, intensity: Callable[[float], float], bound: float, start: float, end: float
) -> Iterator[float]:
    """Moments of a process of known intensity (per unit of time, never above `bound`), from start to end."""
    moment = start
    while True:
        moment += float(chance.exponential()) / bound
        if moment >= end:
            return
        if float(chance.random()) * bound < intensity(moment):
            yield moment


def spread(chance: Generator, median: float, factor: float) -> float:
    """A duration around its median; about two of three lie within `factor` of it (log-normal)."""
    return float(median * np.exp(chance.normal() * np.log(factor)))
