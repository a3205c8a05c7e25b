"""Which steps are due: once each, none missed by a late sweep, and each stopped by its own."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from incidents.rules.escalation import Item, Key, Times, outlook, times_of, whom, why
from incidents.rules.escalation_events import (
    CalendarSet,
    EscalationApproved,
    Holiday,
    Ladder,
    Quiet,
    Rota,
    Rung,
    Swap,
    ToWhom,
    Turn,
)
from tests.story import id_of

BERLIN = ZoneInfo("Europe/Berlin")
SHIFT, ENGINEERS, ON_CALL = ToWhom("role", "supervisor"), ToWhom("role", "engineering"), ToWhom("rota", "Call")
NORA, OSKAR, PIA = id_of("Nora"), id_of("Oskar"), id_of("Pia")
MONDAY = datetime(2026, 11, 23, 2, 14, tzinfo=UTC)
LONG_AGO = Times(MONDAY - timedelta(days=99), BERLIN)


def minutes(count: float) -> timedelta:
    return timedelta(minutes=count)


def policy(*ladders: Ladder, quiet: tuple[Quiet, ...] = ()) -> EscalationApproved:
    return EscalationApproved(1, "Local rule 7", ladders, quiet)


UNSEEN = Ladder(
    "alarm",
    (
        Rung(0, SHIFT, "screen", "acknowledged"),
        Rung(300, SHIFT, "email", "acknowledged", repeat_s=600),
        Rung(900, ON_CALL, "other", "taken-over"),
        Rung(3600, ENGINEERS, "email", "resolved"),
    ),
)


def keys(item: Item, after: float, taken: Any = (), said: EscalationApproved | None = None) -> list[Key]:
    return [
        step.key for step in outlook(item, said or policy(UNSEEN), LONG_AGO, taken, MONDAY + minutes(after)).due
    ]


ALONE = Item("alarm", "high", MONDAY)


def test_an_alarm_left_alone_climbs_rung_by_rung() -> None:
    assert keys(ALONE, 0) == [("alarm", 1, 0)]
    assert keys(ALONE, 4.99) == [("alarm", 1, 0)]
    assert keys(ALONE, 5) == [("alarm", 1, 0), ("alarm", 2, 0)]
    assert keys(ALONE, 15) == [("alarm", 1, 0), ("alarm", 2, 0), ("alarm", 2, 1), ("alarm", 3, 0)]
    look = outlook(ALONE, policy(UNSEEN), LONG_AGO, [Key("alarm", 1, 0)], MONDAY + minutes(1))
    assert look.due == []
    assert look.next is not None
    assert (look.next.key, look.next.due_at) == (("alarm", 2, 0), MONDAY + minutes(5))


def test_each_stop_ends_its_own_rungs_only() -> None:
    """I13: an acknowledgement stops its own step only."""
    seen = ALONE._replace(acknowledged=True)
    assert keys(seen, 60) == [("alarm", 3, 0), ("alarm", 4, 0)]
    assert keys(seen._replace(owner=NORA), 60) == [("alarm", 4, 0)]


def test_the_same_fault_again_goes_straight_to_engineering() -> None:
    again = Ladder("fault-again", (Rung(0, ENGINEERS, "email", "resolved"),))
    said = policy(UNSEEN, again)
    assert keys(ALONE._replace(again=True), 0, said=said) == [("alarm", 1, 0), ("fault-again", 1, 0)]
    assert keys(ALONE, 0, said=said) == [("alarm", 1, 0)]


def test_a_ladder_for_a_priority_goes_before_the_one_for_all() -> None:
    low = Ladder("alarm", (Rung(7200, SHIFT, "screen", "acknowledged"),), ("low",))
    assert keys(ALONE._replace(priority="low"), 60, said=policy(UNSEEN, low)) == []
    assert len(keys(ALONE, 60, said=policy(UNSEEN, low))) > 3


def test_an_edition_owes_nothing_from_before_it_was_in_force_but_the_newest_repeat() -> None:
    """Else the first policy of a department would send a month of repeats at once."""
    times = Times(MONDAY + timedelta(days=30), BERLIN)
    due = outlook(ALONE, policy(UNSEEN), times, (), times.since).due
    assert sorted(step.key.rung for step in due) == [1, 2, 3, 4]
    assert {step.due_at for step in due} == {times.since}


def test_quiet_hours_put_a_low_item_off_and_a_high_one_never() -> None:
    night = policy(UNSEEN, quiet=(Quiet("low", "22:00", "06:00"),))
    low = ALONE._replace(priority="low")  # 03:14 on the wall
    assert keys(low, 60, said=night) == []
    look = outlook(low, night, LONG_AGO, (), MONDAY)
    assert look.next is not None
    assert look.next.due_at == datetime(2026, 11, 23, 5, tzinfo=UTC)
    morning = keys(low, 170, said=night)
    assert morning.count(Key("alarm", 2, 16)) == 1, "of the night's repeats only the last is sent"
    assert sum(key.rung == 2 for key in morning) == 1
    assert keys(ALONE, 0, said=night) == [("alarm", 1, 0)]


# --- to whom ------------------------------------------------------------------------------------------

ROLES = {"supervisor": [NORA, OSKAR], "engineering": [PIA]}
NIGHT = Rota("Nights", "shift", (Turn(NORA, (1, 2, 3, 4, 5, 6, 7), "22:00", "06:00"),))
CALL = Rota("Call", "on-call", (Turn(PIA, (6, 7), "00:00", "00:00"),))


def told(rung: Rung, calendar: CalendarSet | None, moment: datetime) -> tuple[tuple[Any, ...], bool]:
    found = whom(rung, calendar, ROLES, times_of(MONDAY, BERLIN, calendar), moment)
    return found.people, found.nobody_on


def test_a_role_on_shift_is_those_of_it_who_are_on() -> None:
    rung = Rung(0, SHIFT, "screen", "acknowledged")
    calendar = CalendarSet((), (NIGHT,))
    assert told(rung, calendar, MONDAY) == ((NORA,), False)
    assert told(rung, None, MONDAY) == (tuple(sorted((NORA, OSKAR))), False), (
        "without a rota, everybody of the role"
    )


def test_where_nobody_is_on_the_rung_says_whom_instead_and_else_everybody() -> None:
    noon = MONDAY + timedelta(hours=10)
    calendar = CalendarSet((), (NIGHT, CALL))
    rung = Rung(0, SHIFT, "screen", "acknowledged")
    assert told(rung, calendar, noon) == (tuple(sorted((NORA, OSKAR))), True)
    assert told(replace(rung, if_nobody=ENGINEERS), calendar, noon) == ((PIA,), True)
    assert told(replace(rung, to=ON_CALL), calendar, noon) == ((PIA,), True)


def test_a_holiday_and_a_swap_change_who_is_on_call() -> None:
    noon = MONDAY + timedelta(hours=10)
    swap = Swap(OSKAR, PIA, noon - timedelta(hours=1), noon + timedelta(hours=1))
    holiday = CalendarSet((Holiday("2026-11-23", "Invented day"),), (replace(CALL, swaps=(swap,)),))
    rung = Rung(0, ON_CALL, "other", "resolved")
    assert told(rung, holiday, noon) == ((OSKAR,), False)
    assert told(rung, holiday, noon + timedelta(hours=2)) == ((PIA,), False)


def test_the_reason_is_a_sentence() -> None:
    said = "An alarm nobody has seen: after 5 min, and again every 10 min, until somebody has seen it."
    assert why("alarm", UNSEEN.rungs[1], 0) == said
    assert why("alarm", UNSEEN.rungs[1], 2) == f"{said} This is repeat 2."


# --- properties ---------------------------------------------------------------------------------------

RUNGS = st.builds(
    Rung,
    after_s=st.integers(0, 7200),
    to=st.just(SHIFT),
    channel=st.just("screen"),
    until=st.sampled_from(["acknowledged", "taken-over", "resolved"]),
    repeat_s=st.sampled_from([0, 60, 600, 1800]),
)
QUIET = st.sampled_from([(), (Quiet("low", "03:30", "04:10"),), (Quiet("low", "22:00", "06:00"),)])
POLICIES = st.builds(
    lambda rungs, quiet: policy(Ladder("alarm", tuple(rungs)), quiet=quiet), st.lists(RUNGS, max_size=4), QUIET
)
ITEMS = st.builds(
    Item,
    kind=st.just("alarm"),
    priority=st.sampled_from(["high", "low"]),
    since=st.integers(-7200, 0).map(lambda s: MONDAY + timedelta(seconds=s)),
    acknowledged=st.booleans(),
    owner=st.sampled_from([None, NORA]),
)
IN_FORCE = st.integers(-10_000, 7200).map(lambda s: Times(MONDAY + timedelta(seconds=s), BERLIN))
SWEEPS = st.lists(st.integers(0, 14_400), max_size=8)


@given(ITEMS, POLICIES, IN_FORCE, SWEEPS)
def test_sweeps_at_any_moments_take_each_step_once_and_a_late_one_finds_the_rest(
    item: Item, said: EscalationApproved, times: Times, sweeps: list[int]
) -> None:
    end = MONDAY + timedelta(seconds=14_400)
    taken: list[Key] = []
    for moment in [*(MONDAY + timedelta(seconds=s) for s in sorted(sweeps)), end]:
        taken += [step.key for step in outlook(item, said, times, taken, moment).due]
    assert len(set(taken)) == len(taken)
    assert set(taken) == {step.key for step in outlook(item, said, times, (), end).due}
    assert outlook(item, said, times, taken, end).due == []


@given(ITEMS, POLICIES, IN_FORCE, st.integers(0, 14_400))
def test_nothing_is_due_between_now_and_the_next_step(
    item: Item, said: EscalationApproved, times: Times, at: int
) -> None:
    """So the sweep may sleep until then: never late."""
    now = MONDAY + timedelta(seconds=at)
    look = outlook(item, said, times, (), now)
    taken = [step.key for step in look.due]
    later = look.next.due_at if look.next else now + timedelta(days=9)
    assert later > now
    assert outlook(item, said, times, taken, later - timedelta(microseconds=1)).due == []
    if look.next:
        due = outlook(item, said, times, taken, later).due
        assert look.next.key[:2] in [step.key[:2] for step in due], "of repeats put off, it is the last"


@given(ITEMS, POLICIES, IN_FORCE, st.integers(0, 14_400))
def test_acknowledging_stops_its_own_rungs_and_no_other(
    item: Item, said: EscalationApproved, times: Times, at: int
) -> None:
    now = MONDAY + timedelta(seconds=at)
    alone = item._replace(acknowledged=False, owner=None)
    rungs = dict(enumerate(said.ladders[0].rungs, 1))
    before = {step.key for step in outlook(alone, said, times, (), now).due}
    after = {step.key for step in outlook(alone._replace(acknowledged=True), said, times, (), now).due}
    assert after == {key for key in before if rungs[key.rung].until != "acknowledged"}
