"""Rotas with swaps, public holidays, nights through a change of the clock, work days and ISO weeks."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from msgspec.structs import replace

from incidents.rules.calendars import add_work_days, comes_on, monday_of, on_duty, quiet_until, week_of
from incidents.rules.escalation_events import Quiet, Rota, Swap, Turn
from tests.story import id_of

BERLIN = ZoneInfo("Europe/Berlin")
NORA, OSKAR, PIA = id_of("Nora"), id_of("Oskar"), id_of("Pia")
EVERY_DAY = (1, 2, 3, 4, 5, 6, 7)
NIGHTS = Rota("Nights", "shift", (Turn(NORA, EVERY_DAY, "22:00", "06:00"),))


def berlin(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=BERLIN).astimezone(UTC)


# Directive 2000/84/EC, articles 2 and 3: summer time begins at 01:00 UTC on the last Sunday of March and ends at
# 01:00 UTC on the last Sunday of October; in 2026 these are the 29th and the 25th.
@pytest.mark.parametrize(
    ("evening", "hours"), [("2026-03-27", 8), ("2026-03-28", 7), ("2026-10-24", 9), ("2026-10-25", 8)]
)
def test_a_night_through_a_change_of_the_clock(evening: str, hours: int) -> None:
    [night] = on_duty(NIGHTS, berlin(f"{evening}T23:00"), BERLIN)
    assert (night.person, night.end_at - night.start_at) == (NORA, timedelta(hours=hours))
    assert on_duty(NIGHTS, night.end_at - timedelta(seconds=1), BERLIN) == [night]
    assert on_duty(NIGHTS, night.end_at, BERLIN) == []


def test_whoever_swaps_is_on_for_that_long_and_may_give_it_on() -> None:
    first = Swap(OSKAR, NORA, berlin("2026-12-01T00:00"), berlin("2026-12-02T00:00"))
    on = Rota(*_with(first))
    assert [each.person for each in on_duty(on, berlin("2026-12-01T23:00"), BERLIN)] == [OSKAR]
    assert [each.person for each in on_duty(on, berlin("2026-12-02T01:00"), BERLIN)] == [NORA]
    given_on = Rota(*_with(first, Swap(PIA, OSKAR, first.starts_at, first.ends_at)))
    assert [each.person for each in on_duty(given_on, berlin("2026-12-01T23:00"), BERLIN)] == [PIA]


def test_who_comes_on_next_also_by_a_swap_within_a_turn() -> None:
    evening, midnight = berlin("2026-12-01T20:00"), berlin("2026-12-02T00:00")
    assert [each.start_at for each in comes_on(NIGHTS, evening, BERLIN)] == [berlin("2026-12-01T22:00")]
    assert comes_on(replace(NIGHTS, turns=()), evening, BERLIN) == []
    swapped = replace(NIGHTS, swaps=(Swap(OSKAR, NORA, midnight, berlin("2026-12-02T06:00")),))
    (next_one,) = comes_on(swapped, berlin("2026-12-01T23:00"), BERLIN)
    assert (next_one.person, next_one.start_at) == (OSKAR, midnight)


def _with(*swaps: Swap) -> tuple[str, str, tuple[Turn, ...], tuple[Swap, ...]]:
    return NIGHTS.name, NIGHTS.kind, NIGHTS.turns, swaps


def test_a_public_holiday_goes_by_sunday() -> None:
    """Common practice of rotas."""
    rota = Rota(
        "Days", "shift", (Turn(NORA, (1, 2, 3, 4, 5), "06:00", "14:00"), Turn(OSKAR, (7,), "06:00", "14:00"))
    )
    christmas = date(2026, 12, 25)  # a Friday
    friday = berlin("2026-12-25T10:00")
    assert [each.person for each in on_duty(rota, friday, BERLIN)] == [NORA]
    assert [each.person for each in on_duty(rota, friday, BERLIN, {christmas})] == [OSKAR]


def test_a_turn_every_second_week_goes_on_through_a_year_of_53_weeks() -> None:
    turn = Turn(NORA, EVERY_DAY, "06:00", "14:00", every_weeks=2, from_week="2026-W52")
    rota = Rota("Odd and even", "on-call", (turn,))
    mondays = [monday_of("2026-W52") + timedelta(weeks=n) for n in range(5)]
    on = [bool(on_duty(rota, datetime(d.year, d.month, d.day, 9, tzinfo=BERLIN), BERLIN)) for d in mondays]
    assert [week_of(day) for day in mondays] == ["2026-W52", "2026-W53", "2027-W01", "2027-W02", "2027-W03"]
    assert on == [True, False, True, False, True]


# ISO 8601, week dates: worked examples of the rule that week 1 has the year's first Thursday.
@pytest.mark.parametrize(
    ("day", "week", "weekday"),
    [
        ("2003-12-29", "2004-W01", 1),
        ("2004-01-04", "2004-W01", 7),
        ("2020-12-31", "2020-W53", 4),
        ("2021-01-01", "2020-W53", 5),
        ("2026-11-24", "2026-W48", 2),
    ],
)
def test_iso_weeks(day: str, week: str, weekday: int) -> None:
    found = date.fromisoformat(day)
    assert week_of(found) == week
    assert monday_of(week) + timedelta(days=weekday - 1) == found


# 21 CFR 803.10 and 803.30: 10 work days after the day of becoming aware; 803.3 (from memory): Monday to Friday
# without federal holidays.
@pytest.mark.parametrize(
    ("aware", "holidays", "due"),
    [
        ("2026-11-24", ["2026-11-26"], "2026-12-09"),
        ("2026-12-18", ["2026-12-25", "2027-01-01"], "2027-01-05"),
    ],
)
def test_work_days(aware: str, holidays: list[str], due: str) -> None:
    off = {date.fromisoformat(day) for day in holidays}
    assert add_work_days(date.fromisoformat(aware), 10, off) == date.fromisoformat(due)


@pytest.mark.parametrize(
    ("moment", "until"),
    [
        ("2026-12-01T21:59", "2026-12-01T21:59"),
        ("2026-12-01T22:00", "2026-12-02T06:00"),
        ("2026-12-02T05:59", "2026-12-02T06:00"),
        ("2026-12-02T06:00", "2026-12-02T06:00"),
        ("2026-12-24T23:00", "2026-12-26T06:00"),  # the night leads into the holiday, and that into a night
        ("2026-10-25T00:30", "2026-10-25T06:00"),
    ],
)
def test_quiet_hours_end_by_the_clock_on_the_wall(moment: str, until: str) -> None:
    quiet = Quiet("low", "22:00", "06:00", holidays=True)
    assert quiet_until(quiet, berlin(moment), BERLIN, {date(2026, 12, 25)}) == berlin(until)
