"""The machine's own counter: numbers that no load here has, listed until somebody explained them."""

from __future__ import annotations

from typing import Any, NamedTuple
from uuid import UUID

from django.db import connection
from django.db.models import Max, Min, QuerySet

from incidents.projections.models import CounterRow, PassageRow

LIST_LIMIT = 200  # numbers; a counter that was reset would otherwise list thousands


class Gap(NamedTuple):
    """A number of the counter; `stray` where the machine reported it, else nobody did."""

    machine_cycle: int
    stray: bool


def newest(facility: UUID, machine: UUID) -> int:
    """The highest number of this machine's counter that is known, 0 where none is."""
    return _ends(*_known(facility, machine))[1]


def gaps(facility: UUID, machine: UUID) -> list[Gap]:
    """Numbers between the lowest and the highest known that no load went through and nobody explained."""
    strays = _strays(facility, machine)
    missing = [Gap(number, stray=True) for number in strays]
    for after, following in _leaps(facility, machine):
        missing += [Gap(number, stray=False) for number in range(after + 1, following)][:LIST_LIMIT]
        if len(missing) >= LIST_LIMIT:
            break
    return sorted(missing)[: LIST_LIMIT + len(strays)]


class Run(NamedTuple):
    """Numbers in a row of which the same is known, both ends included."""

    first: int
    last: int
    stray: bool


def runs(facility: UUID, machine: UUID) -> list[Run]:
    """What `gaps` lists, and all of it: strays one by one, numbers that nobody reported by the row."""
    unheard = [Run(after + 1, following - 1, stray=False) for after, following in _leaps(facility, machine)]
    return sorted([*unheard, *(Run(number, number, stray=True) for number in _strays(facility, machine))])


def not_owed(facility: UUID, machine: UUID, first: int, last: int) -> int | None:
    """The lowest of these numbers that is not to be explained, or None where each is."""
    of_loads, told = _known(facility, machine)
    lowest, highest = _ends(of_loads, told)
    within = {"machine_cycle__gte": first, "machine_cycle__lte": last}
    numbers = of_loads.filter(**within).values_list("machine_cycle", flat=True)
    settled = {number for number in numbers if number is not None}
    strays = set()
    for number, explained in told.filter(**within).values_list("machine_cycle", "explained"):
        if explained:
            settled.add(number)
        elif number not in settled:
            strays.add(number)
    # Beyond the ends nothing is owed but a stray, which may be an end itself.
    beyond = (first, max(first, highest), max(first, highest + 1))
    outside = {n for n in beyond if n <= last and n not in strays and not lowest < n < highest}
    return min(settled | outside, default=None)


def _strays(facility: UUID, machine: UUID) -> set[int]:
    of_loads, told = _known(facility, machine)
    strays = set(told.filter(explained=False).values_list("machine_cycle", flat=True))
    return strays - set(of_loads.filter(machine_cycle__in=strays).values_list("machine_cycle", flat=True))


def _known(facility: UUID, machine: UUID) -> tuple[QuerySet[PassageRow], QuerySet[CounterRow]]:
    """(numbers of loads, numbers without a load: explained or not)."""
    of_loads = PassageRow.objects.filter(facility_id=facility, machine=machine, known_to=None)
    told = CounterRow.objects.filter(facility_id=facility, owner=machine, known_to=None)
    return of_loads.exclude(machine_cycle=None), told


def _ends(*rows: QuerySet[Any]) -> tuple[int, int]:
    """The lowest and the highest number known."""
    found = [each.aggregate(first=Min("machine_cycle"), last=Max("machine_cycle")) for each in rows]
    numbers = [number for each in found for number in each.values() if number is not None]
    return min(numbers, default=0), max(numbers, default=0)


def _leaps(facility: UUID, machine: UUID) -> list[tuple[int, int]]:
    """Neighbours among the known numbers that leave numbers out between them; the database walks its index."""
    with connection.cursor() as cursor:
        cursor.execute(_LEAPS, (facility, machine, facility, machine))
        return [(int(after), int(following)) for after, following in cursor.fetchall()]


_LEAPS = (
    "SELECT number, following FROM (SELECT number, lead(number) OVER (ORDER BY number) AS following FROM ("
    " SELECT machine_cycle AS number FROM read_passage"
    "  WHERE facility_id = %s AND machine = %s AND known_to IS NULL AND machine_cycle IS NOT NULL"
    " UNION SELECT machine_cycle FROM read_counter WHERE facility_id = %s AND owner = %s AND known_to IS NULL"
    ") known) pairs WHERE following > number + 1 ORDER BY number"
)
