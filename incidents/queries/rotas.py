"""The calendar for its page: who is on now and next, swaps and holidays to come."""

from __future__ import annotations

from collections import defaultdict
from datetime import datetime
from typing import NamedTuple
from uuid import UUID
from zoneinfo import ZoneInfo

from incidents.identity.models import Facility, Person
from incidents.queries.escalation import calendar_of
from incidents.rules.calendars import OnDuty, comes_on, holidays_of, on_duty
from incidents.rules.escalation_events import Holiday, Rota, Swap

GONE = "someone who left"


class TurnTold(NamedTuple):
    person: UUID
    name: str
    start_at: datetime
    end_at: datetime


class SwapTold(NamedTuple):
    name: str
    instead_of: str
    start_at: datetime
    end_at: datetime


class RotaTold(NamedTuple):
    rota: Rota
    now: tuple[TurnTold, ...]
    next: tuple[TurnTold, ...]
    swaps: tuple[SwapTold, ...]


class Standing(NamedTuple):
    """The calendar as it stands; `version` is what a deed names as `expected_version`. `names` are people's."""

    version: int
    rotas: tuple[RotaTold, ...]
    holidays: tuple[Holiday, ...]
    past_holidays: int
    names: dict[UUID, str]


def standing(facility: Facility, now: datetime) -> Standing:
    """What the calendar says at a moment: of swaps and holidays those that are not over."""
    state = calendar_of(facility.id)
    told = state.told
    zone, days = ZoneInfo(facility.time_zone), holidays_of(told)
    names = dict(Person.objects.filter(membership__facility=facility).values_list("id", "name"))
    today = now.astimezone(zone).date().isoformat()
    every = told.holidays if told else ()
    to_come = tuple(each for each in every if each.day >= today)

    def turns(found: list[OnDuty]) -> tuple[TurnTold, ...]:
        return tuple(
            TurnTold(each.person, names.get(each.person, GONE), each.start_at, each.end_at) for each in found
        )

    rotas = tuple(
        RotaTold(
            rota,
            turns(on_duty(rota, now, zone, days)),
            turns(comes_on(rota, now, zone, days)),
            tuple(
                SwapTold(names.get(s.person, GONE), names.get(s.instead_of, GONE), s.starts_at, s.ends_at)
                for s in not_over(rota, now)
            ),
        )
        for rota in (told.rotas if told else ())
    )
    return Standing(state.version, rotas, to_come, len(every) - len(to_come), names)


def not_over(rota: Rota, now: datetime) -> tuple[Swap, ...]:
    return tuple(swap for swap in rota.swaps if swap.ends_at > now)


def swaps_of(facility: UUID, now: datetime) -> dict[str, tuple[Swap, ...]]:
    """Of each rota the swaps that are not over: whoever sets the rotas anew keeps those."""
    told = calendar_of(facility).told
    return {rota.name: not_over(rota, now) for rota in (told.rotas if told else ())}


def written_as(facility: UUID) -> dict[str, list[UUID]]:
    """Whom a name, or a sign-in name, may mean here."""
    found: dict[str, list[UUID]] = defaultdict(list)
    for person, name, login in (
        Person.objects.filter(membership__facility_id=facility).distinct().values_list("id", "name", "login")
    ):
        for text in {name, login}:
            found[text].append(person)
    return found


def names_to_write(facility: UUID) -> dict[UUID, str]:
    """How each person is written so that nobody else is meant: by name or, where two have it, by sign-in name."""
    meant = written_as(facility)
    people = Person.objects.filter(membership__facility_id=facility).distinct()
    return {each.id: each.name if len(meant[each.name]) == 1 else each.login for each in people}
