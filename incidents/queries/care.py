"""Open items with whoever looks after them, one item's story, and what returns from the shelf by itself."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

from incidents.identity.ids import named
from incidents.identity.models import Person
from incidents.ledger.dialect import id_out
from incidents.ledger.reading import read_at, read_stream, words_of
from incidents.outbox.models import Message
from incidents.projections.climbing import NEVER
from incidents.projections.models import AlarmRow, CareRow, OpenItemRow
from incidents.queries.floor import STANDING
from incidents.queries.sentences import Names, sentence_of_department
from incidents.queries.story import digests_of
from incidents.rules.care import Item
from incidents.rules.escalation import span
from incidents.rules.events import ItemEscalated, ItemHandedOn, Stream
from incidents.rules.ladders import CHANNELS
from incidents.rules.messages import CHANNEL_WORDS

MOST_LINES = 200  # of steps, and of messages: an item that climbs for days says the newest
LATE_S = 60  # a step taken so long after it was due says so


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
    """An open item: what it is, who looks after it, and what was done and told about it, in order.

    `over_at` is when it began to need nobody any more, where it does not.
    """

    row: OpenItemRow
    item: Item
    owner: Owner | None
    lines: tuple[Line, ...]
    over_at: datetime | None = None


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
    """One open item with what was done about it and told of it, also once it is over; None where it never was."""
    row = _standing(facility, stream, key) or _newest(facility, stream, key)
    if row is None:
        return None
    item = item_of(row)
    over_at = None if row.known_to is None else read_at(facility, [row.known_to])[0].recorded_at
    until = over_at or NEVER
    lines = [*_begun(row), *_climbed(facility, item), *_cared(facility, item), *_told(facility, item, until)]
    if over_at:
        lines.append(Line(over_at, "arrow", "It needs nobody any more", ""))
    return Story(row, item, owners(facility, [item]).get(item), tuple(sorted(lines, key=_at)), over_at)


def _at(line: Line) -> datetime:
    return line.at


def _newest(facility: UUID, stream: Stream, key: str) -> OpenItemRow | None:
    """As it was last known, of what is over."""
    found = OpenItemRow.objects.filter(facility_id=facility, owner=stream.id, owner_kind=stream.kind, item=key)
    return found.order_by("known_from").last()


def _begun(row: OpenItemRow) -> Iterator[Line]:
    yield Line(row.since, "todo", f"It needs someone: {row.title}", "")


def _climbed(facility: UUID, item: Item) -> Iterator[Line]:
    """The newest steps taken, each with why and to whom; a climb is named as its care is."""
    events = read_stream(facility, Stream("climb", care_of(item)))[-MOST_LINES:]
    steps = [(event, event.data) for event in events if isinstance(event.data, ItemEscalated)]
    names = Names(_names({person for _, data in steps for person in data.to}), {})
    for event, data in steps:
        late_s = int((event.recorded_at - data.due_at).total_seconds())
        detail = f"Step {data.rung} {CHANNELS[data.said.channel]}, by edition {data.edition} of the policy"
        late = f"; due {span(late_s)} before" if late_s > LATE_S else ""
        yield Line(event.recorded_at, *sentence_of_department(event, names), detail + late)


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


def _told(facility: UUID, item: Item, until: datetime) -> Iterator[Line]:
    """The newest messages about it: when each went, how often it was tried, and what became of it."""
    about = Message.objects.filter(facility_id=facility, about_id=item.about.id, about_item=item.key)
    theirs = about.filter(about_kind=item.about.kind, queued_at__gte=item.since, queued_at__lte=until)
    rows = list(theirs.order_by("-queued_at")[:MOST_LINES])
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


def of_stream(facility: UUID, stream: Stream) -> list[OpenItemRow]:
    """What needs someone of one load or machine, the oldest first."""
    found = OpenItemRow.objects.filter(facility_id=facility, owner=stream.id, owner_kind=stream.kind, **STANDING)
    return sorted(found, key=lambda row: (row.since, row.item))
