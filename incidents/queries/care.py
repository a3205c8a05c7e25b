"""Open items with whoever looks after them, one item's story, and what returns from the shelf by itself."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

from incidents.identity.ids import named
from incidents.identity.models import Person
from incidents.ledger.dialect import id_out
from incidents.ledger.reading import read_stream, words_of
from incidents.outbox.models import Message
from incidents.projections.models import AlarmRow, CareRow, OpenItemRow
from incidents.queries.floor import STANDING
from incidents.queries.sentences import Names, sentence_of_department
from incidents.queries.story import digests_of
from incidents.rules.care import Item
from incidents.rules.events import ItemHandedOn, Stream
from incidents.rules.messages import CHANNEL_WORDS


class Owner(NamedTuple):
    """Who looks after an open item since when; `note` came with it from whoever handed it on."""

    person: UUID
    at: datetime
    by: UUID | None
    note: str


class Line(NamedTuple):
    at: datetime
    glyph: str
    sentence: str
    detail: str


class Story(NamedTuple):
    """An open item: what it is, who looks after it, and what was done and told about it, in order."""

    row: OpenItemRow
    item: Item
    owner: Owner | None
    lines: tuple[Line, ...]


def item_of(row: OpenItemRow) -> Item:
    return Item(Stream(row.owner_kind, row.owner), row.item, row.since)


def care_of(item: Item) -> UUID:
    """The id under which it is looked after."""
    return named(item.about.id, item.named)


def open_since(facility: UUID, stream: Stream, item: str) -> datetime | None:
    """Since when this needs someone; None where it needs nobody."""
    row = _standing(facility, stream, item)
    return row.since if row else None


def open_items(facility: UUID) -> list[Item]:
    """Everything that needs somebody now."""
    return [item_of(row) for row in OpenItemRow.objects.filter(facility_id=facility, **STANDING)]


def looked_after_by(facility: UUID, person: UUID) -> list[Item]:
    """The open items that are with this person: taken over or handed to them or, where nobody did, seen by them."""
    rows = {item_of(row): row for row in OpenItemRow.objects.filter(facility_id=facility, **STANDING)}
    cared = owners(facility, rows)
    return [item for item, row in rows.items() if (cared[item].person if item in cared else row.taken_by) == person]


def _standing(facility: UUID, stream: Stream, item: str) -> OpenItemRow | None:
    found = OpenItemRow.objects.filter(facility_id=facility, owner=stream.id, item=item, **STANDING)
    return found.filter(owner_kind=stream.kind).first()


def owners(facility: UUID, items: Iterable[Item]) -> dict[Item, Owner]:
    """Of these open items, those that somebody took over or was handed."""
    by_care = {care_of(item): item for item in items}
    rows = list(CareRow.objects.filter(facility_id=facility, owner__in=list(by_care)))
    notes = words_of(facility, {row.words for row in rows if row.words})
    return {by_care[id_out(row.owner)]: Owner(row.person, row.at, row.by, notes.get(row.words, "")) for row in rows}


def story(facility: UUID, stream: Stream, key: str) -> Story | None:
    """One open item with what was done about it and told of it; None where it needs nobody."""
    row = _standing(facility, stream, key)
    if row is None:
        return None
    item = item_of(row)
    lines = [*_cared(facility, item), *_told(facility, item)]
    return Story(row, item, owners(facility, [item]).get(item), tuple(sorted(lines)))


def _cared(facility: UUID, item: Item) -> Iterator[Line]:
    events = read_stream(facility, Stream("care", care_of(item)))
    people = {event.actor.id for event in events}
    people |= {event.data.to for event in events if isinstance(event.data, ItemHandedOn)}
    names = Names(_names(people), words_of(facility, digests_of(events)))
    for event in events:
        glyph, sentence = sentence_of_department(event, names)
        note = names.said(event.data.words) if isinstance(event.data, ItemHandedOn) else ""
        yield Line(event.recorded_at, glyph, sentence, note)


WENT = {
    "waiting": "is on its way",
    "leased": "is being sent",
    "sent": "was taken by its channel",
    "dead": "did not arrive",
}


def _told(facility: UUID, item: Item) -> Iterator[Line]:
    """The messages about it: when each went, how often it was tried, and what became of it."""
    about = Message.objects.filter(facility_id=facility, about_id=item.about.id, about_item=item.key)
    rows = list(about.filter(about_kind=item.about.kind, queued_at__gte=item.since).order_by("queued_at")[:200])
    names = _names({row.person for row in rows if row.person})
    for row in rows:
        whom = names.get(row.person, "somebody who left") if row.person else "a shared contact"
        tried = f" ({row.attempts} attempts)" if row.attempts > 1 else ""
        sentence = f"A message by {CHANNEL_WORDS[row.channel]} to {whom} {WENT[row.state]}{tried}"
        if (row.channel, row.state) == ("screen", "sent"):
            sentence = f"Shown on the screens here for {whom}"
        yield Line(row.sent_at or row.queued_at, GLYPHS.get(row.state, "clock"), sentence, row.last_error)


GLYPHS = {"sent": "arrow", "dead": "caution"}


def _names(people: Iterable[UUID]) -> dict[UUID, str]:
    return dict(Person.objects.filter(id__in=set(people)).values_list("id", "name"))


def back_from_the_shelf(now: datetime) -> Iterator[tuple[UUID, Stream, UUID]]:
    """Alarms whose time aside is over: (facility, stream, alarm)."""
    for row in AlarmRow.objects.filter(shelved_until__lte=now, **STANDING).order_by("shelved_until"):
        yield id_out(row.facility_id), Stream(row.owner_kind, id_out(row.owner)), id_out(row.alarm)
