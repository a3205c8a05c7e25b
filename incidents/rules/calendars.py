"""Shifts, rotas, public holidays and work days, by the clock on the department's wall."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from itertools import pairwise
from typing import NamedTuple
from uuid import UUID

from incidents.rules.escalation_events import CalendarSet, Quiet, Rota, Turn
from incidents.rules.events import Shift
from incidents.rules.refusals import Refusal

MOST_SHIFTS = 8
LONGEST_NAME = 24
LOOK_AHEAD_DAYS = 14
SUNDAY = 7  # by ISO 8601; public holidays go by it (common practice of rotas)


class Span(NamedTuple):
    """A shift on one day: its name, and when it begins and ends, in UTC."""

    name: str
    start_at: datetime
    end_at: datetime


def shift_at(shifts: Sequence[Shift], moment: datetime, zone: tzinfo) -> Span | None:
    """The shift that a moment falls into; each lasts until the next begins. None without shifts.

    A shift begins by the wall's clock: one that goes through a change of it is an hour longer or shorter.
    """
    begun = sorted(_begins(shifts, moment, zone))
    for (start, name), (end, _) in pairwise(begun):
        if start <= moment < end:
            return Span(name, start, end)
    return None


def _begins(shifts: Sequence[Shift], moment: datetime, zone: tzinfo) -> Iterator[tuple[datetime, str]]:
    """Every beginning from the day before the moment to the day after it."""
    today = moment.astimezone(zone).date()
    for day in (today + timedelta(days=n) for n in (-1, 0, 1)):
        for shift in shifts:
            start = datetime.combine(day, time.fromisoformat(shift.starts), zone)
            yield start.astimezone(UTC), shift.name


def shifts_refusal(shifts: Sequence[Shift]) -> Refusal | None:
    """Why these can't be the shifts of a department, or None."""
    starts = [shift.starts for shift in shifts]
    if not 1 <= len(shifts) <= MOST_SHIFTS:
        return Refusal("shifts-missing", f"A day has 1 to {MOST_SHIFTS} shifts.", "Give each its start and name.")
    if len({*starts}) != len(starts):
        return Refusal("shifts-alike", "Two shifts begin at the same time.", "Give each its own start.")
    for shift in shifts:
        if not is_clock(shift.starts):
            said = f"“{shift.starts}” is no time of day."
            return Refusal("shift-unreadable", said, "Write hours and minutes: 06:00.")
        if not 0 < len(shift.name) <= LONGEST_NAME:
            said = f"A shift’s name has 1 to {LONGEST_NAME} characters."
            return Refusal("shift-unnamed", said, "Write one beside each start.")
    return None


def is_clock(text: str) -> bool:
    """Is it a time of day, as 22:00?"""
    try:
        return time.fromisoformat(text).strftime("%H:%M") == text
    except ValueError:
        return False


# --- rotas --------------------------------------------------------------------------------------------


class OnDuty(NamedTuple):
    """A person's turn on one day, in UTC."""

    person: UUID
    start_at: datetime
    end_at: datetime


def on_duty(rota: Rota, moment: datetime, zone: tzinfo, holidays: Collection[date] = ()) -> list[OnDuty]:
    """Whose turn it is, after swaps; each with when it begins and ends. A night through a change of the clock is
    an hour longer or shorter.
    """
    today = moment.astimezone(zone).date()
    days = [today + timedelta(days=n) for n in (-1, 0)]
    spans = (_span(turn, day, zone) for day in days for turn in rota.turns if _is_on(turn, day, holidays))
    return [_swapped(rota, span, moment) for span in spans if span.start_at <= moment < span.end_at]


def comes_on(rota: Rota, moment: datetime, zone: tzinfo, holidays: Collection[date] = ()) -> list[OnDuty]:
    """Whose turn begins next, after swaps, each from when; empty where none does within `LOOK_AHEAD_DAYS`."""
    on = {(each.person, each.start_at) for each in on_duty(rota, moment, zone, holidays)}
    for mark in _marks(rota, moment, zone, holidays):
        came = [each for each in on_duty(rota, mark, zone, holidays) if (each.person, each.start_at) not in on]
        if came:
            return [each._replace(start_at=mark) for each in came]
    return []


def _marks(rota: Rota, moment: datetime, zone: tzinfo, holidays: Collection[date]) -> list[datetime]:
    """The moments to come at which somebody else may be on: turns and swaps begin and end."""
    today = moment.astimezone(zone).date()
    days = [today + timedelta(days=n) for n in range(-1, LOOK_AHEAD_DAYS)]
    spans = [_span(turn, day, zone) for day in days for turn in rota.turns if _is_on(turn, day, holidays)]
    marks = {mark for span in spans for mark in span[1:]}
    marks |= {mark for swap in rota.swaps for mark in (swap.starts_at, swap.ends_at)}
    return sorted(mark for mark in marks if mark > moment)


def _span(turn: Turn, day: date, zone: tzinfo) -> OnDuty:
    starts, ends = time.fromisoformat(turn.starts), time.fromisoformat(turn.ends)
    last = day if ends > starts else day + timedelta(days=1)
    start, end = datetime.combine(day, starts, zone), datetime.combine(last, ends, zone)
    return OnDuty(turn.person, start.astimezone(UTC), end.astimezone(UTC))


def _is_on(turn: Turn, day: date, holidays: Collection[date]) -> bool:
    weekday = SUNDAY if day in holidays else day.isoweekday()
    if weekday not in turn.days:
        return False
    if turn.every_weeks == 1:
        return True
    return (monday_of(week_of(day)) - monday_of(turn.from_week)).days // 7 % turn.every_weeks == 0


def _swapped(rota: Rota, span: OnDuty, moment: datetime) -> OnDuty:
    """The newest swap counts; whoever took a turn can give it on."""
    person = span.person
    for swap in rota.swaps:
        if swap.instead_of == person and swap.starts_at <= moment < swap.ends_at:
            person = swap.person
    return span._replace(person=person)


def week_of(day: date) -> str:
    """The ISO 8601 week of a day: "2026-W48"."""
    year, week, _ = day.isocalendar()
    return f"{year:04d}-W{week:02d}"


def monday_of(week: str) -> date:
    """The first day of an ISO 8601 week. Raises ValueError."""
    year, _, number = week.partition("-W")
    return date.fromisocalendar(int(year), int(number), 1)


def add_work_days(day: date, count: int, holidays: Collection[date] = ()) -> date:
    """The day so many work days after `day`, which isn't counted: Monday to Friday without public holidays."""
    while count:
        day += timedelta(days=1)
        count -= day.isoweekday() < 6 and day not in holidays
    return day


def holidays_of(calendar: CalendarSet | None) -> frozenset[date]:
    return frozenset(date.fromisoformat(each.day) for each in calendar.holidays) if calendar else frozenset()


# --- quiet hours --------------------------------------------------------------------------------------


def quiet_until(quiet: Quiet, moment: datetime, zone: tzinfo, holidays: Collection[date] = ()) -> datetime:
    """The end of the quiet time that a moment falls into; the moment itself, where it falls into none."""
    at = moment
    for _ in range(2 * len(holidays) + 2):  # a night may lead into a holiday, and that into a night
        later = _quiet_once(quiet, at, zone, holidays)
        if later == at:
            break
        at = later
    return at


def _quiet_once(quiet: Quiet, moment: datetime, zone: tzinfo, holidays: Collection[date]) -> datetime:
    local = moment.astimezone(zone)
    today = local.date()
    if quiet.holidays and today in holidays:
        return datetime.combine(today + timedelta(days=1), time(), zone).astimezone(UTC)
    for day in (today - timedelta(days=1), today):
        span = _span(Turn(UUID(int=0), (), quiet.starts, quiet.ends), day, zone)
        if quiet.starts != quiet.ends and span.start_at <= moment < span.end_at:
            return span.end_at
    return moment
