"""Imported history: found by search, on its machine's page, and one past load with what is said of it."""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple
from uuid import UUID

import msgspec
from django.db.models import Q, QuerySet, Value
from django.db.models.functions import Upper

from incidents.identity.models import Person
from incidents.ledger.dialect import row_in
from incidents.ledger.reading import read_stream, words_of
from incidents.projections.models import PastAlarmRow, PastLoadRow, PastRepairRow
from incidents.queries.sentences import Names, sentence_of_history
from incidents.queries.story import Entry
from incidents.rules import history
from incidents.rules.events import PastLoadImported, Stream
from incidents.rules.history import Past

PAGE = 100
LOOKED_AT = 5_000  # past loads that one search reads at most


class PastRepair(NamedTuple):
    row: PastRepairRow
    words: str


class OfMachine(NamedTuple):
    """How much of a machine's past was imported, and the newest of it."""

    loads: int
    alarms: int
    repairs: int
    newest_loads: tuple[PastLoadRow, ...]
    newest_alarms: tuple[PastAlarmRow, ...]
    newest_repairs: tuple[PastRepair, ...]

    @property
    def any(self) -> bool:
        return bool(self.loads or self.alarms or self.repairs)


class PastStory(NamedTuple):
    """A past load, the past alarms with its counter, and what was written here of it."""

    past: Past
    told: PastLoadImported
    outcome: str
    alarms: tuple[PastAlarmRow, ...]
    entries: tuple[Entry, ...]


class Place(NamedTuple):
    """Where a past load stands in the list."""

    started_at: datetime
    owner: UUID


class Page(NamedTuple):
    """`older` is the place to go on from; `unread` is true where the search ended before its page was full."""

    rows: list[PastLoadRow]
    older: Place | None
    unread: bool


def loads(facility: UUID, search: str, before: Place | None = None) -> Page:
    """Past loads with these words in their name or among their trays, newest first, below a place."""
    if not search:
        return Page([], None, False)
    rows = PastLoadRow.objects.filter(facility_id=facility, known_to=None).order_by("-started_at", "-owner")
    if before is not None:
        rows = _beyond(rows, "<", before)
    end = next(
        (Place(*found) for found in rows.values_list("started_at", "owner")[LOOKED_AT - 1 : LOOKED_AT]), None
    )
    if end is not None:
        rows = _beyond(rows, ">=", end)
    quoted = msgspec.json.encode(search).decode()[1:-1]
    found = list(rows.filter(Q(name__icontains=search) | Q(trays__icontains=quoted))[: PAGE + 1])
    if len(found) > PAGE:
        last = found[PAGE - 1]
        return Page(found[:PAGE], Place(last.started_at, last.owner), False)
    return Page(found, end, end is not None)


def _beyond(rows: QuerySet[PastLoadRow], how: str, place: Place) -> QuerySet[PastLoadRow]:
    """Row values are compared as one: an index that is ordered so answers it."""
    return rows.extra(where=[f"(started_at, owner) {how} (%s, %s)"], params=row_in(place))


def load_by_code(facility: UUID, code: str) -> UUID | None:
    """The past load of this name, such as “Alder 4471”."""
    rows = PastLoadRow.objects.filter(facility_id=facility, known_to=None)
    named = rows.annotate(upper=Upper("name")).filter(upper=Upper(Value(code)))
    found = named.order_by("-started_at").first()
    return found.owner if found else None


def of_machine(facility: UUID, machine: UUID, limit: int = 10) -> OfMachine:
    mine = {"facility_id": facility, "machine": machine, "known_to": None}
    past_loads = PastLoadRow.objects.filter(**mine)
    past_alarms = PastAlarmRow.objects.filter(**mine)
    past_repairs = PastRepairRow.objects.filter(**mine)
    repairs = list(past_repairs.order_by("-out_at")[:limit])
    words = words_of(facility, [row.words for row in repairs])
    return OfMachine(
        past_loads.count(),
        past_alarms.count(),
        past_repairs.count(),
        tuple(past_loads.order_by("-started_at")[:limit]),
        tuple(past_alarms.order_by("-raised_at")[:limit]),
        tuple(PastRepair(row, words.get(row.words, "")) for row in repairs),
    )


def story(facility: UUID, past_id: UUID) -> PastStory | None:
    """One past load; None where this facility has no such."""
    events = read_stream(facility, Stream("history", past_id))
    past = history.fold(past_id, events)
    told = past.told
    if not isinstance(told, PastLoadImported):
        return None
    people = {event.actor.id for event in events if event.actor.kind == "person"}
    names = Names(dict(Person.objects.filter(id__in=people).values_list("id", "name")), {})
    entries = []
    for event in events:
        glyph, sentence = sentence_of_history(event, names)
        recorded = f"recorded {event.recorded_at:%d %b %Y %H:%M:%S} UTC"
        said = (glyph, sentence, recorded, event.position, event.event_id, sentence)
        entries.append(Entry(event.occurred_at, *said))
    alarms = PastAlarmRow.objects.filter(
        Q(chamber=told.chamber) | Q(chamber=""),
        facility_id=facility,
        machine=told.machine,
        machine_cycle=told.machine_cycle,
        known_to=None,
    )
    counted = alarms.order_by("raised_at") if told.machine_cycle is not None else ()
    return PastStory(past, told, history.OUTCOMES[told.outcome], tuple(counted), tuple(entries))
