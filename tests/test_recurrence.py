"""Mean cumulative faults, faults that came back, repairs that worked: published numbers, lifelines, arithmetic."""

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given as drawn
from hypothesis import settings
from hypothesis import strategies as st

from incidents.analysis import rates, recurrence
from tests.published_values import given


def systems(inputs: Any) -> tuple[list[float], list[float]]:
    events = [float(t) for unit in inputs["systems"] for t in unit if not str(t).endswith("+")]
    ends = [float(str(t).rstrip("+")) for unit in inputs["systems"] for t in unit if str(t).endswith("+")]
    return events, ends


def test_mean_cumulative_of_five_units() -> None:
    inputs, expected, near = given("MCF-DOC")
    found = recurrence.mean_cumulative(*systems(inputs), confidence=0.9)  # two-sided 90 % is one-sided 95 %
    assert found.times.tolist() == expected["t"]
    assert found.mean == near(expected["MCF"])
    assert found.variance == near(expected["var"])
    assert found.low == near(expected["lower95_1s"])
    assert found.high == near(expected["upper95_1s"])


def test_power_law_through_it() -> None:
    inputs, expected, near = given("MCF-DOC-PAR")
    found = recurrence.power_law_through(recurrence.mean_cumulative(*systems(inputs)))
    assert found == near([expected["alpha"], expected["beta"]])


UNITS = st.lists(st.tuples(st.integers(0, 20), st.lists(st.integers(1, 40), max_size=6)), min_size=1, max_size=8)


@settings(deadline=None)
@drawn(UNITS)
def test_units_that_come_and_go_are_counted_one_by_one(units: list[tuple[int, list[int]]]) -> None:
    starts = [start for start, _ in units]
    ends = [start + max([1, *ages]) for start, ages in units]
    events = sorted(start + age for start, ages in units for age in ages)
    found = recurrence.mean_cumulative(events, ends, starts)
    watched = [sum((s < t or s == 0) and t <= e for s, e in zip(starts, ends, strict=True)) for t in events]
    assert found.at_risk.tolist() == watched
    assert found.mean == pytest.approx(np.cumsum([1 / r for r in watched]))
    assert (found.low <= found.mean).all()
    assert (found.mean <= found.high).all()


def test_first_events_alone_are_nelson_and_aalens_hazard() -> None:
    """Where a unit leaves with its first event, this is the cumulative hazard, here by lifelines."""
    from lifelines import NelsonAalenFitter

    chance = np.random.default_rng(3)
    ages, seen = chance.weibull(1.5, 60) * 100, chance.random(60) < 0.7
    found = recurrence.mean_cumulative(ages[seen], ages)
    other = NelsonAalenFitter(nelson_aalen_smoothing=False).fit(ages, seen).cumulative_hazard_
    assert found.mean == pytest.approx(other.loc[np.sort(ages[seen])].to_numpy().ravel())


def test_an_event_without_a_unit_is_refused() -> None:
    with pytest.raises(ValueError, match="no unit"):
        recurrence.mean_cumulative([5.0], [4.0])
    with pytest.raises(ValueError, match="two ages"):
        recurrence.power_law_through(recurrence.mean_cumulative([5.0], [9.0]))


def test_a_fault_that_came_back() -> None:
    """Resolved at 100, 200, 480 and 495; watched until 500; the rule asks for 30 cycles."""
    after, told = recurrence.came_back([90, 100, 112, 250, 490], [100, 200, 480, 495], 500, within=30)
    assert after[0] == 12  # not the one at 100, which is what was resolved
    assert math.isnan(after[1])  # the next came after 50
    assert after[2] == 10
    assert math.isnan(after[3])
    assert told.tolist() == [True, True, True, False]  # of the last only 5 cycles are known: not proven yet


def test_a_repair_over_equal_exposure() -> None:
    faults = [10, 20, 30, 60, 70, 80, 90, 100, 130]
    before, after, stretch = recurrence.equal_stretch(faults, 100, 0, 160)
    assert (before, after, stretch) == (5, 1, 60)
    found = recurrence.repaired(before, stretch, after, stretch)
    assert float(found.ratio) == pytest.approx(0.2)
    assert float(found.fluke) == pytest.approx((1 + 6) / 2**6)  # 0 or 1 of 6 by fair coins
    assert float(found.high) == pytest.approx(float(rates.compare(1, 60, 5, 60).high))
    with pytest.raises(ValueError, match="between"):
        recurrence.equal_stretch(faults, 200, 0, 160)
