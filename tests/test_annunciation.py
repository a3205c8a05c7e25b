"""Alarms by the definitions of ANSI/ISA-18.2-2016 and IEC 62682; waiting times by lifelines."""

import math
from datetime import datetime
from typing import Any

import numpy as np
import pytest
from hypothesis import given as drawn
from hypothesis import settings
from hypothesis import strategies as st

from incidents.analysis import annunciation, tables
from tests.published_values import given


def having(*kinds: Any) -> Any:
    return lambda test: settings(deadline=None, max_examples=60)(drawn(*kinds)(test))


def test_a_flood_begins_above_ten_and_ends_below_five() -> None:
    inputs, expected, _ = given("ALM-FLOOD-DEF")
    counts = inputs["counts_per_10min"]
    assert annunciation.in_flood(counts).tolist() == expected["in_flood"]
    found = annunciation.floods(counts)
    assert len(found) == expected["flood_count"]
    assert (found[0].alarms, found[0].peak) == (expected["alarms_in_flood"], expected["peak"])


def test_chattering() -> None:
    inputs, expected, _ = given("ALM-CHATTER")
    found = annunciation.chatters(inputs["activations_s"])
    assert found.any() == expected["chattering"]
    assert found.tolist() == [True, True, True, False, False]
    assert annunciation.collapsed(inputs["activations_s"]).tolist() == [True, False, False, True, True]


def test_stale() -> None:
    inputs, expected, _ = given("ALM-STALE")
    raised = datetime.fromisoformat(inputs["raised"]).timestamp()
    moments = [datetime.fromisoformat(now).timestamp() for now in inputs["now"]]
    assert [bool(annunciation.stale([raised], [math.nan], now)[0]) for now in moments] == expected["stale"]
    assert annunciation.stale([0.0, 0.0], [86_401.0, 86_400.0], 1e9).tolist() == [True, False]


def test_alarms_for_each_operator() -> None:
    inputs, expected, near = given("ALM-OPHOURS")
    found = annunciation.operator_rates(inputs["alarms"], inputs["operators"], inputs["hours"])
    assert list(found) == near(list(expected.values()))
    with pytest.raises(ValueError, match="operators"):
        annunciation.operator_rates(3, 0, 12)


def test_a_flood_is_more_than_the_most_alarms_that_an_operator_should_get() -> None:
    inputs, expected, _ = given("ALM-BENCH")  # from memory, as its source says
    most = int(expected["target"][inputs["metric"].index("max in 10 min")].removeprefix("<="))
    assert list(annunciation.in_flood([most])) == [False]
    assert list(annunciation.in_flood([most + 1])) == [True]


def test_sliding_windows_find_what_the_clock_cuts_in_two() -> None:
    """Eleven alarms in four minutes around ten past: six before it, five after."""
    raised = 600.0 + np.linspace(-120, 120, 11)
    counts, _ = annunciation.windows(raised)
    assert annunciation.floods(counts) == []
    (found,) = annunciation.sliding_floods(raised)
    assert (found.start, found.alarms, found.peak) == (480.0, 11, 11)
    assert found.end == raised[-5] + 600  # then only four are within ten minutes


@having(st.lists(st.integers(0, 7200), min_size=1, max_size=120))
def test_sliding_floods_are_as_counted_second_by_second(raised: list[int]) -> None:
    times = np.sort(np.array(raised, dtype=float))
    flooded, begun = False, 0
    for second in range(9001):
        within = int(((times > second - 600) & (times <= second)).sum())
        begun += within > 10 and not flooded
        flooded = within > 10 or (flooded and within >= 5)
    found = annunciation.sliding_floods(times)
    assert len(found) == begun
    assert all(flood.alarms >= 11 and flood.peak >= 11 and flood.end > flood.start for flood in found)
    assert sum(flood.alarms for flood in found) <= times.size


def test_fleeting_alarms() -> None:
    """Gone within a minute, seen by nobody, and not back within one."""
    raised, cleared = [0, 500, 1000, 1070, 2000], [30, 700, 1030, 1500, 2010]
    seen = [math.nan, math.nan, math.nan, math.nan, 2005]
    assert annunciation.fleeting(raised, cleared, seen).tolist() == [True, False, False, False, False]


@having(
    st.lists(st.tuples(st.integers(0, 500), st.one_of(st.none(), st.integers(0, 500))), min_size=1, max_size=40)
)
def test_waiting_times_as_lifelines_has_them(alarms: list[tuple[int, int | None]]) -> None:
    from lifelines import KaplanMeierFitter

    raised = np.array([begin for begin, _ in alarms], dtype=float)
    seen = np.array([math.nan if wait is None else begin + wait for begin, wait in alarms], dtype=float)
    found = annunciation.waited(raised, seen, 1000.0)
    lasted = np.where(np.isfinite(seen), seen, 1000.0) - raised
    other = KaplanMeierFitter().fit(lasted, np.isfinite(seen))
    for mine, share in ((found.median, 0.5), (found.p90, 0.1)):
        still = other.survival_function_["KM_estimate"]
        reached = still.index[still <= share + 1e-12]
        assert mine == reached[0] if len(reached) else math.isnan(mine)
    assert found.served + found.waiting == len(alarms)


def test_a_time_that_another_zone_does_not_have_is_no_time() -> None:
    assert tables.as_moment("0001-01-01T00:00:00+14:00") is None
    assert tables.as_moment("2026-11-24T02:09:41Z") is not None
