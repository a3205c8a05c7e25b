"""A machine's faults over what it ran: against a plain count, minute by minute, and as stories."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from incidents.analysis import exposure
from incidents.analysis.exposure import TOGETHER, Alarm, Cycle, Out, watched

HOUR = 3600.0
chambers = st.sampled_from(["1", "2"])
minutes = st.integers(0, 400)


def minute(n: int) -> float:
    return 60.0 * n


@st.composite
def cycles(draw: st.DrawFn) -> list[Cycle]:
    begins = draw(st.lists(minutes, max_size=8))
    lengths = [draw(st.integers(1, 60)) for _ in begins]
    return [Cycle(minute(b), minute(b + n), draw(chambers)) for b, n in zip(begins, lengths, strict=True)]


@st.composite
def outs(draw: st.DrawFn) -> list[Out]:
    begins = draw(st.lists(minutes, max_size=3))
    return [
        Out(minute(b) + 30, minute(b + draw(st.integers(1, 90))) + 30, draw(st.sampled_from(["", "1", "2"])))
        for b in begins
    ]


def ran_in(cycle: Cycle, second: float, out: list[Out]) -> bool:
    """Was it running in that half minute, and in service since its start?"""
    mine = [one for one in out if one.chamber in ("", cycle.chamber)]
    return (
        cycle.began <= second < cycle.ended
        and not any(one.out <= cycle.began < one.back for one in mine)
        and not any(cycle.began < one.out <= second for one in mine)
    )


@given(cycles(), outs())
def test_hours_are_those_of_a_count_by_half_minutes(ran: list[Cycle], out: list[Out]) -> None:
    halves = range(1000)
    counted = sum(ran_in(cycle, 30.0 * half, out) for cycle in ran for half in halves)
    assert watched(ran, [], out).hours == pytest.approx(counted / 120, abs=1e-9)


@given(cycles(), outs(), st.lists(minutes.map(lambda n: minute(n) + 15)))
def test_a_fault_stands_at_what_had_run_by_then(ran: list[Cycle], out: list[Out], at: list[float]) -> None:
    found = watched(ran, [Alarm(one, "W02") for one in at], out)
    kept = [
        one for one in ran if not any(o.out <= one.began < o.back and o.chamber in ("", one.chamber) for o in out)
    ]
    for one, cycles_by, hours_by in zip(*found.faults[TOGETHER][1:], strict=True):
        assert cycles_by + 0.5 == sum(cycle.began <= one for cycle in kept)
        counted = sum(ran_in(cycle, 15.0 * quarter, out) for cycle in ran for quarter in range(int(one) // 15))
        assert hours_by == pytest.approx(counted / 240, abs=1e-9)


@given(cycles(), outs(), st.randoms())
def test_the_order_of_telling_changes_nothing(ran: list[Cycle], out: list[Out], chance: object) -> None:
    alarms = [Alarm(one.began + 60, "W02", one.chamber) for one in ran]
    before = watched(ran, alarms, out)
    for told in (ran, alarms, out):
        chance.shuffle(told)  # type: ignore[attr-defined]
    assert str(watched(ran, alarms, out)) == str(before)


def ten_cycles() -> list[Cycle]:
    """One an hour, each of 40 minutes."""
    return [Cycle(HOUR * n, HOUR * n + 2400, "1") for n in range(10)]


def test_chattering_counts_once_and_both_counts_are_kept() -> None:
    """ANSI/ISA-18.2-2016: three or more within a minute is chattering."""
    bursts = [Alarm(HOUR * 2 + second, "W02") for second in (100, 110, 120, 130)] + [Alarm(HOUR * 5 + 60, "w02")]
    found = watched(ten_cycles(), bursts, []).faults["W02"]
    assert (found.told, found.cycles.tolist()) == (5, [2.5, 5.5])


def test_what_comes_up_out_of_service_is_left_out_and_told() -> None:
    out = [Out(HOUR * 3 + 300, HOUR * 5 + 1, "", "Pump")]
    alarms = [Alarm(HOUR * 3 + 300, "W02", "1"), Alarm(HOUR * 4, "W02", "1"), Alarm(HOUR * 6, "W02", "1")]
    found = watched(ten_cycles(), alarms, out)
    assert (found.cycles, found.left_out_cycles, found.left_out_alarms) == (8, 2, 1)
    assert found.hours == pytest.approx((7 * 2400 + 300) / HOUR)
    assert found.faults["W02"].cycles.tolist() == [3.5, 4.5]  # the fault for which it was blocked counts
    (boundary,) = found.boundaries
    assert not boundary.repaired  # the fault blocked it
    assert (boundary.cycles, boundary.hours) == (4, pytest.approx((3 * 2400 + 300) / HOUR))


def test_a_block_of_one_chamber_leaves_the_other_running() -> None:
    both = ten_cycles() + [one._replace(chamber="2") for one in ten_cycles()]
    found = watched(both, [], [Out(HOUR * 5 - 1, math.inf, "2")])
    assert (found.cycles, found.left_out_cycles, found.boundaries) == (15, 5, ())


def test_without_a_cycle_there_is_no_exposure_and_no_fault_has_a_place() -> None:
    found = watched([], [Alarm(5.0, "W02")], [])
    assert (found.cycles, found.hours, found.unplaced) == (0, 0.0, 1)
    assert found.faults == {TOGETHER: found.faults[TOGETHER]}
    assert found.faults[TOGETHER].cycles.size == 0


def test_an_alarm_before_the_first_known_cycle_has_no_exposure() -> None:
    early = exposure.Alarm(-5.0, "W02")
    assert watched(ten_cycles(), [early], []).unplaced == 1


def test_a_machine_that_a_person_took_out_was_repaired() -> None:
    alarms = [Alarm(HOUR * 3 + 300, "W02", "1")]
    (boundary,) = watched(ten_cycles(), alarms, [Out(HOUR * 3 + 301, HOUR * 4)]).boundaries
    assert boundary.repaired
